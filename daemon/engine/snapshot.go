package engine

import (
	"context"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// eventsPerJob is how many events there are at least, for each job that the last snapshot told of, before the next: a snapshot tells of
// every job, so one that came sooner would cost more than it spares the next start.
const eventsPerJob = 2

// mostMissed is how many times in turn there may be no copy of the floor to take a snapshot of, before the loop's own is read.
const mostMissed = 10

// restPerCopy is how many times as long as the last snapshot took there is none: so all of them together take no more than a twentieth of
// the time, and what a start has to read again after a crash stays short against what was done meanwhile.
const restPerCopy = 19

// copying is when the last snapshot was taken, and how those of a copy of the floor are asked for.
type copying struct {
	jobs   int          // on the floor at the last snapshot
	asked  time.Time    // for the last one; wall
	took   atomic.Int64 // the last one, in nanoseconds
	owed   atomic.Int64 // events for which there was none
	missed atomic.Int64 // how many times in turn there was none
}

func (e *Engine) maybeSnapshot() {
	e.unsaved += int(e.copied.owed.Swap(0))
	enough := max(e.opt.SnapshotEvents, eventsPerJob*e.copied.jobs)
	if e.unsaved < enough || e.readOnly() != nil {
		return
	}
	own := e.opt.Snapshot == nil || e.copied.missed.Load() >= mostMissed
	if !own && e.since(e.copied.asked) < max(e.opt.Period, (1+restPerCopy)*time.Duration(e.copied.took.Load())) {
		return
	}
	select {
	case e.savingNow <- struct{}{}:
	default: // the last one is still being written
		return
	}
	if own {
		e.copied.missed.Store(0)
		e.saveSnapshot(e.snapshot())
		return
	}
	unsaved, asked := e.unsaved, e.opt.Wall.Now()
	e.unsaved, e.copied.jobs, e.copied.asked = 0, len(e.floor.Jobs), asked
	e.beside(func() {
		if snap, ok := e.opt.Snapshot(); ok {
			e.copied.missed.Store(0)
			e.store(snap)
			e.copied.took.Store(int64(e.since(asked)))
			return
		}
		e.copied.owed.Add(int64(unsaved))
		e.copied.missed.Add(1)
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
	e.unsaved, e.copied.jobs = 0, len(snap.GetJobs())
	e.beside(func() { e.store(snap) })
}

func (e *Engine) store(snap *ledgerv1.Snapshot) {
	defer func() { <-e.savingNow }()
	if err := e.opt.Ledger.SaveSnapshot(context.Background(), snap); err != nil {
		e.log.Warn("snapshot not saved; the next start will take longer", zap.Uint64("revision", snap.GetRevision()), zap.Error(err))
	}
}
