package ledger

import (
	"context"
	"fmt"
	"runtime"
	"sync"

	"google.golang.org/protobuf/encoding/protowire"
	"google.golang.org/protobuf/proto"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

const (
	// batchRecords and batchBytes are how much of a stream is decoded at a time by one goroutine.
	batchRecords = 64
	batchBytes   = 256 << 10
	// batchesAhead is how many of those may be decoded before they are asked for.
	batchesAhead = 16
	// decodedAsTheyCome is how many records are too few to start anything for.
	decodedAsTheyCome = 2 * batchRecords
)

// decoded is a stored record that has been read: what Decode says of it.
type decoded struct {
	data []byte
	rec  *ledgerv1.Record
	hash []byte
	err  error
}

// batch is a number of records in the order of their stream.
type batch struct {
	list  []decoded
	bytes int
	ready chan struct{} // closed once all are decoded
}

// reading hands the records first to last of a ledger to each, in their order, until it returns an error. What it hands over stays as it is.
type reading func(ctx context.Context, first, last uint64, each func(data []byte) error) error

// decodedInOrder calls fn with the records first to last. Many are decoded by as many goroutines as there are cores, ahead of fn, which
// is called by this one. Nothing that it has started goes on when it returns.
func decodedInOrder(ctx context.Context, read reading, first, last uint64, fn func(decoded) error) error {
	if last < first+decodedAsTheyCome {
		return read(ctx, first, last, func(data []byte) error {
			d := decoded{data: data}
			d.rec, d.hash, d.err = Decode(data)
			return fn(d)
		})
	}
	ctx, cancel := context.WithCancel(ctx)
	inOrder := make(chan *batch, batchesAhead)
	work := make(chan *batch, batchesAhead)
	var running sync.WaitGroup
	defer running.Wait()
	defer cancel()
	for range runtime.GOMAXPROCS(0) {
		running.Go(func() {
			for b := range work {
				for i := range b.list {
					d := &b.list[i]
					d.rec, d.hash, d.err = Decode(d.data)
				}
				close(b.ready)
			}
		})
	}
	var failed error // of reading; to be looked at once inOrder is closed
	running.Go(func() {
		defer close(inOrder)
		defer close(work)
		var b *batch
		hand := func() error {
			full := b
			b = nil
			if full == nil {
				return nil
			}
			for _, to := range []chan *batch{work, inOrder} {
				select {
				case to <- full:
				case <-ctx.Done():
					return ctx.Err()
				}
			}
			return nil
		}
		failed = read(ctx, first, last, func(data []byte) error {
			if b == nil {
				b = &batch{list: make([]decoded, 0, batchRecords), ready: make(chan struct{})}
			}
			b.list, b.bytes = append(b.list, decoded{data: data}), b.bytes+len(data)
			if len(b.list) < batchRecords && b.bytes < batchBytes {
				return nil
			}
			return hand()
		})
		if err := hand(); failed == nil { // what came before an error counts
			failed = err
		}
	})
	for b := range inOrder {
		<-b.ready
		for _, d := range b.list {
			if err := fn(d); err != nil {
				return err
			}
		}
	}
	return failed
}

// The fields of a snapshot that hold nearly all of it, with an entry for each job and each request.
const (
	snapshotJobs     protowire.Number = 7
	snapshotRequests protowire.Number = 9
)

// unmarshalSnapshot is proto.Unmarshal for a snapshot, on as many cores as there are.
func unmarshalSnapshot(data []byte, snap *ledgerv1.Snapshot) error {
	var jobs, requests [][]byte
	rest := make([]byte, 0, 64<<10)
	for at := data; len(at) > 0; {
		number, kind, head := protowire.ConsumeTag(at)
		if head < 0 {
			return protowire.ParseError(head)
		}
		length := protowire.ConsumeFieldValue(number, kind, at[head:])
		if length < 0 {
			return protowire.ParseError(length)
		}
		field, value := at[:head+length], at[head:head+length]
		at = at[head+length:]
		switch {
		case kind == protowire.BytesType && number == snapshotJobs:
			body, _ := protowire.ConsumeBytes(value) // it was found whole above
			jobs = append(jobs, body)
		case kind == protowire.BytesType && number == snapshotRequests:
			body, _ := protowire.ConsumeBytes(value)
			requests = append(requests, body)
		default:
			rest = append(rest, field...)
		}
	}
	if err := proto.Unmarshal(rest, snap); err != nil {
		return err
	}
	if len(jobs) > 0 {
		snap.Jobs = make([]*ledgerv1.JobSnapshot, len(jobs))
	}
	if len(requests) > 0 {
		snap.Requests = make([]*ledgerv1.RequestSnapshot, len(requests))
	}
	err := besideEachOther(len(jobs), func(i int) error {
		snap.GetJobs()[i] = new(ledgerv1.JobSnapshot)
		return proto.Unmarshal(jobs[i], snap.GetJobs()[i])
	})
	if err != nil {
		return fmt.Errorf("a job: %w", err)
	}
	err = besideEachOther(len(requests), func(i int) error {
		snap.GetRequests()[i] = new(ledgerv1.RequestSnapshot)
		return proto.Unmarshal(requests[i], snap.GetRequests()[i])
	})
	if err != nil {
		return fmt.Errorf("a request: %w", err)
	}
	return nil
}

// besideEachOther calls do with 0 to n-1, on as many cores as there are, and returns the error of the least of them.
func besideEachOther(n int, do func(i int) error) error {
	parts := runtime.GOMAXPROCS(0)
	errs := make([]error, parts)
	var running sync.WaitGroup
	for k := range parts {
		running.Go(func() {
			for i := n * k / parts; i < n*(k+1)/parts; i++ {
				if errs[k] = do(i); errs[k] != nil {
					return
				}
			}
		})
	}
	running.Wait()
	for _, err := range errs {
		if err != nil {
			return err
		}
	}
	return nil
}
