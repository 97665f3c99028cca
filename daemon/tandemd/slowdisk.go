package main

import (
	"context"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"tandem/daemon/api"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// slowAfter is how long a record may be under way to the disk until people are told. A disk that is only busy takes less.
const slowAfter = 5 * time.Second

// ownLedger is one that a daemon keeps itself.
type ownLedger interface {
	ledger.Ledger
	Head() ledger.Head
}

// slowDisk is a ledger that tells of a disk that hangs: one behind a network or a cable, that has gone to sleep, or is worn out. The engine
// waits for it, as nothing is true before it is stored, and whoever asks the engine would wait without a word.
type slowDisk struct {
	ownLedger
	dir string
	log *zap.Logger

	since atomic.Pointer[time.Time] // when the record that is under way was handed over; nil: none is
}

// told returns the ledger that the engine writes, and who says that its disk hangs; nil where a cluster keeps the ledger: there a daemon
// that gets no answer ceases to lead.
func (c daemonConfig) told(store *ledger.JetStream) (ledger.Ledger, func() error) {
	if c.member != nil {
		return store, nil
	}
	s := &slowDisk{ownLedger: store, dir: c.DataDir, log: c.Log.Named("ledger")}
	return s, s.hangs
}

func (s *slowDisk) Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	began := time.Now()
	s.since.Store(&began)
	late := time.AfterFunc(slowAfter, func() { s.log.Warn("waiting for the disk", zap.Error(s.hangs())) })
	defer func() {
		s.since.Store(nil)
		if !late.Stop() {
			s.log.Info("the disk has answered", zap.Duration("after", time.Since(began).Round(time.Millisecond)))
		}
	}()
	return s.ownLedger.Append(ctx, rec)
}

// hangs says since when the disk has kept a record waiting; nil: it has not for long.
func (s *slowDisk) hangs() error {
	if at := s.since.Load(); at != nil {
		if d := time.Since(*at); d >= slowAfter {
			return &api.SlowDiskError{Dir: s.dir, For: d}
		}
	}
	return nil
}
