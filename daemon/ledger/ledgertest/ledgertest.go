// Package ledgertest is the suite that every ledger has to pass, and makes the records and snapshots to try one with. It
// knows a ledger only by its interface, so it cannot restart or damage one: that is for the tests of each.
package ledgertest

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"strings"
	"sync"
	"testing"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Run tries the ledgers that open makes. Each call must return an empty one of its own.
func Run(t *testing.T, open func(t *testing.T) ledger.Ledger) {
	for _, c := range []struct {
		name string
		test func(t *testing.T, l ledger.Ledger)
	}{
		{"empty", empty},
		{"append and replay", appendAndReplay},
		{"chain of SHA-256", chainOfHashes},
		{"stores a copy", storesCopy},
		{"conflict", conflict},
		{"invalid record", invalidRecord},
		{"long record", longRecord},
		{"one of many appenders wins", oneAppenderWins},
		{"replay while appending", replayWhileAppending},
		{"replay ends early", replayEndsEarly},
		{"replay from beyond the end", replayBeyondEnd},
		{"stored form", storedForm},
		{"newest snapshot", newestSnapshot},
		{"long snapshot", longSnapshot},
		{"invalid snapshot", invalidSnapshot},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, open(t)) })
	}
}

// Fill appends n records of events events each after head, checks the heads it is given, and returns the records.
func Fill(tb testing.TB, l ledger.Ledger, head ledger.Head, n, events int) ([]*ledgerv1.Record, ledger.Head) {
	tb.Helper()
	records := make([]*ledgerv1.Record, n)
	for i := range records {
		rec := Next(head, events)
		got, err := l.Append(tb.Context(), rec)
		if err != nil {
			tb.Fatalf("append record %d: %v", rec.GetRevision(), err)
		}
		if got.Revision != rec.GetRevision() || got.Term != rec.GetTerm() || !got.CommitTime.Equal(rec.GetCommitTime().AsTime()) || len(got.Hash) != sha256.Size {
			tb.Fatalf("head after record %d is %+v", rec.GetRevision(), got)
		}
		records[i], head = rec, got
	}
	return records, head
}

// Collect replays the records after a revision.
func Collect(tb testing.TB, l ledger.Ledger, after uint64) []*ledgerv1.Record {
	tb.Helper()
	var records []*ledgerv1.Record
	err := l.Replay(tb.Context(), after, func(rec *ledgerv1.Record) error {
		records = append(records, rec)
		return nil
	})
	if err != nil {
		tb.Fatalf("replay after %d: %v", after, err)
	}
	return records
}

// Same fails the test unless got is want.
func Same(tb testing.TB, got, want []*ledgerv1.Record) {
	tb.Helper()
	if len(got) != len(want) {
		tb.Fatalf("got %d records, want %d", len(got), len(want))
	}
	for i := range want {
		if !proto.Equal(got[i], want[i]) {
			tb.Fatalf("record %d of %d differs:\n got %v\nwant %v", i+1, len(want), got[i], want[i])
		}
	}
}

func empty(t *testing.T, l ledger.Ledger) {
	if got := Collect(t, l, 0); len(got) != 0 {
		t.Errorf("an empty ledger has %d records", len(got))
	}
	if snap, err := l.LoadSnapshot(t.Context()); snap != nil || err != nil {
		t.Errorf("an empty ledger has snapshot %v, error %v", snap, err)
	}
}

func appendAndReplay(t *testing.T, l ledger.Ledger) {
	records, _ := Fill(t, l, ledger.Head{}, 20, 3)
	for after := range uint64(21) {
		Same(t, Collect(t, l, after), records[after:])
	}
}

// chainOfHashes computes the chain with the standard library's SHA-256 (FIPS 180-4) and protobuf's own encoder.
func chainOfHashes(t *testing.T, l ledger.Ledger) {
	_, head := Fill(t, l, ledger.Head{}, 5, 2)
	var previous []byte
	for _, rec := range Collect(t, l, 0) {
		if string(rec.GetPreviousHash()) != string(previous) {
			t.Errorf("record %d names %x, the record before has %x", rec.GetRevision(), rec.GetPreviousHash(), previous)
		}
		body, err := proto.MarshalOptions{Deterministic: true}.Marshal(rec)
		if err != nil {
			t.Fatal(err)
		}
		sum := sha256.Sum256(body)
		previous = sum[:]
	}
	if string(head.Hash) != string(previous) {
		t.Errorf("head has hash %x, want %x", head.Hash, previous)
	}
}

