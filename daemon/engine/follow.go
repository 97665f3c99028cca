package engine

import (
	"bytes"
	"context"
	"errors"
	"fmt"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// errNotFollowed means that the engine was made on a ledger that only one process can have open.
var errNotFollowed = errors.New("the ledger is of a kind that one process has for itself: nobody else's records come into it")

// Follow folds the records that another daemon stores into this engine's floor, as they come, until ctx ends, whose error
// it returns. It is called before Run and has returned before Run is called: an engine leads or follows. Any other error
// means that the ledger cannot be followed from here, and the engine is to be opened anew.
func (e *Engine) Follow(ctx context.Context) error {
	l, ok := e.opt.Ledger.(ledger.Followed)
	if !ok {
		return fmt.Errorf("follow ledger: %w", errNotFollowed)
	}
	err := l.Follow(ctx, e.head.Revision, e.fold)
	if err != nil && ctx.Err() == nil {
		return fmt.Errorf("follow ledger: %w", err)
	}
	return ctx.Err()
}

// CatchUp folds what is in the ledger now and not yet in the floor, and verifies the floor. Who takes over calls it
// after Follow and before Run; how few records it still folds is what makes a takeover quick.
func (e *Engine) CatchUp(ctx context.Context) (folded uint64, err error) {
	l, ok := e.opt.Ledger.(ledger.Followed)
	if !ok {
		return 0, fmt.Errorf("catch up: %w", errNotFollowed)
	}
	before := e.head.Revision
	if err := l.CatchUp(ctx, before, e.fold); err != nil {
		return 0, fmt.Errorf("catch up: %w", err)
	}
	if err := e.floor.Check(); err != nil {
		return 0, fmt.Errorf("the ledger's floor breaks its own rules: %w", err)
	}
	return e.head.Revision - before, nil
}

// fold applies the next record of another writer.
func (e *Engine) fold(rec *ledgerv1.Record, head ledger.Head) error {
	if err := e.mayApply(rec); err != nil {
		return err
	}
	e.floor.ApplyRecord(rec)
	e.head = head
	e.unsaved += len(rec.GetEvents())
	e.feed.publish(rec)
	return nil
}

// mayApply compares a record with the one applied before it.
func (e *Engine) mayApply(rec *ledgerv1.Record) error {
	if !bytes.Equal(rec.GetPreviousHash(), e.head.Hash) {
		return fmt.Errorf("%w: revision %d does not follow the record before it: restore a backup", ledger.ErrCorrupt, rec.GetRevision())
	}
	return e.floor.Admit(rec)
}

// leads says why nothing may be stored any more: this daemon no longer leads.
func (e *Engine) leads() error {
	if e.opt.Leads == nil {
		return nil
	}
	return e.opt.Leads()
}

// Head returns the last record restored or folded. It must not be called while Follow, CatchUp or Run does its work.
func (e *Engine) Head() ledger.Head { return e.head }
