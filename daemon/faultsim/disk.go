package faultsim

import (
	"context"
	"fmt"
	"time"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Points at which the daemon may die.
const (
	beforeCommit   = "before a record is stored"
	torn           = "while a record is written"
	afterCommit    = "after a record is stored, before anybody hears of it"
	afterOrder     = "after an order has left"
	afterAnswer    = "after a client has its answer"
	beforeSnapshot = "while a snapshot is written"
	afterSnapshot  = "after a snapshot is stored"
)

var points = []string{beforeCommit, torn, afterCommit, afterOrder, afterAnswer, beforeSnapshot, afterSnapshot}

// died is panicked with by a daemon that dies at a point.
type died struct{ point string }

// disk is what outlives the daemon. What it has acknowledged, it keeps.
type disk struct {
	w     *World
	store *ledger.Memory

	full     time.Duration // until then there is no space
	slow     time.Duration // until then it is slow
	unheard  int           // so many appends get no answer
	unstored bool          // and the next of these is not stored
}

// handle is a ledger as one process has opened it: it knows the head that it has read or written, and no other.
type handle struct {
	*disk
	owner *daemon
	lost  error
}

var _ ledger.Ledger = (*handle)(nil)

// Append implements ledger.Ledger.
func (h *handle) Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	w := h.w
	if h.lost != nil {
		return ledger.Head{}, h.lost
	}
	if w.now < h.full {
		return ledger.Head{}, ledger.ErrFull
	}
	h.owner.maybeDie(beforeCommit)
	h.owner.maybeDie(torn) // the tail was not acknowledged: it is cut when the ledger is opened
	if h.unheard > 0 {
		h.unheard--
		h.lost = ledger.ErrOutcomeUnknown
		if !h.unstored {
			if _, err := h.append(ctx, rec); err != nil {
				return ledger.Head{}, err
			}
		}
		return ledger.Head{}, h.lost
	}
	head, err := h.append(ctx, rec)
	if err != nil {
		return head, err
	}
	if w.now < h.slow {
		h.owner.busy(time.Duration(w.luck("disk").Below(int(400 * time.Millisecond))))
	}
	h.owner.maybeDie(afterCommit)
	return head, nil
}

func (h *handle) append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	head, err := h.store.Append(ctx, rec)
	if err == nil {
		h.w.books.record(rec)
	}
	return head, err
}

// Replay implements ledger.Ledger.
func (h *handle) Replay(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error) error {
	return h.store.Replay(ctx, after, fn)
}

// SaveSnapshot implements ledger.Ledger.
func (h *handle) SaveSnapshot(ctx context.Context, snap *ledgerv1.Snapshot) error {
	h.owner.maybeDie(beforeSnapshot)
	if h.w.now < h.full {
		return fmt.Errorf("save snapshot: %w", ledger.ErrFull)
	}
	err := h.store.SaveSnapshot(ctx, snap)
	h.owner.maybeDie(afterSnapshot)
	return err
}

// LoadSnapshot implements ledger.Ledger.
func (h *handle) LoadSnapshot(ctx context.Context) (*ledgerv1.Snapshot, error) {
	return h.store.LoadSnapshot(ctx)
}
