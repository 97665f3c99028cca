package main

import (
	"context"
	"errors"
	"sync/atomic"
	"time"

	"go.uber.org/zap"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

const (
	// proofBatch records are read between two pauses of proofPause, so that the disk is the floor's: 50,000 records a second at most.
	proofBatch = 500
	proofPause = 10 * time.Millisecond
)

// proofread reads the whole ledger once, beside a daemon that serves. A start reads only what its newest snapshot does not hold;
// damage before that does no harm until the snapshot is gone as well, and must not be found only on that day.
type proofread struct{ found atomic.Pointer[string] }

// run verifies every record's checksum and the chain up to the one that is the last by now. It repairs nothing.
func (p *proofread) run(ctx context.Context, store ledger.Ledger, cfg daemonConfig) {
	var n int
	err := store.Replay(ctx, 0, func(*ledgerv1.Record) error {
		if n++; n%proofBatch > 0 {
			return nil
		}
		select {
		case <-time.After(proofPause):
			return nil
		case <-ctx.Done():
			return ctx.Err()
		}
	})
	if gone, ok := errors.AsType[*ledger.CompactedError](err); ok {
		err = gone.Damage()
	}
	switch {
	case ctx.Err() != nil:
	case errors.Is(err, ledger.ErrCorrupt):
		err = withRemedy(err, cfg)
		text := "the floor goes on from a snapshot that is newer than this damage, and has lost nothing yet: " + err.Error()
		p.found.Store(&text)
		cfg.Log.Error("ledger is damaged before its newest snapshot; stop the daemon when the floor is quiet, and make it anew", zap.Error(err))
	case err != nil:
		cfg.Log.Warn("ledger not read to its end; the next start reads it again", zap.Error(err))
	}
}

// attention is what people see of damage to the ledger; ofCopy, what they see of its second copy, if there is none. Whoever moved a
// damaged copy away beside a damaged ledger would have nothing left to make that anew from.
func (p *proofread) attention(ofCopy []string) []string {
	if text := p.found.Load(); text != nil {
		return []string{*text}
	}
	return ofCopy
}
