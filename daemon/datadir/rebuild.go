package datadir

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"tandem/daemon/audit"
	"tandem/daemon/bus"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Rebuilt says what became of a ledger that was made anew.
type Rebuilt struct {
	Head  ledger.Head
	Audit *audit.Audit
	Aside string // where the ledger from before is now; empty if there was none
}

// Rebuild makes the ledger of a data folder anew from its history, byte for byte, and verifies it. The one that was there is kept
// aside. An interrupted rebuild leaves it where it was, or the daemon refuses to start with an empty one; rebuild again.
func Rebuild(ctx context.Context, dir string, now time.Time) (Rebuilt, error) {
	if err := CheckFinished(dir); err != nil {
		return Rebuilt{}, err
	}
	past, err := history.OpenCopy(dir)
	if errors.Is(err, os.ErrNotExist) {
		return Rebuilt{}, fmt.Errorf("%w: %s has no history (%s) to make a ledger from: restore a backup", ErrNoLedger, dir, history.FileName)
	}
	if err != nil {
		return Rebuilt{}, err
	}
	defer past.Close()
	head, err := past.Head(ctx)
	if err != nil {
		return Rebuilt{}, err
	}
	if head.Revision == 0 {
		return Rebuilt{}, fmt.Errorf("%w: the history of %s holds no record: restore a backup", ErrNoLedger, dir)
	}
	unlock, err := bus.Lock(BusDir(dir))
	if errors.Is(err, bus.ErrInUse) {
		return Rebuilt{}, fmt.Errorf("a daemon runs here, and must be stopped first: %w", err)
	}
	if err != nil && !errors.Is(err, os.ErrNotExist) {
		return Rebuilt{}, err
	}
	if unlock != nil {
		defer unlock()
	}
	made := filepath.Join(dir, rebuilding)
	if err := os.RemoveAll(made); err != nil { // what an interrupted rebuild has left: nothing but a copy
		return Rebuilt{}, fmt.Errorf("remove what an earlier rebuild has left: %w", err)
	}
	out := Rebuilt{Head: head, Audit: new(audit.Audit)}
	err = fill(ctx, made, func(add func([]byte) error) error {
		return past.Records(ctx, func(rec *ledgerv1.Record, stored []byte) error {
			if err := out.Audit.Add(rec); err != nil {
				return err
			}
			return add(stored)
		})
	}, out.Audit, head)
	if err != nil {
		return out, err
	}
	if err := keepToken(dir, made); err != nil {
		return out, err
	}
	if unlock != nil {
		unlock() // a folder with an open file cannot be renamed everywhere
		out.Aside = filepath.Join(dir, busDir+".damaged-"+stampOf(now))
		if err := os.Rename(BusDir(dir), out.Aside); err != nil {
			return out, fmt.Errorf("keep the old ledger aside: %w", err)
		}
	}
	if err := os.Rename(made, BusDir(dir)); err != nil {
		return out, fmt.Errorf("put the new ledger in its place: %w", err)
	}
	return out, syncDir(dir)
}

// fill makes a store with the records that each hands over, verifies it by reading it back, and leaves a snapshot for the next start.
func fill(ctx context.Context, dir string, each func(add func(stored []byte) error) error, a *audit.Audit, head ledger.Head) error {
	s, err := openStore(ctx, dir, nil)
	if err != nil {
		return err
	}
	err = each(func(stored []byte) error {
		_, err := s.Import(ctx, stored)
		return err
	})
	if err == nil {
		err = a.Finish()
	}
	if err == nil {
		err = s.SaveSnapshot(ctx, a.Snapshot(s.Head()))
	}
	s.close()
	if err != nil {
		return fmt.Errorf("make ledger: %w", err)
	}
	return readBack(ctx, dir, head)
}

// readBack verifies a store that has just been made: opened anew, read from the first record to the last.
func readBack(ctx context.Context, dir string, want ledger.Head) error {
	s, err := openStore(ctx, dir, nil)
	if err != nil {
		return fmt.Errorf("read the new ledger back: %w", err)
	}
	defer s.close()
	var a audit.Audit
	if err := s.Replay(ctx, 0, a.Add); err != nil {
		return fmt.Errorf("read the new ledger back: %w", err)
	}
	if err := a.Finish(); err != nil {
		return fmt.Errorf("read the new ledger back: %w", err)
	}
	if got := s.Head(); got.Revision != want.Revision || string(got.Hash) != string(want.Hash) {
		return fmt.Errorf("read the new ledger back: it ends at revision %d with hash %x, not at %d with %x", got.Revision, got.Hash, want.Revision, want.Hash)
	}
	return nil
}

// keepToken takes the drivers' token along, so that drivers of other processes find the daemon again.
func keepToken(dir, made string) error {
	token, err := os.ReadFile(filepath.Join(BusDir(dir), bus.TokenFile))
	if errors.Is(err, os.ErrNotExist) {
		return nil
	}
	if err == nil {
		err = os.WriteFile(filepath.Join(made, bus.TokenFile), token, 0o600)
	}
	if err != nil {
		return fmt.Errorf("take the drivers' token along: %w", err)
	}
	return nil
}