func storesCopy(t *testing.T, l ledger.Ledger) {
	rec := Next(ledger.Head{}, 1)
	want := proto.CloneOf(rec)
	head, err := l.Append(t.Context(), rec)
	if err != nil {
		t.Fatal(err)
	}
	rec.Events[0].Actor, rec.Term = "somebody else", 9
	first := Collect(t, l, 0)
	Same(t, first, []*ledgerv1.Record{want})
	first[0].Events = nil
	Same(t, Collect(t, l, 0), []*ledgerv1.Record{want})
	if _, err := l.Append(t.Context(), Next(head, 1)); err != nil {
		t.Errorf("append after the first record was changed in memory: %v", err)
	}
}

func conflict(t *testing.T, l ledger.Ledger) {
	records, head := Fill(t, l, ledger.Head{}, 3, 1)
	for _, c := range []struct {
		name   string
		change func(rec *ledgerv1.Record)
	}{
		{"revision of the last one", func(rec *ledgerv1.Record) { rec.Revision = 3 }},
		{"revision 0", func(rec *ledgerv1.Record) { rec.Revision = 0 }},
		{"revision skipped", func(rec *ledgerv1.Record) { rec.Revision = 5 }},
		{"another previous hash", func(rec *ledgerv1.Record) { rec.PreviousHash = make([]byte, 32) }},
		{"hash of the one before the last", func(rec *ledgerv1.Record) { rec.PreviousHash = records[2].GetPreviousHash() }},
		{"no previous hash", func(rec *ledgerv1.Record) { rec.PreviousHash = nil }},
		{"one byte too many in the previous hash", func(rec *ledgerv1.Record) { rec.PreviousHash = append([]byte{0}, rec.GetPreviousHash()...) }},
	} {
		rec := Next(head, 1)
		c.change(rec)
		if _, err := l.Append(t.Context(), rec); !errors.Is(err, ledger.ErrConflict) {
			t.Errorf("%s: got error %v, want ErrConflict", c.name, err)
		}
	}
	Same(t, Collect(t, l, 0), records)
	Fill(t, l, head, 1, 1)
}

func invalidRecord(t *testing.T, l ledger.Ledger) {
	before, head := Fill(t, l, ledger.Head{Term: 4}, 1, 1)
	for _, c := range []struct {
		name, field string
		change      func(rec *ledgerv1.Record)
	}{
		{"term back", "term", func(rec *ledgerv1.Record) { rec.Term = 3 }},
		{"commit time back", "commit_time", func(rec *ledgerv1.Record) { rec.CommitTime = timestamppb.New(head.CommitTime.Add(-1)) }},
		{"no commit time", "commit_time", func(rec *ledgerv1.Record) { rec.CommitTime = nil }},
		{"impossible commit time", "commit_time", func(rec *ledgerv1.Record) { rec.CommitTime = &timestamppb.Timestamp{Nanos: -1} }},
		{"text that is not UTF-8", "UTF-8", func(rec *ledgerv1.Record) { rec.Events[0].Actor = "\xff" }},
	} {
		rec := Next(head, 1)
		c.change(rec)
		if _, err := l.Append(t.Context(), rec); !errors.Is(err, ledger.ErrInvalid) || !strings.Contains(err.Error(), c.field) {
			t.Errorf("%s: got error %v, want ErrInvalid with %q", c.name, err, c.field)
		}
	}
	if _, err := l.Append(t.Context(), nil); !errors.Is(err, ledger.ErrInvalid) {
		t.Errorf("no record: got error %v, want ErrInvalid", err)
	}
	canceled, cancel := context.WithCancel(t.Context())
	cancel()
	if _, err := l.Append(canceled, Next(head, 1)); !errors.Is(err, context.Canceled) {
		t.Errorf("canceled: got error %v, want context.Canceled", err)
	}
	Same(t, Collect(t, l, 0), before)

	same := Next(head, 1) // staying where they are is not going back
	same.CommitTime = timestamppb.New(head.CommitTime)
	if _, err := l.Append(t.Context(), same); err != nil {
		t.Errorf("same commit time: %v", err)
	}
}

