package ledger_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// The benchmarks print ratios: ours and its peers, or the limit of the disk, in one run on one machine. Their stores are
// in TMPDIR, which must be on a real disk for the figures to mean anything.

// disk is a file at the limit of what the machine can do: append and fdatasync.
type disk struct {
	b    *testing.B
	file *os.File
}

func newDisk(b *testing.B) *disk {
	b.Helper()
	file, err := os.Create(filepath.Join(b.TempDir(), "append"))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = file.Close() })
	return &disk{b: b, file: file}
}

func (d *disk) append(data []byte) {
	if _, err := d.file.Write(data); err != nil {
		d.b.Error(err)
	}
	if err := syscall.Fdatasync(int(d.file.Fd())); err != nil {
		d.b.Error(err)
	}
}

// BenchmarkCommit has 64 writers that each hand in one event and wait until it is on disk. The engine's way, one record
// for everything that waits, is compared with one JetStream message for each event on a like server, and with a file
// written by hand in the engine's way.
func BenchmarkCommit(b *testing.B) {
	writers, events := 64, 200_000
	if testing.Short() {
		events = 10_000
	}
	for b.Loop() {
		s := startStore(b, b.TempDir())
		l := s.open(b, s.options())
		head := l.Head()
		ours := committed(writers, events, func(batch []*ledgerv1.Event) {
			rec := ledgertest.Next(head, 0)
			rec.Events = batch
			next, err := l.Append(b.Context(), rec)
			if err != nil {
				b.Error(err)
			}
			head = next
		})
		s.stop()

		d := newDisk(b)
		var buffer []byte
		file := committed(writers, events, func(batch []*ledgerv1.Event) {
			buffer = buffer[:0]
			for _, event := range batch {
				var err error
				if buffer, err = (proto.MarshalOptions{}).MarshalAppend(buffer, event); err != nil {
					b.Error(err)
				}
			}
			d.append(buffer)
		})

		single := publishedOneByOne(b, writers, events/20)
		b.ReportMetric(ours, "events/s")
		b.ReportMetric(ours/single, "x-message-per-event")
		b.ReportMetric(ours/file, "x-file")
	}
	b.ReportMetric(0, "ns/op")
}

// committed returns events per second when writers hand their events to one goroutine that commits whatever waits.
func committed(writers, events int, commit func([]*ledgerv1.Event)) float64 {
	type request struct {
		event *ledgerv1.Event
		done  chan struct{}
	}
	waiting := make(chan request, writers)
	var all sync.WaitGroup
	begin := time.Now()
	for range writers {
		all.Go(func() {
			r := request{event: ledgertest.Next(ledger.Head{}, 1).GetEvents()[0], done: make(chan struct{}, 1)}
			for range events / writers {
				waiting <- r
				<-r.done
			}
		})
	}
	go func() {
		all.Wait()
		close(waiting)
	}()
	for first := range waiting {
		batch := []*ledgerv1.Event{first.event}
		done := []chan struct{}{first.done}
		for len(waiting) > 0 { // this goroutine alone receives, so the next receive does not block
			r := <-waiting
			batch, done = append(batch, r.event), append(done, r.done)
		}
		commit(batch)
		for _, d := range done {
			d <- struct{}{}
		}
	}
	return float64(events/writers*writers) / time.Since(begin).Seconds()
}

