package engine

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers/clock"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

const (
	// mostInputs and mostBytes bound one turn, so that one record stays far below what the ledger takes.
	mostInputs = 512
	mostBytes  = 1 << 20
	// mostGrants bounds what one turn grants; the next turn goes on.
	mostGrants = 256
)

// turn is what one pass of the loop has decided and not yet stored.
type turn struct {
	now     time.Time
	events  []*ledgerv1.Event
	bytes   int
	heard   []string // devices whose drivers have spoken
	replies []func(revision uint64, err error)
	more    bool // the dispatcher had more to grant

	strangers []*input // statuses of drivers that have not said hello in this term
}

// Run leads until ctx ends or the ledger fails. It returns nil only when ctx has ended and everything decided is stored.
func (e *Engine) Run(ctx context.Context) error {
	defer close(e.done)
	defer e.saving.Wait()
	if err := e.begin(ctx); err != nil {
		return fmt.Errorf("begin to lead: %w", err)
	}
	silence := time.NewTicker(e.opt.Period)
	defer silence.Stop()
	wake := e.opt.Clock.NewTimer(time.Hour)
	defer wake.Stop()
	for {
		var err error
		e.busy.waits()
		select {
		case <-ctx.Done():
			e.end()
			return nil
		case in := <-e.inputs:
			e.busy.works()
			err = e.hearInputs(ctx, in)
		case <-wake.C():
			e.busy.works()
			err = e.turns(ctx, &turn{now: e.now()})
		case <-silence.C:
			e.busy.works()
			err = e.tick(ctx)
		}
		if err != nil {
			return err
		}
		e.arm(wake)
		e.maybeSnapshot()
	}
}

// hearInputs decides an input and all that wait behind it.
func (e *Engine) hearInputs(ctx context.Context, first *input) error {
	t := &turn{now: e.now()}
	e.take(t, first)
	e.drain(t)
	return e.turns(ctx, t)
}

// tick looks who has been silent for too long.
func (e *Engine) tick(ctx context.Context) error {
	t := &turn{now: e.now()}
	// If this loop itself was stopped for a while, nobody was silent: nobody was listened to.
	if e.since(e.lastTick) > 2*e.opt.Period {
		e.hearAll()
	}
	e.lastTick = e.opt.Wall.Now()
	e.loseSilent(t)
	e.forgetOldSent()
	if e.readOnly() == nil && t.now.Sub(e.archived) >= archiveEvery {
		if err := e.archive(t); err != nil {
			return err
		}
	}
	return e.turns(ctx, t)
}

// Jobs leave the floor a few at a time, and are looked for now and then, because that reads all of them.
const (
	archiveEvery = time.Hour
	archiveMost  = 200
)

// archive takes jobs off the floor that ended long ago.
func (e *Engine) archive(t *turn) error {
	before := len(e.floor.Jobs)
	c := floor.ArchiveJobs{EndedBefore: t.now.Add(-e.opt.KeepEnded), Most: archiveMost}
	if err := e.decide(t, floor.Meta{Actor: "daemon"}, c); err != nil {
		return err
	}
	if before-len(e.floor.Jobs) < archiveMost { // else there are more, and the next tick goes on
		e.archived = t.now
	}
	return nil
}

// turns finishes a turn, and those after it until there is nothing more to grant.
func (e *Engine) turns(ctx context.Context, t *turn) error {
	for {
		if err := e.finish(ctx, t); err != nil {
			return err
		}
		if !t.more {
			return nil
		}
		t = &turn{now: e.now()}
	}
}

// begin stores the first record of a new term.
func (e *Engine) begin(ctx context.Context) error {
	t := &turn{now: e.now()}
	if err := e.decide(t, floor.Meta{Actor: "daemon"}, floor.BeginTerm{Leader: e.opt.Leader}); err != nil {
		return err
	}
	if e.opt.File != nil {
		if err := e.decide(t, floor.Meta{Actor: "daemon"}, floor.Configure{File: e.opt.File}); err != nil {
			return err
		}
	}
	// From here on every driver has three periods to say what it has in hand.
	e.hearAll()
	e.lastTick = e.opt.Wall.Now()
	return e.finish(ctx, t)
}

// end saves a snapshot so that the next start is quick.
func (e *Engine) end() {
	e.unsaved += int(e.copied.owed.Swap(0))
	if e.unsaved > 0 && e.leads() == nil && e.readOnly() == nil {
		e.savingNow <- struct{}{}
		e.saveSnapshot(e.snapshot())
	}
}