func longRecord(t *testing.T, l ledger.Ledger) {
	rec := Next(ledger.Head{}, 1)
	rec.Events[0].Actor = strings.Repeat("x", ledger.DefaultMaxRecordBytes)
	if _, err := l.Append(t.Context(), rec); !errors.Is(err, ledger.ErrTooLarge) {
		t.Fatalf("got error %v, want ErrTooLarge", err)
	}
	data, _, err := ledger.Encode(rec)
	if err != nil {
		t.Fatal(err)
	}
	rec.Events[0].Actor = strings.Repeat("x", 2*ledger.DefaultMaxRecordBytes-len(data))
	head, err := l.Append(t.Context(), rec)
	if err != nil {
		t.Fatalf("record of exactly %d bytes: %v", ledger.DefaultMaxRecordBytes, err)
	}
	after := Next(head, 1)
	if _, err := l.Append(t.Context(), after); err != nil {
		t.Fatal(err)
	}
	Same(t, Collect(t, l, 0), []*ledgerv1.Record{rec, after})
}

func oneAppenderWins(t *testing.T, l ledger.Ledger) {
	const appenders, rounds = 8, 25
	var head ledger.Head
	var want []*ledgerv1.Record
	for range rounds {
		heads, errs := make([]ledger.Head, appenders), make([]error, appenders)
		records := make([]*ledgerv1.Record, appenders)
		var all sync.WaitGroup
		for i := range appenders {
			records[i] = Next(head, 1)
			records[i].Events[0].Actor = fmt.Sprintf("appender-%d", i)
			all.Go(func() { heads[i], errs[i] = l.Append(t.Context(), records[i]) })
		}
		all.Wait()
		var winners int
		for i, err := range errs {
			switch {
			case err == nil:
				winners++
				head = heads[i]
				want = append(want, records[i])
			case !errors.Is(err, ledger.ErrConflict):
				t.Fatalf("a loser got error %v, want ErrConflict", err)
			}
		}
		if winners != 1 {
			t.Fatalf("%d of %d appenders were let through, want 1", winners, appenders)
		}
	}
	Same(t, Collect(t, l, 0), want)
}

func replayWhileAppending(t *testing.T, l ledger.Ledger) {
	const records = 400
	acknowledged := make(chan uint64, records)
	var writer sync.WaitGroup
	writer.Go(func() {
		defer close(acknowledged)
		var head ledger.Head
		for range records {
			var err error
			if head, err = l.Append(t.Context(), Next(head, 2)); err != nil {
				t.Errorf("append: %v", err)
				return
			}
			acknowledged <- head.Revision
		}
	})
	defer writer.Wait()
	var last uint64
	for open := true; open; {
		for more := true; more && open; { // what is acknowledged by now has to be seen
			var revision uint64
			select {
			case revision, open = <-acknowledged:
				last = max(last, revision)
			default:
				more = false
			}
		}
		var seen uint64
		err := l.Replay(t.Context(), 0, func(rec *ledgerv1.Record) error {
			seen++
			if rec.GetRevision() != seen || len(rec.GetEvents()) != 2 {
				return fmt.Errorf("record %d has revision %d and %d events", seen, rec.GetRevision(), len(rec.GetEvents()))
			}
			return nil
		})
		if err != nil {
			t.Fatalf("replay: %v", err)
		}
		if seen < last {
			t.Fatalf("replay ended at %d, but %d was acknowledged before", seen, last)
		}
	}
	if got := Collect(t, l, 0); len(got) != records {
		t.Errorf("got %d records at the end, want %d", len(got), records)
	}
}

func replayEndsEarly(t *testing.T, l ledger.Ledger) {
	records, _ := Fill(t, l, ledger.Head{}, 50, 1)
	enough := errors.New("enough")
	var seen int
	err := l.Replay(t.Context(), 10, func(*ledgerv1.Record) error {
		if seen++; seen == 7 {
			return enough
		}
		return nil
	})
	if !errors.Is(err, enough) || seen != 7 {
		t.Errorf("got error %v after %d records, want the function's own after 7", err, seen)
	}
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	if err := l.Replay(ctx, 0, func(*ledgerv1.Record) error { return nil }); !errors.Is(err, context.Canceled) {
		t.Errorf("canceled: got error %v, want context.Canceled", err)
	}
	Same(t, Collect(t, l, 0), records)
}