// publishedOneByOne returns events per second when each writer publishes a message for each of its events.
func publishedOneByOne(b *testing.B, writers, events int) float64 {
	b.Helper()
	s := startStore(b, b.TempDir())
	defer s.stop()
	if _, err := s.js.CreateStream(b.Context(), jetstream.StreamConfig{Name: "EVENTS", Subjects: []string{"events"}}); err != nil {
		b.Fatal(err)
	}
	data, err := proto.Marshal(ledgertest.Next(ledger.Head{}, 1).GetEvents()[0])
	if err != nil {
		b.Fatal(err)
	}
	var all sync.WaitGroup
	begin := time.Now()
	for range writers {
		all.Go(func() {
			for range events / writers {
				if _, err := s.js.Publish(b.Context(), "events", data); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	all.Wait()
	return float64(events/writers*writers) / time.Since(begin).Seconds()
}

// BenchmarkReplay reads 200,000 events back, verified and decoded, and compares with an ordered consumer that reads the
// same messages and looks at none of them. In records of 64 it is also compared with such a read of one message for each
// event, which is what a restart without records would have to do.
func BenchmarkReplay(b *testing.B) {
	events := 200_000
	if testing.Short() {
		events = 20_000
	}
	var rawSingle float64
	for _, size := range []int{1, 64} {
		b.Run(fmt.Sprintf("events=%d", size), func(b *testing.B) {
			dir := b.TempDir()
			fill(b, dir, events/size, size)
			s := startStore(b, dir)
			l := s.open(b, s.options())
			var raw, ours []time.Duration
			for b.Loop() {
				raw = append(raw, elapsed(func() { readRaw(b, s, events/size) }))
				ours = append(ours, elapsed(func() {
					var n int
					err := l.Replay(b.Context(), 0, func(rec *ledgerv1.Record) error { n += len(rec.GetEvents()); return nil })
					if err != nil || n != events/size*size {
						b.Fatalf("replayed %d events: %v", n, err)
					}
				}))
			}
			rate := float64(events) / median(ours).Seconds()
			if size == 1 {
				rawSingle = float64(events) / median(raw).Seconds()
			}
			b.ReportMetric(rate, "events/s")
			b.ReportMetric(float64(median(raw))/float64(median(ours)), "x-raw")
			b.ReportMetric(rate/rawSingle, "x-raw-message-per-event")
			b.ReportMetric(0, "ns/op")
		})
	}
}

// fill makes a ledger quickly, on a server that writes to disk later, and stops the server.
func fill(b *testing.B, dir string, records, events int) {
	b.Helper()
	s := startStore(b, dir, func(o *server.Options) { o.SyncAlways = false })
	defer s.stop()
	l := s.open(b, ledger.Options{SyncAlways: func() (bool, error) { return true, nil }})
	ledgertest.Fill(b, l, ledger.Head{}, records, events)
}

// readRaw reads the messages of the ledger's stream and does nothing with them.
func readRaw(b *testing.B, s *store, messages int) {
	b.Helper()
	reader, err := s.js.OrderedConsumer(b.Context(), ledger.StreamName, jetstream.OrderedConsumerConfig{DeliverPolicy: jetstream.DeliverAllPolicy})
	if err != nil {
		b.Fatal(err)
	}
	var n atomic.Int64
	done := make(chan struct{})
	reading, err := reader.Consume(func(jetstream.Msg) {
		if n.Add(1) == int64(messages) {
			close(done)
		}
	}, jetstream.PullMaxMessages(4096))
	if err != nil {
		b.Fatal(err)
	}
	<-done
	reading.Stop()
}

// BenchmarkAppend has one writer that appends a record with one event at a time, and compares the median with that of
// appending 256 bytes to a file with fdatasync.
func BenchmarkAppend(b *testing.B) {
	s := startStore(b, b.TempDir())
	l := s.open(b, s.options())
	d, head := newDisk(b), l.Head()
	data := make([]byte, 256)
	var ours, limit []time.Duration
	for b.Loop() {
		rec := ledgertest.Next(head, 1)
		ours = append(ours, elapsed(func() {
			next, err := l.Append(b.Context(), rec)
			if err != nil {
				b.Fatal(err)
			}
			head = next
		}))
		limit = append(limit, elapsed(func() { d.append(data) }))
	}
	b.ReportMetric(float64(median(ours).Nanoseconds()), "p50-ns")
	b.ReportMetric(float64(median(limit).Nanoseconds()), "fdatasync-p50-ns")
	b.ReportMetric(float64(median(ours))/float64(median(limit)), "x-fdatasync")
	b.ReportMetric(0, "ns/op")
}

func elapsed(do func()) time.Duration {
	begin := time.Now()
	do()
	return time.Since(begin)
}

func median(d []time.Duration) time.Duration {
	d = slices.Sorted(slices.Values(d))
	return d[len(d)/2]
}
