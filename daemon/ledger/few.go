package ledger

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// unheardAgain is the pause before a record is sent again that nobody has heard: in a cluster the next server that leads the
// stream may not be known everywhere yet.
const unheardAgain = 50 * time.Millisecond

const (
	// fewRecords is how many records are fetched each by itself rather than through a reader, and fewAtOnce how many of them at
	// the same time.
	fewRecords, fewAtOnce = 256, 32
)

// records is read for the ledger itself.
func (l *JetStream) records(ctx context.Context, first, last uint64, fn func(data []byte) error) error {
	if last < first+fewRecords {
		return l.few(ctx, first, last, fn)
	}
	return l.read(ctx, StreamName, first, last, fn)
}

// few is read for a handful of records: it asks for each of them. Where a cluster has just lost a server that is
// what goes on working: a reader is made by the leader of the whole cluster, and may be placed on the server that is lost,
// while a record is given out by the server that leads the stream.
func (l *JetStream) few(ctx context.Context, first, last uint64, fn func(data []byte) error) error {
	if first > last {
		return nil
	}
	stream, err := l.handle(ctx)
	if err != nil {
		return err
	}
	for ; first <= last; first += fewAtOnce {
		var fetched [fewAtOnce]fetchedRecord
		var all sync.WaitGroup
		batch := fetched[:min(fewAtOnce, last-first+1)]
		for i := range batch {
			all.Go(func() { batch[i].data, batch[i].err = l.one(ctx, stream, first+uint64(i)) })
		}
		all.Wait()
		for _, f := range batch {
			if f.err != nil {
				return f.err
			}
			if err := fn(f.data); err != nil {
				return err
			}
		}
	}
	return nil
}

// fetchedRecord is what was answered when one was asked for.
type fetchedRecord struct {
	data []byte
	err  error
}

// heldSoon is held within the time of one attempt.
func (l *JetStream) heldSoon(ctx context.Context) (span, error) {
	ctx, cancel := context.WithTimeout(ctx, l.opts.AttemptTimeout)
	defer cancel()
	return l.held(ctx)
}

// handle asks for the stream within the time of one attempt.
func (l *JetStream) handle(ctx context.Context) (jetstream.Stream, error) {
	ctx, cancel := context.WithTimeout(ctx, l.opts.AttemptTimeout)
	defer cancel()
	stream, err := l.js.Stream(ctx, StreamName)
	if err != nil {
		return nil, fmt.Errorf("ask for stream %s: %w", StreamName, err)
	}
	return stream, nil
}

// one fetches a record. One that the store says it cannot give out is damage; one that does not come is not.
func (l *JetStream) one(ctx context.Context, stream jetstream.Stream, at uint64) ([]byte, error) {
	ctx, cancel := context.WithTimeout(ctx, l.opts.AttemptTimeout)
	defer cancel()
	msg, err := stream.GetMsg(ctx, at)
	var api jetstream.JetStreamError
	switch {
	case errors.As(err, &api) && !temporary(err):
		return nil, corrupt(at, "stream %s does not give it out: %v", StreamName, err)
	case err != nil:
		return nil, fmt.Errorf("read stream %s at %d: %w", StreamName, at, err)
	case msg.Sequence != at:
		return nil, corrupt(at, "stream %s gives out %d in its place", StreamName, msg.Sequence)
	}
	return msg.Data, nil
}

// Quietly calls fn while nothing is appended: what comes meanwhile waits. It is for who has to disturb the store.
func (l *JetStream) Quietly(fn func()) {
	l.mu.Lock()
	defer l.mu.Unlock()
	fn()
}
