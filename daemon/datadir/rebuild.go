package datadir

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"time"

	"tandem/daemon/audit"
	"tandem/daemon/bus"
	"tandem/daemon/history"
	"tandem/daemon/ledger"
	"tandem/proto/durable"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// ErrHistoryShort means that the history does not hold the last records that the ledger had acknowledged, or that nobody knows
// whether it does.
var ErrHistoryShort = errors.New("the history may lack the last records")

// RebuildOptions say how a ledger is made anew.
type RebuildOptions struct {
	Actor       string    // who does it; kept in the ledger if records are missing
	Now         time.Time // by the wall clock
	WithoutLast bool      // also if the last records are missing, or may be
}

// Rebuilt says what became of a ledger that was made anew.
type Rebuilt struct {
	Head     ledger.Head
	Audit    *audit.Audit
	Aside    string // where the ledger from before is now; empty if there was none
	Salvaged uint64 // records that the history did not have yet, and the damaged ledger still had
	Missing  uint64 // records after them that are known to be lost
	Doubt    bool   // nobody knows whether others are
	Marked          // zero if none are
}

// Rebuild makes the ledger of a data folder anew from its history, byte for byte, and verifies it. The one that was there is kept
// aside. An interrupted rebuild leaves it where it was, or the daemon refuses to start with an empty one; rebuild again.
//
// What the history did not have yet is taken from the damaged ledger, as far as it can be read there. That is all if the note beside the
// ledger names the last record. If the note names a later one, or tells nothing of it (it went with the ledger, or power was lost before
// it was on the disk, or the ledger was a cluster's, which another daemon led last), Rebuild fails with ErrHistoryShort, or, if somebody
// says so, marks the new ledger as one restored from a backup made at the history's last record: what missing records may have begun is
// done again by nobody without a person's word.
func Rebuild(ctx context.Context, dir string, opt RebuildOptions) (Rebuilt, error) {
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
	for _, left := range []string{rebuilding, salvaging} { // by an interrupted rebuild: nothing but copies
		if err := os.RemoveAll(filepath.Join(dir, left)); err != nil {
			return Rebuilt{}, fmt.Errorf("remove what an earlier rebuild has left: %w", err)
		}
	}
	_, whole, err := missingIn(dir, head)
	if err != nil {
		return Rebuilt{}, err
	}
	rest := &salvage{begin: head, last: head}
	if !whole {
		found, err := openSalvage(ctx, dir, head)
		switch {
		case err == nil:
			defer found.close()
			rest = found
		case !opt.WithoutLast:
			return Rebuilt{}, fmt.Errorf("%w; mend that, or to go on without what may be there: --without-last", err)
		}
	}
	salvaged := rest.last.Revision - head.Revision
	head = rest.last
	missing, whole, err := missingIn(dir, head)
	switch {
	case err != nil:
		return Rebuilt{}, err
	case whole || opt.WithoutLast:
	case missing > 0:
		return Rebuilt{}, fmt.Errorf("%w: it ends at revision %d, and the ledger had acknowledged %d more. A newer backup may have them; to go on without them: --without-last",
			ErrHistoryShort, head.Revision, missing)
	default:
		return Rebuilt{}, fmt.Errorf("%w: it ends at revision %d of %s, and no note beside the ledger says that this was the last one. A newer backup, or the history of the daemon "+
			"that led a cluster last, may hold more; to go on with this one, and let each step that may have been done since wait for a person's word: --without-last",
			ErrHistoryShort, head.Revision, head.CommitTime.Local().Format("2006-01-02 15:04:05"))
	}
	made := filepath.Join(dir, rebuilding)
	out := Rebuilt{Head: head, Audit: new(audit.Audit), Salvaged: salvaged, Missing: missing, Doubt: !whole && missing == 0}
	if err := out.fill(ctx, made, past, rest, opt); err != nil {
		return out, fmt.Errorf("make ledger: %w", err)
	}
	if err := readBack(ctx, made, out.Head); err != nil {
		return out, err
	}
	if err := keepToken(dir, made); err != nil {
		return out, err
	}
	if err := GiveToOwner(dir, made); err != nil {
		return out, err
	}
	if err := durable.SyncTree(made); err != nil { // the server syncs files, and no folders
		return out, err
	}
	if err := keepNote(dir); err != nil {
		return out, err
	}
	if unlock != nil {
		if runtime.GOOS == "windows" { // where a folder with an open file cannot be renamed
			unlock()
		}
		out.Aside = unused(filepath.Join(dir, busDir+".damaged-"+stampOf(opt.Now)))
		if err := os.Rename(BusDir(dir), out.Aside); err != nil {
			return out, fmt.Errorf("keep the old ledger aside: %w", err)
		}
	}
	if err := os.Rename(made, BusDir(dir)); err != nil {
		return out, fmt.Errorf("put the new ledger in its place: %w", err)
	}
	if err := durable.SyncFolder(dir); err != nil {
		return out, err
	}
	// What was said of the ledger before is not true of this one, which has what was done in the cluster since.
	if err := os.Remove(filepath.Join(dir, MovedFile)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return out, fmt.Errorf("take back that the ledger was moved: %w", err)
	}
	if err := os.Remove(filepath.Join(dir, rebuildNote)); err != nil && !errors.Is(err, os.ErrNotExist) {
		return out, fmt.Errorf("remove the copy of the note of the last record: %w", err)
	}
	return out, durable.SyncFolder(dir)
}

