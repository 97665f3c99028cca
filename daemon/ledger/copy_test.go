package ledger_test

import (
	"bytes"
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
