package ledger_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
)

// openNote opens a note that is closed at the end of the test.
func openNote(t *testing.T, path string) *ledger.Note {
	t.Helper()
	n, err := ledger.OpenNote(path)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = n.Close() })
	return n
}

func sameRecord(a, b ledger.Head) bool {
	return a.Revision == b.Revision && bytes.Equal(a.Hash, b.Hash)
}

// places is how a note lies in its file: two of 64 bytes, written in turn.
const place = 64

// The note is that of the last record that was acknowledged, after each and after a restart.
func TestNoteFollowsTheLedger(t *testing.T) {
	s := startStore(t, t.TempDir())
	path := filepath.Join(t.TempDir(), "last-record")
	n := openNote(t, path)
	if n.Head().Revision != 0 {
		t.Fatalf("an empty note is of revision %d", n.Head().Revision)
	}
	opts := s.options()
	opts.Note = n
	l := s.open(t, opts)
	var head ledger.Head
	for range 5 {
		_, head = ledgertest.Fill(t, l, head, 1, 1)
		if !sameRecord(n.Head(), head) || !sameRecord(openNote(t, path).Head(), head) {
			t.Fatalf("the note is of revision %d, and in its file of %d, want %d", n.Head().Revision, openNote(t, path).Head().Revision, head.Revision)
		}
	}
	if info, err := os.Stat(path); err != nil || info.Size() > 2*place {
		t.Errorf("the file is %v, %v: want no more than two places", info.Size(), err)
	}
	opts.Note = openNote(t, filepath.Join(t.TempDir(), "new")) // a note that is lost is made anew at the next start
	s.open(t, opts)
	if !sameRecord(opts.Note.Head(), head) {
		t.Errorf("a new note is of revision %d after the start, want %d", opts.Note.Head().Revision, head.Revision)
	}
	var none *ledger.Note
	if none.Head().Revision != 0 {
		t.Error("no note has noted something")
	}
}

// A write that is cut off, or garbled, leaves the record before; a note of which nothing is whole is none.
func TestNoteThatIsNotWhole(t *testing.T) {
	s := startStore(t, t.TempDir())
	path := filepath.Join(t.TempDir(), "last-record")
	opts := s.options()
	opts.Note = openNote(t, path)
	l := s.open(t, opts)
	_, before := ledgertest.Fill(t, l, ledger.Head{}, 3, 1)
	_, last := ledgertest.Fill(t, l, before, 1, 1)
	whole, err := os.ReadFile(path)
	if err != nil {
		t.Fatal(err)
	}
	newest := 0 // the place of the last record: its revision, 4, ends the first 8 bytes
	if whole[7] != 4 {
		newest = place
	}
	for _, c := range []struct {
		name   string
		change func(b []byte) []byte
		want   ledger.Head
	}{
		{"whole", func(b []byte) []byte { return b }, last},
		{"revision of the newest", func(b []byte) []byte { b[newest+7] = 99; return b }, before},
		{"hash of the newest", func(b []byte) []byte { b[newest+20] ^= 1; return b }, before},
		{"newest half written", func(b []byte) []byte { clear(b[newest+12 : newest+place]); return b }, before},
		{"the other one", func(b []byte) []byte { clear(b[place-newest : 2*place-newest]); return b }, last},
		{"cut short", func(b []byte) []byte { return b[:place+10] }, map[bool]ledger.Head{true: last, false: before}[newest == 0]},
		{"both", func(b []byte) []byte { b[10] ^= 1; b[place+10] ^= 1; return b }, ledger.Head{}},
		{"empty", func([]byte) []byte { return nil }, ledger.Head{}},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "last-record")
			if err := os.WriteFile(path, c.change(bytes.Clone(whole)), 0o600); err != nil {
				t.Fatal(err)
			}
			if got := openNote(t, path).Head(); !sameRecord(got, c.want) {
				t.Errorf("it is of revision %d, want %d", got.Revision, c.want.Revision)
			}
		})
	}
	if _, err := ledger.OpenNote(t.TempDir()); err == nil || !strings.Contains(err.Error(), "note of the last record") {
		t.Errorf("a folder in its place: error %v", err)
	}
}