// missingIn returns how many records the ledger of a data folder had acknowledged after the history's last, and whether it is known
// that there are no others, as far as the note beside it tells, or the copy of it that an interrupted rebuild has left. Of a cluster's
// ledger the folder's daemon may have had more records than are in its history, and another daemon still more.
func missingIn(dir string, head ledger.Head) (missing uint64, whole bool, err error) {
	followed, err := noted(filepath.Join(dir, filepath.FromSlash(Followed)))
	if err != nil {
		return 0, false, err
	}
	missing = max(followed.Revision, head.Revision) - head.Revision
	for _, path := range []string{NotePath(dir), filepath.Join(dir, rebuildNote)} {
		last, err := noted(path)
		if err != nil {
			return 0, false, err
		}
		missing = max(missing, max(last.Revision, head.Revision)-head.Revision)
		whole = whole || last.Revision == head.Revision && bytes.Equal(last.Hash, head.Hash)
	}
	return missing, whole && missing == 0, nil
}

// noted returns what a note tells; the zero Head if there is none.
func noted(path string) (ledger.Head, error) {
	if _, err := os.Stat(path); errors.Is(err, os.ErrNotExist) {
		return ledger.Head{}, nil
	}
	note, err := ledger.OpenNote(path)
	if err != nil {
		return ledger.Head{}, err
	}
	last := note.Head()
	if err := note.Close(); err != nil {
		return ledger.Head{}, fmt.Errorf("close the note of the last record: %w", err)
	}
	return last, nil
}

// keepNote copies the note of the last record to where it stays while ledgers change places: interrupted there, the next rebuild
// must know what this one did. A daemon that was started in between has left a note that knows less.
func keepNote(dir string) error {
	kept := filepath.Join(dir, rebuildNote)
	last, err := noted(NotePath(dir))
	if err != nil {
		return err
	}
	if before, err := noted(kept); err != nil || before.Revision >= last.Revision {
		return err
	}
	text, err := os.ReadFile(NotePath(dir))
	if err == nil {
		err = LeaveWord(dir, rebuildNote, string(text))
	}
	if err != nil {
		return fmt.Errorf("keep the note of the last record: %w", err)
	}
	return nil
}

// fill makes a store with the records of the history and those after it, and leaves a snapshot for the next start.
func (r *Rebuilt) fill(ctx context.Context, dir string, past *history.Copy, rest *salvage, opt RebuildOptions) (err error) {
	s, err := openStore(ctx, dir, nil)
	if err != nil {
		return err
	}
	defer s.close()
	defer func() { err = s.explain(err, again) }()
	add := func(rec *ledgerv1.Record, stored []byte) error {
		if err := r.Audit.Add(rec); err != nil {
			return err
		}
		_, err := s.Import(ctx, stored)
		return err
	}
	if err := past.Records(ctx, add); err != nil {
		return err
	}
	if err := rest.records(ctx, add); err != nil {
		return err
	}
	if r.Missing > 0 || r.Doubt {
		if r.Marked, err = MarkRestored(ctx, s, r.Audit, opt.Actor, floor.RestoreLedger{Made: r.Head.CommitTime, Restored: opt.Now}); err != nil {
			return err
		}
		r.Head = s.Head()
	}
	if err := r.Audit.Finish(); err != nil {
		return err
	}
	return s.SaveSnapshot(ctx, r.Audit.Snapshot(s.Head()))
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
		err = LeaveWord(made, bus.TokenFile, string(token))
	}
	if err != nil {
		return fmt.Errorf("take the drivers' token along: %w", err)
	}
	return nil
}
