package ledger_test

import (
	"bytes"
	"context"
	"errors"
	"testing"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// stored returns every message of the ledger's stream as the store gives it out.
func (s *store) stored(t *testing.T) [][]byte {
	t.Helper()
	stream, err := s.js.Stream(t.Context(), ledger.StreamName)
	if err != nil {
		t.Fatal(err)
	}
	var all [][]byte
	for seq := uint64(1); seq <= stream.CachedInfo().State.LastSeq; seq++ {
		msg, err := stream.GetMsg(t.Context(), seq)
		if err != nil {
			t.Fatal(err)
		}
		all = append(all, msg.Data)
	}
	return all
}

// TestCopy copies a ledger to another server and back to a third, byte for byte.
func TestCopy(t *testing.T) {
	source := startStore(t, t.TempDir())
	from := source.open(t, source.options())
	_, head := ledgertest.Fill(t, from, ledger.Head{}, 60, 3)
	if err := from.SaveSnapshot(t.Context(), ledgertest.Snapshot(head, 1<<20)); err != nil {
		t.Fatal(err)
	}
	_, head = ledgertest.Fill(t, from, head, 7, 1)
	want := source.stored(t)
	for range 2 {
		target := startStore(t, t.TempDir())
		to := target.open(t, target.options())
		var done uint64
		got, err := ledger.Copy(t.Context(), from, to, func(n, all uint64) {
			if n != done+1 || all != 67 {
				t.Errorf("progress %d of %d after %d", n, all, done)
			}
			done = n
		})
		if err != nil {
			t.Fatal(err)
		}
		if got.Revision != 67 || !bytes.Equal(got.Hash, head.Hash) || done != 67 {
			t.Errorf("copied up to %+v with %d records, want %+v", got, done, head)
		}
		have := target.stored(t)
		for i := range want {
			if !bytes.Equal(have[i], want[i]) {
				t.Errorf("record %d differs", i+1)
			}
		}
		if _, err := ledger.OpenJetStream(t.Context(), target.js, target.options()); !errors.Is(err, ledger.ErrUnfinished) {
			t.Errorf("a copy that nobody has let go on is opened: %v", err)
		}
		if err := to.GoOn(t.Context()); err != nil {
			t.Fatal(err)
		}
		again := target.open(t, target.options())
		if snap, err := again.LoadSnapshot(t.Context()); err != nil || snap.GetRevision() != 60 {
			t.Errorf("the copy has a snapshot of %d, error %v, want that of 60", snap.GetRevision(), err)
		}
		if _, err := ledger.Copy(t.Context(), from, to, nil); !errors.Is(err, ledger.ErrNotEmpty) {
			t.Errorf("copied to where a copy is: got error %v, want ErrNotEmpty", err)
		}
		from = again
	}
	_, _ = ledgertest.Fill(t, from, from.Head(), 2, 1) // one goes on where the copy ends
}

// A copy that was interrupted is a part of a ledger. Nobody goes on with it; the next copy does, and it becomes whole.
func TestCopyInterrupted(t *testing.T) {
	source, target := startStore(t, t.TempDir()), startStore(t, t.TempDir())
	from := source.open(t, source.options())
	_, head := ledgertest.Fill(t, from, ledger.Head{}, 9, 2)
	if err := from.SaveSnapshot(t.Context(), ledgertest.Snapshot(head, 1<<10)); err != nil {
		t.Fatal(err)
	}
	resting := target.options()
	resting.Resting = true
	for _, at := range []uint64{1, 4, 9} {
		ctx, stop := context.WithCancel(t.Context())
		_, err := ledger.Copy(ctx, from, target.open(t, resting), func(n, _ uint64) {
			if n == at {
				stop()
			}
		})
		if err == nil {
			t.Fatalf("copied, though it was stopped at %d", at)
		}
		if _, err := ledger.OpenJetStream(t.Context(), target.js, target.options()); !errors.Is(err, ledger.ErrUnfinished) {
			t.Errorf("stopped at %d, the part is opened: %v", at, err)
		}
		third := startStore(t, t.TempDir())
		if _, err := ledger.Copy(t.Context(), target.open(t, resting), third.open(t, third.options()), nil); !errors.Is(err, ledger.ErrUnfinished) {
			t.Errorf("stopped at %d, the part is copied as if it were whole: %v", at, err)
		}
	}
	// What was copied from may have gone on: nobody had told it to stay.
	_, head = ledgertest.Fill(t, from, head, 3, 1)
	to := target.open(t, resting)
	got, err := ledger.Copy(t.Context(), from, to, nil)
	if err != nil || got.Revision != 12 || !bytes.Equal(got.Hash, head.Hash) {
		t.Fatalf("copied again up to %+v, error %v, want %+v", got, err, head)
	}
	if err := to.GoOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	have := target.stored(t)
	for i, want := range source.stored(t) {
		if !bytes.Equal(have[i], want) {
			t.Errorf("record %d differs", i+1)
		}
	}
	target.open(t, target.options())
}

// A part of another ledger is not gone on with.
func TestCopyIntoAPartOfAnother(t *testing.T) {
	source, other, target := startStore(t, t.TempDir()), startStore(t, t.TempDir()), startStore(t, t.TempDir())
	from, foreign := source.open(t, source.options()), other.open(t, other.options())
	ledgertest.Fill(t, from, ledger.Head{}, 5, 1)
	ledgertest.Fill(t, foreign, ledger.Head{}, 3, 2)
	resting := target.options()
	resting.Resting = true
	if _, err := ledger.Copy(t.Context(), foreign, target.open(t, resting), nil); err != nil { // never let go on
		t.Fatal(err)
	}
	if _, err := ledger.Copy(t.Context(), from, target.open(t, resting), nil); !errors.Is(err, ledger.ErrNotEmpty) {
		t.Errorf("got error %v, want ErrNotEmpty", err)
	}
}

// A ledger that was copied to another place stays where it is and rests; what was added there is added here on the way back.
func TestMoveAwayAndBack(t *testing.T) {
	here, there := startStore(t, t.TempDir()), startStore(t, t.TempDir())
	left, gone := here.open(t, here.options()), there.open(t, there.options())
	_, head := ledgertest.Fill(t, left, ledger.Head{}, 4, 1)
	if _, err := ledger.Copy(t.Context(), left, gone, nil); err != nil {
		t.Fatal(err)
	}
	if err := errors.Join(left.MoveAway(t.Context()), gone.GoOn(t.Context())); err != nil {
		t.Fatal(err)
	}
	if _, err := ledger.OpenJetStream(t.Context(), here.js, here.options()); !errors.Is(err, ledger.ErrMovedAway) {
		t.Errorf("what was left is opened: %v", err)
	}
	_, head = ledgertest.Fill(t, there.open(t, there.options()), head, 3, 1)
	resting := here.options()
	resting.Resting = true
	back := here.open(t, resting)
	got, err := ledger.Copy(t.Context(), there.open(t, there.options()), back, nil)
	if err != nil || got.Revision != 7 || !bytes.Equal(got.Hash, head.Hash) {
		t.Fatalf("copied back up to %+v, error %v, want %+v", got, err, head)
	}
	if err := back.GoOn(t.Context()); err != nil {
		t.Fatal(err)
	}
	if got := here.open(t, here.options()).Head(); got.Revision != 7 {
		t.Errorf("goes on from revision %d, want 7", got.Revision)
	}
}

// A ledger that grows while it is copied is not what was copied.
func TestCopyOfALedgerInUse(t *testing.T) {
	source, target := startStore(t, t.TempDir()), startStore(t, t.TempDir())
	from, to := source.open(t, source.options()), target.open(t, target.options())
	_, head := ledgertest.Fill(t, from, ledger.Head{}, 5, 1)
	writer := source.open(t, source.options())
	_, err := ledger.Copy(t.Context(), from, to, func(n, _ uint64) {
		if n == 3 {
			ledgertest.Fill(t, writer, head, 1, 1)
		}
	})
	if !errors.Is(err, ledger.ErrConflict) {
		t.Errorf("got error %v, want ErrConflict", err)
	}
}

// A copy refuses what the source cannot vouch for.
func TestCopyOfADamagedLedger(t *testing.T) {
	source, target := startStore(t, t.TempDir()), startStore(t, t.TempDir())
	memory := ledger.NewMemory()
	records, _ := ledgertest.Fill(t, memory, ledger.Head{}, 4, 1)
	from := source.open(t, source.options())
	publish(t, source, records[:2])
	forged := ledgertest.Next(ledger.Head{Revision: 2, Hash: bytes.Repeat([]byte{1}, 32)}, 1)
	publish(t, source, []*ledgerv1.Record{forged})
	if _, err := ledger.Copy(t.Context(), from, target.open(t, target.options()), nil); !errors.Is(err, ledger.ErrCorrupt) {
		t.Errorf("got error %v, want ErrCorrupt", err)
	}
}
