package engine

import (
	"context"

	"go.uber.org/zap"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// eventsPerJob is how many events there are at least, for each job on the floor, between two snapshots: a snapshot tells of every job,
// so one that came sooner would cost more than it spares the next start.
const eventsPerJob = 2

func (e *Engine) maybeSnapshot() {
	enough := max(e.opt.SnapshotEvents, eventsPerJob*len(e.floor.Jobs))
	if e.unsaved < enough && !(e.unsaved > 0 && e.own.Load()) || e.readOnly() != nil {
		return
	}
	select {
	case e.savingNow <- struct{}{}:
	default: // the last one is still being written
		return
	}
	if e.opt.Snapshot == nil || e.own.Swap(false) {
		e.saveSnapshot(e.snapshot())
		return
	}
	e.unsaved = 0
	e.beside(func() {
		if snap, ok := e.opt.Snapshot(); ok {
			e.store(snap)
			return
		}
		e.own.Store(true)
		<-e.savingNow
	})
}

// snapshot reads the loop's own floor.
func (e *Engine) snapshot() *ledgerv1.Snapshot {
	snap := e.floor.Snapshot()
	snap.Hash = e.head.Hash
	return snap
}

// saveSnapshot writes a snapshot beside the loop, which holds the token of savingNow for it.
func (e *Engine) saveSnapshot(snap *ledgerv1.Snapshot) {
	e.unsaved = 0
	e.beside(func() { e.store(snap) })
}

func (e *Engine) store(snap *ledgerv1.Snapshot) {
	defer func() { <-e.savingNow }()
	if err := e.opt.Ledger.SaveSnapshot(context.Background(), snap); err != nil {
		e.log.Warn("snapshot not saved; the next start will take longer", zap.Uint64("revision", snap.GetRevision()), zap.Error(err))
	}
}