func (e *Engine) drain(t *turn) {
	for n := 1; n < mostInputs && t.bytes < mostBytes; n++ {
		select {
		case in := <-e.inputs:
			e.take(t, in)
		default:
			return
		}
	}
}

// take decides one input. Answers wait for the commit, so that nobody sees what may not last.
func (e *Engine) take(t *turn, in *input) {
	if in.ask != nil {
		t.replies = append(t.replies, func(_ uint64, err error) {
			if err == nil && in.claim() {
				in.ask()
			}
			in.answer(reply{err: err})
		})
		return
	}
	d, err := e.floor.Decide(t.now, in.meta, in.command)
	if err == nil {
		err = e.admit(in.command, d)
	}
	if err == nil {
		e.apply(t, d.Events)
		if in.status != nil {
			e.hear(t, in)
		}
	} else if in.status != nil && notGreeted(err) {
		t.strangers = append(t.strangers, in)
	}
	t.replies = append(t.replies, func(revision uint64, lost error) {
		r := reply{result: Result{Decision: d, Revision: revision}, err: err}
		if d.Replayed {
			r.result.Revision = d.Revision
		}
		if lost != nil {
			r = reply{err: lost}
		}
		if in.then != nil && r.err == nil && in.claim() {
			in.then()
		}
		in.answer(r)
	})
}

// decide is for the engine's own commands.
func (e *Engine) decide(t *turn, m floor.Meta, c floor.Command) error {
	d, err := e.floor.Decide(t.now, m, c)
	if err != nil {
		return err
	}
	e.apply(t, d.Events)
	return nil
}

func (e *Engine) apply(t *turn, events []*ledgerv1.Event) {
	for _, ev := range events {
		e.floor.Apply(e.head.Revision+1, t.now, ev)
		t.bytes += proto.Size(ev)
	}
	t.events = append(t.events, events...)
}

// finish grants what can be granted, stores the turn, and lets the world know.
func (e *Engine) finish(ctx context.Context, t *turn) error {
	t.more = false
	for n := 0; e.readOnly() == nil; n++ {
		if n == mostGrants || t.bytes >= 2*mostBytes {
			t.more = true
			break
		}
		g, ok := e.opt.Dispatcher.Next(e.floor, t.now)
		if !ok {
			break
		}
		if err := e.decide(t, floor.Meta{Actor: "dispatch"}, g); err != nil {
			// The dispatcher and the floor disagree: a bug, but no reason to stop a shop.
			e.log.Error("grant refused by the floor", zap.String("job", g.Step.Job.ID), zap.String("step", g.Step.ID()), zap.String("device", g.Device.ID), zap.Error(err))
			break
		}
	}
	err := e.commit(ctx, t)
	if err == nil {
		e.sendOrders(e.concerned(t), t.now)
		e.askHellos(t)
	}
	for _, answer := range t.replies {
		answer(e.head.Revision, err)
	}
	return err
}

// commit stores the turn's events as one record.
func (e *Engine) commit(ctx context.Context, t *turn) error {
	if len(t.events) == 0 {
		return nil
	}
	if err := e.leads(); err != nil {
		return errors.Join(ErrStopped, fmt.Errorf("store revision %d: %w", e.head.Revision+1, err))
	}
	rec := &ledgerv1.Record{
		Revision: e.head.Revision + 1, Term: e.floor.Term, CommitTime: timestamppb.New(t.now),
		PreviousHash: e.head.Hash, Schema: floor.Schema, Events: t.events,
	}
	// What is decided must be stored even if the caller of Run has had enough meanwhile.
	head, err := e.opt.Ledger.Append(context.WithoutCancel(ctx), rec)
	if err != nil {
		return errors.Join(ErrStopped, fmt.Errorf("store revision %d: %w", rec.GetRevision(), err))
	}
	e.head = head
	e.unsaved += len(t.events)
	e.feed.publish(rec)
	return nil
}

// arm sets the timer for the moment at which time alone may let the dispatcher grant something.
func (e *Engine) arm(wake clock.Timer) {
	wake.Stop()
	if at := e.opt.Dispatcher.Wake(); !at.IsZero() {
		wake.Reset(at.Sub(e.opt.Clock.Now()) + time.Millisecond)
	}
}
