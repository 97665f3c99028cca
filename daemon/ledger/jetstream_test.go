package ledger_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

func TestJetStream(t *testing.T) {
	ledgertest.Run(t, func(t *testing.T) ledger.Ledger {
		s := startStore(t, t.TempDir())
		return s.open(t, s.options())
	})
}

func TestRestart(t *testing.T) {
	dir := t.TempDir()
	var want []*ledgerv1.Record
	var head ledger.Head
	for round := range 4 {
		s := startStore(t, dir)
		l := s.open(t, s.options())
		if got := l.Head(); got.Revision != head.Revision || got.Term != head.Term || !got.CommitTime.Equal(head.CommitTime) || string(got.Hash) != string(head.Hash) {
			t.Fatalf("round %d: head is %+v, want %+v", round, got, head)
		}
		ledgertest.Same(t, ledgertest.Collect(t, l, 0), want)
		var more []*ledgerv1.Record
		more, head = ledgertest.Fill(t, l, head, 30, 2)
		want = append(want, more...)
		if err := l.SaveSnapshot(t.Context(), ledgertest.Snapshot(head, 1<<20)); err != nil {
			t.Fatal(err)
		}
		s.stop()
	}
	s := startStore(t, dir)
	l := s.open(t, s.options())
	ledgertest.Same(t, ledgertest.Collect(t, l, 0), want)
	if snap, err := l.LoadSnapshot(t.Context()); err != nil || snap.GetRevision() != head.Revision {
		t.Errorf("got snapshot of %d, error %v, want that of %d", snap.GetRevision(), err, head.Revision)
	}
}

// TestLongLastRecord reopens a ledger whose last record is as long as they get: its head has to be found.
func TestLongLastRecord(t *testing.T) {
	s := startStore(t, t.TempDir())
	l := s.open(t, s.options())
	rec := ledgertest.Next(ledger.Head{}, 1)
	rec.Events[0].Actor = strings.Repeat("x", ledger.DefaultMaxRecordBytes-1000)
	head, err := l.Append(t.Context(), rec)
	if err != nil {
		t.Fatal(err)
	}
	if got := s.open(t, s.options()).Head(); string(got.Hash) != string(head.Hash) {
		t.Errorf("head is %+v, want %+v", got, head)
	}
}

// TestTwoWriters has an old leader that does not know that it is one.
func TestTwoWriters(t *testing.T) {
	s := startStore(t, t.TempDir())
	old := s.open(t, s.options())
	first, head := ledgertest.Fill(t, old, ledger.Head{}, 3, 1)
	young := s.open(t, s.options())
	more, _ := ledgertest.Fill(t, young, head, 2, 1)
	for range 2 {
		if _, err := old.Append(t.Context(), ledgertest.Next(head, 1)); !errors.Is(err, ledger.ErrConflict) {
			t.Fatalf("old writer got error %v, want ErrConflict", err)
		}
	}
	ledgertest.Same(t, ledgertest.Collect(t, old, 0), append(first, more...))
	again := s.open(t, s.options())
	ledgertest.Fill(t, again, again.Head(), 1, 1)
}

// lossy is a store whose answers to a publish can get lost on the way.
type lossy struct {
	jetstream.JetStream
	lose   func(msg *nats.Msg) bool // after the message has been stored
	block  func(msg *nats.Msg) bool // before
	delete error                    // answer to DeleteStream once a message has been blocked

	blocked bool
}

func (l *lossy) PublishMsg(ctx context.Context, msg *nats.Msg, opts ...jetstream.PublishOpt) (*jetstream.PubAck, error) {
	if l.block != nil && l.block(msg) {
		l.blocked = true
		return nil, context.DeadlineExceeded
	}
	ack, err := l.JetStream.PublishMsg(ctx, msg, opts...)
	if err == nil && l.lose != nil && l.lose(msg) {
		return nil, context.DeadlineExceeded
	}
	return ack, err
}

func (l *lossy) DeleteStream(ctx context.Context, name string) error {
	if l.delete != nil && l.blocked {
		return l.delete
	}
	return l.JetStream.DeleteStream(ctx, name)
}

