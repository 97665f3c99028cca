package ledger_test

import (
	"bytes"
	"errors"
	"slices"
	"strings"
	"testing"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/proto"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// snapshotStreams returns the names of the streams of snapshots.
func snapshotStreams(tb testing.TB, s *store) []string {
	tb.Helper()
	var names []string
	list := s.js.StreamNames(tb.Context())
	for name := range list.Name() {
		if name != ledger.StreamName {
			names = append(names, name)
		}
	}
	if list.Err() != nil {
		tb.Fatal(list.Err())
	}
	slices.Sort(names)
	return names
}

// wantSnapshot fails the test unless want is what is loaded, and returns what was survived on the way.
func wantSnapshot(t *testing.T, s *store, want *ledgerv1.Snapshot) []error {
	t.Helper()
	var survived []error
	opts := s.options()
	opts.Survived = func(err error) { survived = append(survived, err) }
	got, err := s.open(t, opts).LoadSnapshot(t.Context())
	if err != nil {
		t.Fatalf("load snapshot: %v", err)
	}
	if want == nil && got != nil || want != nil && !proto.Equal(got, want) {
		t.Errorf("got snapshot of revision %d, want that of %d", got.GetRevision(), want.GetRevision())
	}
	return survived
}

func TestTwoSnapshotsAreKept(t *testing.T) {
	s := startStore(t, t.TempDir())
	l := s.open(t, s.options())
	var head ledger.Head
	for i := range 5 {
		_, head = ledgertest.Fill(t, l, head, 1, 1)
		if err := l.SaveSnapshot(t.Context(), ledgertest.Snapshot(head, 1<<20)); err != nil {
			t.Fatal(err)
		}
		if got := snapshotStreams(t, s); len(got) != min(i+1, 2) {
			t.Errorf("after %d snapshots there are %q", i+1, got)
		}
	}
}

// TestHalfSnapshot stops a save after each of its pieces, as a kill does: what is half there is never loaded, and gone
// once the next one is saved.
func TestHalfSnapshot(t *testing.T) {
	const chunks = 4 // of 512 KiB
	for pieces := range chunks {
		s := startStore(t, t.TempDir())
		wire := &lossy{JetStream: s.js}
		l, err := ledger.OpenJetStream(t.Context(), wire, s.options())
		if err != nil {
			t.Fatal(err)
		}
		_, first := ledgertest.Fill(t, l, ledger.Head{}, 1, 1)
		whole := ledgertest.Snapshot(first, 100)
		if err := l.SaveSnapshot(t.Context(), whole); err != nil {
			t.Fatal(err)
		}
		_, second := ledgertest.Fill(t, l, first, 1, 1)

		var sent int
		wire.block = func(*nats.Msg) bool { sent++; return sent > pieces }
		wire.delete = errors.New("killed")
		if err := l.SaveSnapshot(t.Context(), ledgertest.Snapshot(second, chunks*512<<10-1000)); err == nil {
			t.Fatal("half a snapshot is reported as saved")
		}
		if got := snapshotStreams(t, s); len(got) != 2 {
			t.Fatalf("there are %q, want a whole and half a snapshot", got)
		}
		survived := wantSnapshot(t, s, whole)
		if len(survived) != 1 || !strings.Contains(survived[0].Error(), "TANDEM_SNAPSHOT_B") {
			t.Errorf("%d pieces: survived %v, want a report about the half one", pieces, survived)
		}

		l = s.open(t, s.options())
		next := ledgertest.Snapshot(second, 3<<20)
		if err := l.SaveSnapshot(t.Context(), next); err != nil {
			t.Fatal(err)
		}
		if survived := wantSnapshot(t, s, next); len(survived) != 0 {
			t.Errorf("survived %v after the next save", survived)
		}
		if got := snapshotStreams(t, s); len(got) != 2 {
			t.Errorf("there are %q, want the half one gone", got)
		}
	}
}

// TestFailedSaveLeavesNothing has a save fail while the store is well.
func TestFailedSaveLeavesNothing(t *testing.T) {
	s := startStore(t, t.TempDir())
	wire := &lossy{JetStream: s.js}
	l, err := ledger.OpenJetStream(t.Context(), wire, s.options())
	if err != nil {
		t.Fatal(err)
	}
	_, head := ledgertest.Fill(t, l, ledger.Head{}, 1, 1)
	wire.block = func(*nats.Msg) bool { return true }
	if err := l.SaveSnapshot(t.Context(), ledgertest.Snapshot(head, 100)); err == nil {
		t.Fatal("saved although the store does not answer")
	}
	if got := snapshotStreams(t, s); len(got) != 0 {
		t.Errorf("it left %q", got)
	}
	wantSnapshot(t, s, nil)
}

// TestDamagedSnapshot flips a byte of the newest of two while the store is stopped.
func TestDamagedSnapshot(t *testing.T) {
	for _, index := range []bool{true, false} {
		dir := t.TempDir()
		s := startStore(t, dir)
		l := s.open(t, s.options())
		_, first := ledgertest.Fill(t, l, ledger.Head{}, 1, 1)
		whole := ledgertest.Snapshot(first, 1<<20)
		if err := l.SaveSnapshot(t.Context(), whole); err != nil {
			t.Fatal(err)
		}
		_, second := ledgertest.Fill(t, l, first, 1, 1)
		if err := l.SaveSnapshot(t.Context(), ledgertest.Snapshot(second, 1<<20)); err != nil {
			t.Fatal(err)
		}
		s.stop()
		damage(t, dir, "TANDEM_SNAPSHOT_B", index, func(file []byte) bool {
			at := bytes.Index(file, []byte("abcdefgh"))
			if at >= 0 {
				file[at+600<<10] ^= 1 // in the second of three pieces
			}
			return at >= 0
		})
		s = startStore(t, dir)
		if survived := wantSnapshot(t, s, whole); len(survived) != 1 {
			t.Errorf("index %t: survived %v, want a report about the damaged one", index, survived)
		}
	}
}

// TestLedgerBehindItsSnapshot takes away records that a snapshot, whole or half, names.
func TestLedgerBehindItsSnapshot(t *testing.T) {
	for _, half := range []bool{false, true} {
		s := startStore(t, t.TempDir())
		wire := &lossy{JetStream: s.js}
		l, err := ledger.OpenJetStream(t.Context(), wire, s.options())
		if err != nil {
			t.Fatal(err)
		}
		records, head := ledgertest.Fill(t, l, ledger.Head{}, 5, 1)
		if half {
			wire.block = func(*nats.Msg) bool { return true }
			wire.delete = errors.New("killed")
		}
		if err := l.SaveSnapshot(t.Context(), ledgertest.Snapshot(head, 1)); (err != nil) != half {
			t.Fatal(err)
		}
		if err := s.js.DeleteStream(t.Context(), ledger.StreamName); err != nil {
			t.Fatal(err)
		}
		if _, err := ledger.OpenJetStream(t.Context(), s.js, s.options()); !errors.Is(err, ledger.ErrCorrupt) {
			t.Errorf("half %t, no stream: got error %v, want ErrCorrupt", half, err)
		}

		cfg := configOfStream(t)
		if _, err := s.js.CreateStream(t.Context(), cfg); err != nil {
			t.Fatal(err)
		}
		publish(t, s, records[:4])
		var found *ledger.CorruptError
		if _, err := ledger.OpenJetStream(t.Context(), s.js, s.options()); !errors.As(err, &found) || found.Revision != 5 {
			t.Errorf("half %t, one record short: got error %v, want a *CorruptError at 5", half, err)
		}
		if _, err := l.LoadSnapshot(t.Context()); !errors.Is(err, ledger.ErrCorrupt) {
			t.Errorf("half %t, one record short: loading got error %v, want ErrCorrupt", half, err)
		}
		other := proto.CloneOf(records[4])
		other.Events[0].Actor = "somebody else"
		publish(t, s, []*ledgerv1.Record{other})
		if _, err := ledger.OpenJetStream(t.Context(), s.js, s.options()); !errors.As(err, &found) || found.Revision != 5 {
			t.Errorf("half %t, another record in its place: got error %v, want a *CorruptError at 5", half, err)
		}
	}
}
