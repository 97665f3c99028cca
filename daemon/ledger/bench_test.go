package ledger

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"sync"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/types/known/timestamppb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// benchServer is an embedded server that writes every message to disk before it acknowledges.
func benchServer(b *testing.B) (*nats.Conn, *server.Server) {
	srv, err := server.NewServer(&server.Options{
		DontListen: true, JetStream: true, StoreDir: b.TempDir(), SyncAlways: true, NoSigs: true, NoLog: true,
		JetStreamMaxStore: 8 << 30, JetStreamMaxMemory: 16 << 20, MaxPayload: ServerMaxPayload,
	})
	if err != nil {
		b.Fatal(err)
	}
	go srv.Start()
	if !srv.ReadyForConnections(10 * time.Second) {
		b.Fatal("the server is not ready")
	}
	nc, err := nats.Connect("", nats.InProcessServer(srv))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() {
		nc.Close()
		srv.Shutdown()
		srv.WaitForShutdown()
	})
	return nc, srv
}

func benchLedger(b *testing.B) *JetStream {
	nc, srv := benchServer(b)
	js, err := jetstream.New(nc)
	if err != nil {
		b.Fatal(err)
	}
	l, err := OpenJetStream(context.Background(), js, Options{SyncAlways: EmbeddedSyncAlways(srv)})
	if err != nil {
		b.Fatal(err)
	}
	return l
}

func benchEvent() *ledgerv1.Event {
	return &ledgerv1.Event{Actor: "driver:printer-1", Kind: &ledgerv1.Event_RunChanged{RunChanged: &ledgerv1.RunChanged{
		Run: "run-1234567", State: 5, Reasons: []string{"job-printing"}, PiecesGood: 26, Job: "window-decals", Step: "print", Device: "printer-1",
		StartTime: timestamppb.New(time.Unix(1.7e9, 0)),
	}}}
}

// appendOne appends a record of n events after head.
func appendOne(b *testing.B, l Ledger, head Head, n int) Head {
	rec := &ledgerv1.Record{Revision: head.Revision + 1, Term: 1, CommitTime: timestamppb.New(time.Unix(1.7e9, int64(head.Revision))), PreviousHash: head.Hash, Schema: 1}
	for range n {
		rec.Events = append(rec.Events, benchEvent())
	}
	head, err := l.Append(context.Background(), rec)
	if err != nil {
		b.Fatal(err)
	}
	return head
}

// BenchmarkAppendAlone: one record of one event at a time, against a 256-byte write and sync of the same disk.
func BenchmarkAppendAlone(b *testing.B) {
	l := benchLedger(b)
	disk := median(200, func() func() {
		f := benchFile(b)
		return func() { writeSync(b, f, make([]byte, 256)) }
	}())
	var head Head
	took := make([]time.Duration, 0, b.N)
	for b.Loop() {
		began := time.Now()
		head = appendOne(b, l, head, 1)
		took = append(took, time.Since(began))
	}
	slices.Sort(took)
	p50 := took[len(took)/2]
	b.ReportMetric(float64(p50.Microseconds()), "p50-µs")
	b.ReportMetric(float64(p50)/float64(disk), "p50/sync")
}

// BenchmarkAppendSideBySide: 64 writers, each waiting for its event to be on disk. Ours packs whatever waits into one
// record; the peers are one JetStream message for each event, and a hand-written file that packs the same way.
func BenchmarkAppendSideBySide(b *testing.B) {
	const writers = 64
	n := 60_000
	if testing.Short() {
		n = 2_000
	}
	for range b.N {
		l := benchLedger(b)
		var head Head
		ours := grouped(writers, n, func(k int) { head = appendOne(b, l, head, k) })

		f := benchFile(b)
		file := grouped(writers, n, func(k int) { writeSync(b, f, make([]byte, 200*k)) })

		nc, _ := benchServer(b)
		js, err := jetstream.New(nc)
		if err != nil {
			b.Fatal(err)
		}
		if _, err := js.CreateStream(context.Background(), jetstream.StreamConfig{Name: "PEER", Subjects: []string{"peer"}, Storage: jetstream.FileStorage}); err != nil {
			b.Fatal(err)
		}
		peer := alone(b, writers, n/10, js)

		b.ReportMetric(ours, "events/s")
		b.ReportMetric(ours/peer, "x-of-one-message-each")
		b.ReportMetric(ours/file, "x-of-file")
	}
}

// grouped returns events per second when writers hand their events to one committer that commits whatever waits.
func grouped(writers, n int, commit func(events int)) float64 {
	waiting := make(chan chan struct{}, writers)
	var done sync.WaitGroup
	began := time.Now()
	for range writers {
		done.Go(func() {
			stored := make(chan struct{}, 1)
			for range n / writers {
				waiting <- stored
				<-stored
			}
		})
	}
	go func() {
		done.Wait()
		close(waiting)
	}()
	for first := range waiting {
		batch := []chan struct{}{first}
		for more := true; more; {
			select {
			case next, ok := <-waiting:
				if more = ok; ok {
					batch = append(batch, next)
				}
			default:
				more = false
			}
		}
		commit(len(batch))
		for _, stored := range batch {
			stored <- struct{}{}
		}
	}
	return float64(n) / time.Since(began).Seconds()
}

// alone returns events per second when each writer publishes its own message and waits for its acknowledgement.
func alone(b *testing.B, writers, n int, js jetstream.JetStream) float64 {
	var done sync.WaitGroup
	body := make([]byte, 200)
	began := time.Now()
	for range writers {
		done.Go(func() {
			for range n / writers {
				if _, err := js.Publish(context.Background(), "peer", body); err != nil {
					b.Error(err)
					return
				}
			}
		})
	}
	done.Wait()
	return float64(n) / time.Since(began).Seconds()
}

// BenchmarkReplay: our replay, verified and decoded, against reading the same bytes without looking at them.
func BenchmarkReplay(b *testing.B) {
	l := benchLedger(b)
	records := 2_000
	if testing.Short() {
		records = 50
	}
	const events = 100
	var head Head
	for range records {
		head = appendOne(b, l, head, events)
	}
	b.ResetTimer()
	for range b.N {
		began := time.Now()
		if err := l.Replay(context.Background(), 0, func(*ledgerv1.Record) error { return nil }); err != nil {
			b.Fatal(err)
		}
		ours := time.Since(began)
		began = time.Now()
		if err := l.read(context.Background(), StreamName, 1, head.Revision, func([]byte) error { return nil }); err != nil {
			b.Fatal(err)
		}
		raw := time.Since(began)
		b.ReportMetric(float64(records*events)/ours.Seconds(), "events/s")
		b.ReportMetric(float64(raw)/float64(ours), "x-of-raw-read")
	}
}

func benchFile(b *testing.B) *os.File {
	f, err := os.Create(filepath.Join(b.TempDir(), fmt.Sprint("file-", time.Now().UnixNano())))
	if err != nil {
		b.Fatal(err)
	}
	b.Cleanup(func() { _ = f.Close() })
	return f
}

func writeSync(b *testing.B, f *os.File, data []byte) {
	if _, err := f.Write(data); err != nil {
		b.Fatal(err)
	}
	if err := f.Sync(); err != nil {
		b.Fatal(err)
	}
}

func median(n int, do func()) time.Duration {
	took := make([]time.Duration, n)
	for i := range took {
		began := time.Now()
		do()
		took[i] = time.Since(began)
	}
	slices.Sort(took)
	return took[n/2]
}