// A ledger that has lost the record that was noted, or has another in its place, is refused; one that has gone on since the note could
// last be written is not.
func TestNoteIsCompared(t *testing.T) {
	other := startStore(t, t.TempDir())
	_, foreign := ledgertest.Fill(t, other.open(t, other.options()), ledger.Head{}, 6, 2)
	for _, c := range []struct {
		name     string
		noted    int // records of this ledger when the note was last written
		held     int
		replaced bool // the note is of another ledger
		problem  string
	}{
		{name: "the last record", noted: 6, held: 6},
		{name: "an older record", noted: 4, held: 6},
		{name: "the last record is gone", noted: 6, held: 5, problem: "revision 6 was known"},
		{name: "everything is gone", noted: 6, held: 0, problem: "revision 6 was known"},
		{name: "another record", held: 6, replaced: true, problem: "known as"},
	} {
		t.Run(c.name, func(t *testing.T) {
			path := filepath.Join(t.TempDir(), "last-record")
			note := openNote(t, path)
			fill := func(records int, note *ledger.Note) *store {
				s := startStore(t, t.TempDir())
				opts := s.options()
				opts.Note = note
				ledgertest.Fill(t, s.open(t, opts), ledger.Head{}, records, 1)
				return s
			}
			if c.replaced {
				s := startStore(t, t.TempDir())
				opts := s.options()
				opts.Note = note
				if _, got := ledgertest.Fill(t, s.open(t, opts), ledger.Head{}, 6, 2); !sameRecord(got, foreign) {
					t.Fatal("the other ledger is not the same twice")
				}
			} else {
				fill(c.noted, note)
			}
			var s *store
			if c.held > 0 {
				s = fill(c.held, nil)
			} else {
				s = startStore(t, t.TempDir())
			}
			opts := s.options()
			opts.Note = openNote(t, path)
			_, err := ledger.OpenJetStream(t.Context(), s.js, opts)
			if c.problem == "" {
				if err != nil {
					t.Errorf("refused: %v", err)
				}
				return
			}
			var found *ledger.CorruptError
			if !errors.As(err, &found) || !strings.Contains(err.Error(), c.problem) || !strings.Contains(err.Error(), "restore a backup") {
				t.Errorf("got error %v, want a *CorruptError with %q and the remedy", err, c.problem)
			}
		})
	}
}

// A store that no longer answers: the append waits, until somebody who knows better says so.
func TestAbandon(t *testing.T) {
	s := startStore(t, t.TempDir())
	opts := s.options()
	opts.AppendTimeout = time.Hour
	l := s.open(t, opts)
	_, head := ledgertest.Fill(t, l, ledger.Head{}, 2, 1)
	// Somebody listens where the stream was, and says nothing: that is how a store behaves whose disk is full.
	if err := s.js.DeleteStream(t.Context(), ledger.StreamName); err != nil {
		t.Fatal(err)
	}
	silence, err := s.nc.SubscribeSync("tandem.ledger.record")
	if err != nil {
		t.Fatal(err)
	}
	answered := make(chan error, 1)
	go func() {
		_, err := l.Append(t.Context(), ledgertest.Next(head, 1))
		answered <- err
	}()
	if _, err := silence.NextMsg(20 * time.Second); err != nil {
		t.Fatalf("nothing was appended: %v", err)
	}
	select {
	case err := <-answered:
		t.Fatalf("the append has not waited: %v", err)
	default:
	}
	l.Abandon()
	select {
	case err = <-answered:
	case <-time.After(20 * time.Second):
		t.Fatal("the append still waits")
	}
	if !errors.Is(err, ledger.ErrOutcomeUnknown) || !strings.Contains(err.Error(), "record 3") {
		t.Errorf("the append ended with %v, want ErrOutcomeUnknown and the record", err)
	}
	if _, again := l.Append(t.Context(), ledgertest.Next(head, 1)); !errors.Is(again, ledger.ErrOutcomeUnknown) {
		t.Errorf("the next append: %v, want ErrOutcomeUnknown until the ledger is opened anew", again)
	}
	l.Abandon() // once more does no harm
	if l.Head().Revision != 2 {
		t.Errorf("the head is revision %d, want the last that was acknowledged", l.Head().Revision)
	}
}

// Abandoned before anything is under way, it is the next append that ends at once.
func TestAbandonBeforeAnAppend(t *testing.T) {
	s := startStore(t, t.TempDir())
	l := s.open(t, s.options())
	_, head := ledgertest.Fill(t, l, ledger.Head{}, 2, 1)
	l.Abandon()
	if _, err := l.Append(t.Context(), ledgertest.Next(head, 1)); !errors.Is(err, ledger.ErrOutcomeUnknown) {
		t.Errorf("got error %v, want ErrOutcomeUnknown", err)
	}
	// Opened anew it goes on, from what the store has.
	anew := s.open(t, s.options())
	ledgertest.Fill(t, anew, anew.Head(), 1, 1)
}
