package history

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

const (
	// gatherFor is how long records are gathered for one transaction: how far the history is behind when nothing is wrong.
	gatherFor = 250 * time.Millisecond
	// mostRecords and mostBytes bound one transaction.
	mostRecords = 512
	mostBytes   = 4 << 20
	// tryAgain is how long a history that has failed waits before it goes on: its disk may be full.
	tryAgain = 5 * time.Second
)

// Engine is what a history needs of the engine.
type Engine interface {
	View(ctx context.Context, fn func(engine.State)) error
	Watch(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error, idle func(revision uint64) <-chan struct{}) error
}

// Follow keeps the history up to date until ctx ends or the engine stops. It reads what it lacks from the ledger, and from then on
// takes what the engine commits, as any watcher does: the engine does not wait for it. What fails is tried again.
//
// The tables of jobs and runs are levels, not edges: after each batch, the rows of the jobs and runs that it was about are written
// as the floor has them now, which may be a moment ahead of the records. So they come right whatever was missed. What has left the floor
// before that is found in the records: see [History.refill].
func (h *History) Follow(ctx context.Context, e Engine, store ledger.Stored, log *zap.Logger) {
	h.lag.begin(store, h.head.Revision)
	for ctx.Err() == nil {
		err := h.follow(ctx, e, store)
		if ctx.Err() != nil || errors.Is(err, engine.ErrStopped) {
			return
		}
		if errors.Is(err, errUnfilled) {
			continue
		}
		if errors.Is(err, errUnproven) {
			log.Warn("history reads again what it could not prove", zap.Error(err))
			continue
		}
		if h.lag.fail(err) {
			log.Error("history does not go on; the floor does", zap.Error(err))
		}
		rest(ctx, tryAgain)
	}
}

func (h *History) follow(ctx context.Context, e Engine, store ledger.Stored) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	if err := h.refill(ctx); err != nil {
		return err
	}
	b := &batch{history: h, engine: e, last: h.head}
	err := store.ReplayStored(ctx, h.head.Revision, 0, func(rec *ledgerv1.Record, stored []byte) error {
		return b.add(ctx, rec, stored)
	})
	if err == nil {
		err = b.flush(ctx)
	}
	if err == nil {
		err = h.refill(ctx)
	}
	if err != nil {
		return err
	}
	h.lag.reached(h.head.Revision) // what had failed is over, though there may be nothing new to keep
	err = e.Watch(ctx, b.last.Revision, func(rec *ledgerv1.Record) error {
		stored, _, err := ledger.Encode(rec)
		if err != nil {
			return err
		}
		return b.add(ctx, rec, stored)
	}, func(uint64) <-chan struct{} {
		early, err := b.idle(ctx)
		if err == nil && h.unfilled {
			err = errUnfilled
		}
		if err != nil {
			cancel(err) // ends the watch, which cannot be told otherwise
		}
		return early
	})
	b.stop()
	if cause := context.Cause(ctx); cause != nil && errors.Is(err, context.Canceled) {
		return cause
	}
	return err
}

// errUnproven means that a record encoded anew has not the hash that the ledger knows it by.
var errUnproven = errors.New("history: a record was not encoded as the ledger has it")

// batch gathers records for one transaction.
type batch struct {
	history *History
	engine  Engine
	last    ledger.Head // of the last one gathered
	records []kept
	bytes   int
	about   about
	since   time.Time // when the first was gathered
	timer   *time.Timer
}

// kept is a record to be kept.
type kept struct {
	revision uint64
	stored   []byte
	hash     []byte
	rec      *ledgerv1.Record // must not be changed
}

