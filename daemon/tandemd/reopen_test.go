package main

import (
	"errors"
	"testing"
	"time"

	"tandem/daemon/ledger"
)

// A disk that fails may lose what it had said was on it. The daemon that opens everything anew knows what the life before had stored,
// and does not go on with less; a simulated floor's clock does not go back either.
func TestALifeKnowsWhatTheOneBeforeHadStored(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, "")))
	s.create(decals())
	s.stop()
	server, store, past, err := openHub(t.Context(), s.cfg)
	if err != nil {
		t.Fatal(err)
	}
	head := store.Head()
	server.Shutdown()
	if err := past.Close(); err != nil {
		t.Fatal(err)
	}
	shown := head.CommitTime.Add(time.Hour)
	before := new(life)
	before.remember(ledger.Head{Revision: head.Revision + 1, Hash: make([]byte, ledger.HashSize)}, shown)
	before.remember(head, head.CommitTime) // a life that ended before it had done anything
	s.cfg.place.before = before
	_, _, _, err = openHub(t.Context(), s.cfg)
	if _, final := errors.AsType[*usageError](err); !errors.Is(err, ledger.ErrCorrupt) || !final {
		t.Errorf("on a ledger that has lost its last record: %v", err)
	}
	if got := s.cfg.place.goesOn(head.CommitTime); !got.Equal(shown) {
		t.Errorf("the floor's clock goes on from %v, and had shown %v", got, shown)
	}
}
