package datadir

import (
	"context"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/audit"
	"tandem/daemon/backup"
	"tandem/daemon/ledger"
	"tandem/proto/durable"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// RestoreOptions say how a backup is restored.
type RestoreOptions struct {
	Actor       string    // who restores it; kept in the ledger
	Now         time.Time // by the wall clock
	NothingDone bool      // somebody says that nothing was done on the floor since the backup was made
}

// Restored says what a restored folder holds.
type Restored struct {
	backup.Report             // of the backup
	Head          ledger.Head // of the new ledger: one record more, which says that it was restored
	Marked
}

// Marked says what a ledger holds that may lack what was done last.
type Marked struct {
	Fence   uint64 // grants go on after this one
	Review  int    // steps that wait for a person's word
	Unknown int    // runs that devices had in hand, whose outcome nobody knows until they have been heard
}

// Restore makes a ledger from a backup in a folder that is empty or not there yet. A record of its own says so: see
// [floor.RestoreLedger]. The result is read back and verified before Restore returns. Until then a file marks the folder as
// unfinished, and no daemon starts there.
func Restore(ctx context.Context, r io.Reader, dir string, opt RestoreOptions) (Restored, error) {
	if err := beginRestore(dir); err != nil {
		return Restored{}, err
	}
	made := filepath.Join(dir, restoring)
	out, err := restoreInto(ctx, r, made, opt)
	if err != nil {
		return out, fmt.Errorf("restore: %w", err)
	}
	if err := readBack(ctx, made, out.Head); err != nil {
		return out, fmt.Errorf("restore: %w", err)
	}
	if err := GiveToOwner(dir, made); err != nil {
		return out, fmt.Errorf("restore: %w", err)
	}
	if err := durable.SyncTree(made); err != nil { // the server syncs files, and no folders
		return out, fmt.Errorf("restore: %w", err)
	}
	if err := os.Rename(made, BusDir(dir)); err != nil {
		return out, fmt.Errorf("restore: put the ledger in its place: %w", err)
	}
	if err := durable.SyncFolder(dir); err != nil {
		return out, fmt.Errorf("restore: %w", err)
	}
	if err := os.Remove(filepath.Join(dir, unfinished)); err != nil {
		return out, fmt.Errorf("restore: %w", err)
	}
	return out, durable.SyncFolder(dir)
}

// beginRestore makes the folder, which must be empty, and marks it.
func beginRestore(dir string) error {
	if err := CheckFinished(dir); err != nil {
		return err
	}
	if err := durable.MakeFolder(dir, 0o700); err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	entries, err := os.ReadDir(dir)
	if err != nil {
		return fmt.Errorf("restore: %w", err)
	}
	if len(entries) > 0 {
		return fmt.Errorf("restore: %s is not empty (%s is there): a backup is restored into an empty folder only; name another one with --data-dir", dir, entries[0].Name())
	}
	if err := LeaveWord(dir, unfinished, "A backup is being restored into this folder, or was until it was interrupted. It is not whole: remove it and restore again.\n"); err != nil {
		return fmt.Errorf("restore: mark the folder: %w", err)
	}
	return nil
}

func restoreInto(ctx context.Context, r io.Reader, made string, opt RestoreOptions) (_ Restored, err error) {
	s, err := openStore(ctx, made, nil)
	if err != nil {
		return Restored{}, err
	}
	defer s.close()
	defer func() { err = s.explain(err, fmt.Sprintf("remove %s, and restore again", filepath.Dir(made))) }()
	var out Restored
	out.Report, err = backup.Verify(ctx, r, func(stored []byte) error {
		_, err := s.Import(ctx, stored)
		return err
	})
	if err != nil {
		return out, err
	}
	out.Marked, err = MarkRestored(ctx, s, out.Audit, opt.Actor, floor.RestoreLedger{Made: out.Manifest.MadeTime, Restored: opt.Now, NothingDone: opt.NothingDone})
	if err != nil {
		return out, err
	}
	out.Head = s.Head()
	if err := out.Audit.Finish(); err != nil {
		return out, err
	}
	return out, s.SaveSnapshot(ctx, out.Audit.Snapshot(out.Head))
}

// Appender is a ledger that has been restored.
type Appender interface {
	Head() ledger.Head
	Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error)
}

// MarkRestored appends the record which says that what was done last may not be in this ledger.
func MarkRestored(ctx context.Context, s Appender, a *audit.Audit, actor string, c floor.RestoreLedger) (Marked, error) {
	f := a.Floor()
	// The floor's clock stands still between the last record and the daemon's start, so the record has the time of the one before.
	d, err := f.Decide(f.CommitTime, floor.Meta{Actor: actor}, c)
	if err != nil {
		return Marked{}, err
	}
	head := s.Head()
	rec := &ledgerv1.Record{
		Revision: head.Revision + 1, Term: d.Events[0].GetTermBegan().GetTerm(), CommitTime: timestamppb.New(head.CommitTime), PreviousHash: head.Hash, Schema: floor.Schema, Events: d.Events,
	}
	if _, err := s.Append(ctx, rec); err != nil {
		return Marked{}, err
	}
	if err := a.Add(rec); err != nil {
		return Marked{}, err
	}
	return Marked{Fence: f.LastFence(), Review: len(f.ToReview()), Unknown: unknownRuns(f)}, nil
}

func unknownRuns(f *floor.Floor) int {
	n := 0
	for _, d := range f.Devices {
		for _, r := range d.Live {
			if r.Unknown() {
				n++
			}
		}
	}
	return n
}
