package engine

import (
	"context"
	"errors"
	"fmt"
	"sync"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// CompactedError says that the ledger no longer holds the records a watcher asked for.
type CompactedError struct{ Oldest uint64 }

// Error names the oldest revision held.
func (e *CompactedError) Error() string {
	return fmt.Sprintf("engine: the oldest record still held is revision %d", e.Oldest)
}

// Records kept in memory for watchers; older ones are read from the ledger.
const (
	recent       = 4096
	recentEvents = 32768 // fewer records than recent where they have many events, so that a busy floor's memory stays bounded
)

// feed hands committed records to watchers. Watchers pull: a slow one reads older records from the ledger and slows nobody.
type feed struct {
	ledger ledger.Ledger

	mu    sync.Mutex
	first uint64             // revision of ring[0], once there is one
	ring  []*ledgerv1.Record // consecutive revisions, at most twice recent, with at most about twice recentEvents
	held  int                // events in ring
	last  uint64             // newest revision
	grown chan struct{}      // closed and replaced at each record
}

func newFeed(l ledger.Ledger, last uint64) *feed {
	return &feed{ledger: l, last: last, first: last + 1, grown: make(chan struct{})}
}

func (f *feed) publish(rec *ledgerv1.Record) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if len(f.ring) >= 2*recent || len(f.ring) > 1 && f.held >= 2*recentEvents {
		n := len(f.ring) / 2
		for _, old := range f.ring[:n] {
			f.held -= len(old.GetEvents())
		}
		f.ring = append([]*ledgerv1.Record(nil), f.ring[n:]...) // readers may still hold the old one
		f.first += uint64(n)
	}
	f.ring = append(f.ring, rec)
	f.held += len(rec.GetEvents())
	f.last = rec.GetRevision()
	close(f.grown)
	f.grown = make(chan struct{})
}

// after returns the records after a revision as far as they are in memory, whether older ones must come from the ledger
// first, and a channel that is closed when there is more.
func (f *feed) after(revision uint64) (list []*ledgerv1.Record, older bool, grown <-chan struct{}) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if revision >= f.last {
		return nil, false, f.grown
	}
	if revision+1 < f.first {
		return nil, true, f.grown
	}
	return f.ring[revision+1-f.first:], false, f.grown
}

// Watch calls fn with every record after a revision, in order and each exactly once, and waits for more until ctx ends or
// fn returns an error, which it returns. A revision that the ledger no longer holds is a *CompactedError. Records
// must not be changed. Idle, if not nil, is called before each wait with the last revision seen and returns a channel that
// ends the wait early.
func (e *Engine) Watch(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error, idle func(revision uint64) <-chan struct{}) error {
	for {
		last, grown, err := e.feed.catchUp(ctx, after, fn)
		if err != nil {
			return err
		}
		after = last
		var early <-chan struct{}
		if idle != nil {
			early = idle(after)
		}
		select {
		case <-grown:
		case <-early:
		case <-e.done:
			return ErrStopped
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// catchUp calls fn with every record after a revision that there is, and returns the last one and a channel that is closed
// when there is more.
func (f *feed) catchUp(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error) (last uint64, grown <-chan struct{}, err error) {
	for {
		list, older, grown := f.after(after)
		if older {
			err := f.ledger.Replay(ctx, after, func(rec *ledgerv1.Record) error {
				after = rec.GetRevision()
				return fn(rec)
			})
			if compacted, ok := errors.AsType[*ledger.CompactedError](err); ok {
				return after, nil, &CompactedError{Oldest: compacted.Oldest}
			}
			if err != nil {
				return after, nil, err
			}
			continue
		}
		if len(list) == 0 {
			return after, grown, nil
		}
		for _, rec := range list {
			if err := fn(rec); err != nil {
				return after, nil, err
			}
			after = rec.GetRevision()
		}
	}
}