func TestOutcomeUnknown(t *testing.T) {
	for _, c := range []struct {
		name   string
		stored bool
	}{{"stored after all", true}, {"not stored", false}} {
		t.Run(c.name, func(t *testing.T) {
			s := startStore(t, t.TempDir())
			wire := &lossy{JetStream: s.js}
			l, err := ledger.OpenJetStream(t.Context(), wire, s.options())
			if err != nil {
				t.Fatal(err)
			}
			want, head := ledgertest.Fill(t, l, ledger.Head{}, 2, 1)
			always := func(*nats.Msg) bool { return true }
			if c.stored {
				wire.lose = always
			} else {
				wire.block = always
			}
			rec := ledgertest.Next(head, 1)
			if _, err := l.Append(t.Context(), rec); !errors.Is(err, ledger.ErrOutcomeUnknown) {
				t.Fatalf("got error %v, want ErrOutcomeUnknown", err)
			}
			wire.lose, wire.block = nil, nil
			if _, err := l.Append(t.Context(), rec); !errors.Is(err, ledger.ErrOutcomeUnknown) {
				t.Errorf("next append got error %v, want ErrOutcomeUnknown until the ledger is opened anew", err)
			}
			if c.stored {
				want = append(want, rec)
			}
			again := s.open(t, s.options())
			ledgertest.Same(t, ledgertest.Collect(t, again, 0), want)
			ledgertest.Fill(t, again, again.Head(), 1, 1)
		})
	}
}

// TestStoredIsAsked has what the store leaves to others fail after the store has acknowledged: the record may be lost with the power.
func TestStoredIsAsked(t *testing.T) {
	s := startStore(t, t.TempDir())
	opts, broken := s.options(), errors.New("input/output error")
	var stored error
	opts.Stored = func() error { return stored }
	l := s.open(t, opts)
	_, head := ledgertest.Fill(t, l, ledger.Head{}, 2, 1)
	stored = broken
	for range 2 {
		if _, err := l.Append(t.Context(), ledgertest.Next(head, 1)); !errors.Is(err, ledger.ErrOutcomeUnknown) || !errors.Is(err, broken) {
			t.Errorf("got error %v, want ErrOutcomeUnknown and its cause", err)
		}
		stored = nil
	}
	if again := s.open(t, s.options()); again.Head().Revision != head.Revision+1 {
		t.Errorf("opened anew the ledger ends at %d, want %d", again.Head().Revision, head.Revision+1)
	}
}

// TestAnswerIsAwaited cancels an append that is under way: it has an outcome all the same.
func TestAnswerIsAwaited(t *testing.T) {
	s := startStore(t, t.TempDir())
	ctx, cancel := context.WithCancel(t.Context())
	wire := &lossy{JetStream: s.js, block: func(*nats.Msg) bool { cancel(); return false }}
	l, err := ledger.OpenJetStream(t.Context(), wire, s.options())
	if err != nil {
		t.Fatal(err)
	}
	if head, err := l.Append(ctx, ledgertest.Next(ledger.Head{}, 1)); err != nil || head.Revision != 1 {
		t.Errorf("got head %+v, error %v, want the record stored", head, err)
	}
}

func TestStoreGone(t *testing.T) {
	s := startStore(t, t.TempDir())
	l := s.open(t, s.options())
	_, head := ledgertest.Fill(t, l, ledger.Head{}, 1, 1)
	s.stop()
	if _, err := l.Append(t.Context(), ledgertest.Next(head, 1)); err == nil {
		t.Error("appended without a store")
	}
	if err := l.Replay(t.Context(), 0, func(*ledgerv1.Record) error { return nil }); err == nil {
		t.Error("replayed without a store")
	}
}

func TestFull(t *testing.T) {
	const room = 1 << 20
	s := startStore(t, t.TempDir(), func(o *server.Options) { o.JetStreamMaxStore = room })
	l := s.open(t, s.options())
	var head ledger.Head
	for range 2 * room / (64 << 10) {
		rec := ledgertest.Next(head, 1)
		rec.Events[0].Actor = strings.Repeat("x", 64<<10)
		next, err := l.Append(t.Context(), rec)
		if errors.Is(err, ledger.ErrFull) {
			if got := ledgertest.Collect(t, l, 0); uint64(len(got)) != head.Revision {
				t.Errorf("%d records are held, %d were acknowledged", len(got), head.Revision)
			}
			return
		}
		if err != nil {
			t.Fatalf("got error %v, want ErrFull", err)
		}
		head = next
	}
	t.Fatalf("%d records of 64 KiB went into a store of %d bytes", head.Revision, room)
}

// TestStoreForgets takes the stream away from under a writer.
func TestStoreForgets(t *testing.T) {
	s := startStore(t, t.TempDir())
	l := s.open(t, s.options())
	_, head := ledgertest.Fill(t, l, ledger.Head{}, 3, 1)
	if err := s.js.DeleteStream(t.Context(), ledger.StreamName); err != nil {
		t.Fatal(err)
	}
	s.open(t, s.options()) // another, empty one takes its place
	for range 2 {
		if _, err := l.Append(t.Context(), ledgertest.Next(head, 1)); !errors.Is(err, ledger.ErrCorrupt) {
			t.Errorf("got error %v, want ErrCorrupt", err)
		}
	}
}