func replayBeyondEnd(t *testing.T, l ledger.Ledger) {
	Fill(t, l, ledger.Head{}, 3, 1)
	err := l.Replay(t.Context(), 4, func(*ledgerv1.Record) error { return errors.New("called") })
	var damage *ledger.CorruptError
	if !errors.Is(err, ledger.ErrCorrupt) || !errors.As(err, &damage) || damage.Revision != 4 {
		t.Errorf("got error %v, want a *CorruptError about revision 4", err)
	}
}

func newestSnapshot(t *testing.T, l ledger.Ledger) {
	var heads []ledger.Head
	var head ledger.Head
	for range 5 {
		_, head = Fill(t, l, head, 1, 1)
		heads = append(heads, head)
	}
	later := Snapshot(heads[2], 10)
	later.Jobs[0].HoldNote = "saved once more"
	for _, c := range []struct{ save, want *ledgerv1.Snapshot }{
		{Snapshot(heads[0], 10), Snapshot(heads[0], 10)},
		{Snapshot(heads[2], 10), Snapshot(heads[2], 10)},
		{Snapshot(heads[1], 10), Snapshot(heads[2], 10)}, // older: not the newest although saved last
		{later, later}, // same record: the one saved last
		{Snapshot(heads[4], 10), Snapshot(heads[4], 10)},
	} {
		if err := l.SaveSnapshot(t.Context(), c.save); err != nil {
			t.Fatalf("save snapshot of %d: %v", c.save.GetRevision(), err)
		}
		got, err := l.LoadSnapshot(t.Context())
		if err != nil {
			t.Fatalf("load snapshot: %v", err)
		}
		if !proto.Equal(got, c.want) {
			t.Errorf("after saving %d: got snapshot %v, want %v", c.save.GetRevision(), got, c.want)
		}
	}
}

func longSnapshot(t *testing.T, l ledger.Ledger) {
	_, head := Fill(t, l, ledger.Head{}, 1, 1)
	for _, padding := range []int{1<<19 - 1, 1 << 19, 5<<20 + 17} {
		want := Snapshot(head, padding)
		if err := l.SaveSnapshot(t.Context(), want); err != nil {
			t.Fatalf("save: %v", err)
		}
		got, err := l.LoadSnapshot(t.Context())
		if err != nil {
			t.Fatalf("load: %v", err)
		}
		if !proto.Equal(got, want) {
			t.Errorf("a snapshot of %d bytes comes back changed", proto.Size(want))
		}
	}
}

func invalidSnapshot(t *testing.T, l ledger.Ledger) {
	_, head := Fill(t, l, ledger.Head{}, 3, 1)
	want := Snapshot(head, 1)
	if err := l.SaveSnapshot(t.Context(), want); err != nil {
		t.Fatal(err)
	}
	for _, c := range []struct {
		name   string
		change func(snap *ledgerv1.Snapshot)
	}{
		{"revision 0", func(snap *ledgerv1.Snapshot) { snap.Revision = 0 }},
		{"revision still to come", func(snap *ledgerv1.Snapshot) { snap.Revision = 4 }},
		{"no hash", func(snap *ledgerv1.Snapshot) { snap.Hash = nil }},
		{"hash of another record", func(snap *ledgerv1.Snapshot) { snap.Revision = 2 }},
		{"text that is not UTF-8", func(snap *ledgerv1.Snapshot) { snap.Jobs[0].HoldNote = "\xff" }},
	} {
		snap := Snapshot(head, 1)
		c.change(snap)
		if err := l.SaveSnapshot(t.Context(), snap); !errors.Is(err, ledger.ErrInvalid) {
			t.Errorf("%s: got error %v, want ErrInvalid", c.name, err)
		}
	}
	if err := l.SaveSnapshot(t.Context(), nil); !errors.Is(err, ledger.ErrInvalid) {
		t.Errorf("no snapshot: got error %v, want ErrInvalid", err)
	}
	if got, err := l.LoadSnapshot(t.Context()); err != nil || !proto.Equal(got, want) {
		t.Errorf("got snapshot %v, error %v, want the one before", got, err)
	}
}