func (b *batch) add(ctx context.Context, rec *ledgerv1.Record, stored []byte) error {
	if rec.GetRevision() != b.last.Revision+1 {
		return fmt.Errorf("history: revision %d does not follow %d", rec.GetRevision(), b.last.Revision)
	}
	if !bytes.Equal(rec.GetPreviousHash(), b.last.Hash) {
		if len(b.records) > 0 {
			return fmt.Errorf("%w: revision %d", errUnproven, b.last.Revision)
		}
		return fmt.Errorf("history: revision %d of the ledger does not follow what is kept here up to %d: it is another ledger's; stop the daemon and look with `tandemd ledger verify`",
			rec.GetRevision(), b.last.Revision)
	}
	own := bytes.Clone(stored)
	hash := own[len(own)-ledger.HashSize:]
	if len(b.records) == 0 {
		b.since = time.Now()
	}
	b.records = append(b.records, kept{rec.GetRevision(), own, hash, rec})
	b.last = ledger.Head{Revision: rec.GetRevision(), Hash: hash}
	b.bytes += len(own)
	b.about.note(rec)
	if len(b.records) >= mostRecords || b.bytes >= mostBytes {
		return b.flush(ctx)
	}
	return nil
}

// idle is called when there is nothing more to gather. The channel it returns is closed when it wants to be called again.
func (b *batch) idle(ctx context.Context) (<-chan struct{}, error) {
	if len(b.records) > 0 && time.Since(b.since) >= gatherFor {
		if err := b.flush(ctx); err != nil {
			return nil, err
		}
	}
	b.stop()
	if len(b.records) == 0 {
		return nil, nil
	}
	early := make(chan struct{})
	b.timer = time.AfterFunc(max(gatherFor-time.Since(b.since), 10*time.Millisecond), func() { close(early) })
	return early, nil
}

func (b *batch) stop() {
	if b.timer != nil {
		b.timer.Stop()
	}
}

// flush keeps what was gathered and is proven: each record by the hash that the next one names, the last by the engine's head. If the
// engine has gone on, the last one waits for the next.
func (b *batch) flush(ctx context.Context) error {
	if len(b.records) == 0 {
		return nil
	}
	var all, some rows
	var head ledger.Head
	for i, part := range b.about.parts() {
		if err := b.engine.View(ctx, func(st engine.State) {
			if i == 0 {
				head = st.Head
			}
			some = part.rows(st)
		}); err != nil {
			return err
		}
		all.add(some)
	}
	n := len(b.records)
	switch last := b.records[n-1]; {
	case head.Revision == last.revision && !bytes.Equal(head.Hash, last.hash):
		return fmt.Errorf("%w: revision %d", errUnproven, last.revision)
	case head.Revision != last.revision:
		n--
	}
	if n == 0 {
		return nil
	}
	if err := b.history.keep(ctx, b.records[:n], all); err != nil {
		return err
	}
	b.records = append(b.records[:0:0], b.records[n:]...)
	b.bytes, b.about, b.since = 0, about{}, time.Now()
	return nil
}

// keep writes one batch in one transaction.
func (h *History) keep(ctx context.Context, records []kept, rows rows) error {
	tx, err := h.db.BeginTx(ctx, nil)
	if err != nil {
		return fmt.Errorf("keep records: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	insert, err := tx.PrepareContext(ctx, "INSERT INTO records (revision, stored) VALUES (?, ?)")
	if err != nil {
		return fmt.Errorf("keep records: %w", err)
	}
	defer insert.Close()
	for _, r := range records {
		if _, err := insert.ExecContext(ctx, r.revision, r.stored); err != nil {
			return fmt.Errorf("keep record %d: %w", r.revision, err)
		}
	}
	if err := h.keepFacts(ctx, tx, records); err != nil {
		return err
	}
	rows.plan(h.levels)
	if err := rows.write(ctx, tx); err != nil {
		h.levels = nil
		return err
	}
	lost, err := leftUnseen(ctx, tx, records)
	if err != nil {
		h.levels = nil
		return err
	}
	if lost && !h.unfilled {
		h.unfilled = true
		if _, err := tx.ExecContext(ctx, "PRAGMA user_version = 0"); err != nil {
			return fmt.Errorf("keep records: %w", err)
		}
	}
	if err := tx.Commit(); err != nil {
		h.levels = nil
		return fmt.Errorf("keep records: %w", err)
	}
	last := records[len(records)-1]
	h.head = ledger.Head{Revision: last.revision, Hash: last.hash, CommitTime: last.rec.GetCommitTime().AsTime()}
	h.lag.reached(last.revision)
	return nil
}

func rest(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}
