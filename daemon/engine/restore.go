package engine

import (
	"bytes"
	"context"
	"fmt"

	"go.uber.org/zap"

	"tandem/daemon/audit"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// restore makes the floor from the newest snapshot and the records after it, whose chain is verified. A snapshot that cannot be used
// costs time and nothing else: then every record is replayed.
func (e *Engine) restore(ctx context.Context) error {
	snap, err := e.opt.Ledger.LoadSnapshot(ctx)
	if err != nil {
		return fmt.Errorf("load snapshot: %w", err)
	}
	e.floor = floor.New()
	if snap != nil {
		if err := floor.Readable(snap.GetSchema()); err != nil {
			return fmt.Errorf("snapshot of revision %d: %w", snap.GetRevision(), err)
		}
		if e.floor, err = restoreFloor(snap); err != nil {
			e.log.Warn("snapshot cannot be used; every record is replayed instead", zap.Uint64("revision", snap.GetRevision()), zap.Error(err))
			e.floor, snap = floor.New(), nil
		}
	}
	if snap != nil {
		e.copied.jobs = len(snap.GetJobs())
		e.head = ledger.Head{Revision: snap.GetRevision(), Term: snap.GetTerm(), CommitTime: snap.GetCommitTime().AsTime(), Hash: snap.GetHash()}
	}
	last, err := e.replay(ctx)
	if err != nil {
		return fmt.Errorf("replay ledger: %w", err)
	}
	if last != nil {
		if e.head, err = e.headOf(last); err != nil {
			return err
		}
	}
	if err := e.floor.Check(); err != nil {
		return fmt.Errorf("the ledger's floor breaks its own rules: %w", err)
	}
	return nil
}

// restoreFloor makes a floor from a snapshot. One whose content does not hang together may make it panic.
func restoreFloor(snap *ledgerv1.Snapshot) (f *floor.Floor, err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("restore floor: %v", p)
		}
	}()
	return floor.Restore(snap)
}

// replay applies the records after the head and returns the last one, or nil if there is none.
func (e *Engine) replay(ctx context.Context) (last *ledgerv1.Record, err error) {
	err = e.opt.Ledger.Replay(ctx, e.head.Revision, func(rec *ledgerv1.Record) error {
		// The ledger verifies the chain between records; how the first follows the snapshot only we can compare.
		if last == nil && !bytes.Equal(rec.GetPreviousHash(), e.head.Hash) {
			return fmt.Errorf("%w: revision %d does not follow the snapshot before it: restore a backup", ledger.ErrCorrupt, rec.GetRevision())
		}
		if err := e.floor.Admit(rec); err != nil {
			return err
		}
		if err := audit.Apply(e.floor, rec); err != nil {
			return err
		}
		e.unsaved += len(rec.GetEvents())
		last = rec
		return nil
	})
	return last, err
}

// headOf returns the head that a record makes: as the ledger has it, which does not depend on the record being encoded in the same
// way again.
func (e *Engine) headOf(last *ledgerv1.Record) (ledger.Head, error) {
	if l, ok := e.opt.Ledger.(interface{ Head() ledger.Head }); ok {
		if head := l.Head(); head.Revision == last.GetRevision() {
			return head, nil
		}
	}
	hash, err := ledger.Hash(last)
	if err != nil {
		return ledger.Head{}, fmt.Errorf("hash revision %d: %w", last.GetRevision(), err)
	}
	return ledger.Head{Revision: last.GetRevision(), Term: last.GetTerm(), CommitTime: last.GetCommitTime().AsTime(), Hash: hash}, nil
}