// TestImport rebuilds a ledger from the stored form of its records.
func TestImport(t *testing.T) {
	source := ledger.NewMemory()
	want, head := ledgertest.Fill(t, source, ledger.Head{}, 20, 3)
	s := startStore(t, t.TempDir())
	l := s.open(t, s.options())
	for i, rec := range want {
		data, _, err := ledger.Encode(rec)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := l.Import(t.Context(), data[1:]); !errors.Is(err, ledger.ErrInvalid) {
			t.Fatalf("damaged record: got error %v, want ErrInvalid", err)
		}
		got, err := l.Import(t.Context(), data)
		if err != nil || got.Revision != uint64(i+1) {
			t.Fatalf("import record %d: head %+v, error %v", i+1, got, err)
		}
		if _, err := l.Import(t.Context(), data); !errors.Is(err, ledger.ErrConflict) {
			t.Fatalf("record twice: got error %v, want ErrConflict", err)
		}
	}
	ledgertest.Same(t, ledgertest.Collect(t, l, 0), want)
	if string(l.Head().Hash) != string(head.Hash) {
		t.Errorf("head has hash %x, want %x", l.Head().Hash, head.Hash)
	}
}

// TestBeginsLater has a ledger whose first records are gone, as one that was rebuilt from a snapshot.
func TestBeginsLater(t *testing.T) {
	source := ledger.NewMemory()
	records, _ := ledgertest.Fill(t, source, ledger.Head{}, 10, 1)
	s := startStore(t, t.TempDir())
	cfg := configOfStream(t)
	cfg.FirstSeq = 7
	if _, err := s.js.CreateStream(t.Context(), cfg); err != nil {
		t.Fatal(err)
	}
	if _, err := ledger.OpenJetStream(t.Context(), s.js, s.options()); !errors.Is(err, ledger.ErrCorrupt) {
		t.Errorf("nothing held and no snapshot: got error %v, want ErrCorrupt", err)
	}
	publish(t, s, records[6:])
	l := s.open(t, s.options())
	if _, err := l.LoadSnapshot(t.Context()); !errors.Is(err, ledger.ErrCorrupt) {
		t.Errorf("no snapshot stands for the first records: got error %v, want ErrCorrupt", err)
	}
	snapshot := ledgertest.Snapshot(ledger.Head{Revision: 6, Term: 1, CommitTime: records[5].GetCommitTime().AsTime(), Hash: records[6].GetPreviousHash()}, 1)
	if err := l.SaveSnapshot(t.Context(), snapshot); err != nil {
		t.Fatalf("save the snapshot that the first record held goes on from: %v", err)
	}
	tooOld := ledgertest.Snapshot(ledger.Head{Revision: 5, Hash: records[5].GetPreviousHash()}, 1)
	if err := l.SaveSnapshot(t.Context(), tooOld); !errors.Is(err, ledger.ErrCompacted) {
		t.Errorf("snapshot with records missing after it: got error %v, want ErrCompacted", err)
	}
	l = s.open(t, s.options())
	if snap, err := l.LoadSnapshot(t.Context()); err != nil || snap.GetRevision() != 6 {
		t.Errorf("got snapshot of %d, error %v, want that of 6", snap.GetRevision(), err)
	}
	for after := range uint64(6) {
		ledgertest.Compacted(t, l, after, 7)
	}
	for after := uint64(6); after <= 10; after++ {
		ledgertest.Same(t, ledgertest.Collect(t, l, after), records[after:])
	}
	ledgertest.Fill(t, l, l.Head(), 1, 1)
}

// publish puts records into the stream without asking the ledger.
func publish(tb testing.TB, s *store, records []*ledgerv1.Record) {
	tb.Helper()
	for _, rec := range records {
		data, _, err := ledger.Encode(rec)
		if err != nil {
			tb.Fatal(err)
		}
		publishBytes(tb, s, data)
	}
}

// publishBytes puts anything into the stream.
func publishBytes(tb testing.TB, s *store, data []byte) {
	tb.Helper()
	ctx, cancel := context.WithTimeout(tb.Context(), 10*time.Second)
	defer cancel()
	if _, err := s.js.Publish(ctx, "tandem.ledger.record", data); err != nil {
		tb.Fatal(err)
	}
}