// Compacter is a ledger that can let go of old records.
type Compacter interface {
	ledger.Ledger
	// Compact lets go of the records up to and including revision through.
	Compact(ctx context.Context, through uint64) error
}

// RunCompaction tries a ledger that can let go of old records; it must be empty.
func RunCompaction(t *testing.T, l Compacter) {
	records, head := Fill(t, l, ledger.Head{}, 6, 1)
	if err := l.Compact(t.Context(), 4); !errors.Is(err, ledger.ErrInvalid) {
		t.Fatalf("compacted without a snapshot: error %v, want ErrInvalid", err)
	}
	if err := l.SaveSnapshot(t.Context(), Snapshot(head, 1)); err != nil {
		t.Fatal(err)
	}
	if err := l.Compact(t.Context(), 4); err != nil {
		t.Fatal(err)
	}
	for after := range uint64(4) {
		Compacted(t, l, after, 5)
	}
	Same(t, Collect(t, l, 4), records[4:])
	Same(t, Collect(t, l, 5), records[5:])
	if err := l.Compact(t.Context(), 2); err != nil {
		t.Errorf("compacting what is gone: %v", err)
	}
	if err := l.Compact(t.Context(), 6); err != nil {
		t.Fatal(err)
	}
	Compacted(t, l, 5, 7)
	Same(t, Collect(t, l, 6), nil)
	more, _ := Fill(t, l, head, 2, 1)
	Same(t, Collect(t, l, 6), more)
	if snap, err := l.LoadSnapshot(t.Context()); err != nil || snap.GetRevision() != 6 {
		t.Errorf("got snapshot %v, error %v, want that of 6", snap, err)
	}
}

// Compacted fails the test unless a replay after a revision is answered with the oldest revision held.
func Compacted(tb testing.TB, l ledger.Ledger, after, oldest uint64) {
	tb.Helper()
	err := l.Replay(tb.Context(), after, func(*ledgerv1.Record) error { return errors.New("called") })
	var gone *ledger.CompactedError
	if !errors.Is(err, ledger.ErrCompacted) || !errors.As(err, &gone) || gone.Oldest != oldest {
		tb.Errorf("replay after %d: got error %v, want a *CompactedError with oldest revision %d", after, err, oldest)
	}
}

// storedForm reads records back byte for byte, up to a revision.
func storedForm(t *testing.T, l ledger.Ledger) {
	s, ok := l.(ledger.Stored)
	if !ok {
		t.Fatalf("%T does not give out records in their stored form", l)
	}
	records, head := Fill(t, l, ledger.Head{}, 12, 3)
	if got := s.Head(); got.Revision != head.Revision || !bytes.Equal(got.Hash, head.Hash) {
		t.Errorf("head is %+v, want %+v", got, head)
	}
	for _, c := range []struct{ after, through, first, last uint64 }{{0, 0, 1, 12}, {0, 5, 1, 5}, {3, 7, 4, 7}, {4, 4, 5, 4}, {12, 0, 13, 12}} {
		next := c.first
		var links ledger.Chain
		err := s.ReplayStored(t.Context(), c.after, c.through, func(rec *ledgerv1.Record, stored []byte) error {
			want, _, err := ledger.Encode(records[next-1])
			if err != nil {
				return err
			}
			if rec.GetRevision() != next || !bytes.Equal(stored, want) {
				t.Errorf("after %d through %d: record %d is not as stored", c.after, c.through, rec.GetRevision())
			}
			next++
			if c.first > 1 {
				return nil
			}
			if _, err := links.Next(bytes.Clone(stored)); err != nil {
				return err
			}
			return nil
		})
		if err != nil || next != c.last+1 {
			t.Errorf("after %d through %d: ended before %d, want %d: %v", c.after, c.through, next, c.last+1, err)
		}
		if c.first == 1 && links.Head().Revision != c.last {
			t.Errorf("the chain ends at %d, want %d", links.Head().Revision, c.last)
		}
	}
	if err := s.ReplayStored(t.Context(), 0, 13, func(*ledgerv1.Record, []byte) error { return nil }); !errors.Is(err, ledger.ErrCorrupt) {
		t.Errorf("through a revision that is not there: %v", err)
	}
}
