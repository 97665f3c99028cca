package ipp

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"go.uber.org/zap"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// partingTime is how long a document that is under way may go on when the driver is asked to end, in wall time.
const partingTime = 3 * time.Second

// device is a printer as its driver knows it. Only Run's goroutine touches it; documents are read and sent by others,
// which tell their end through works.
type device struct {
	env      drivers.Env
	settings settings
	client   *client

	memory
	loaded bool
	kept   string // what is in the file, without its up-time
	unkept bool   // the file could not be written

	printer *printer  // nil: not met in this Run
	heard   time.Time // when the printer last answered
	pace    time.Duration
	before  string // what there was to see at the last poll
	stalled int64  // bytes sent at the last poll that failed
	works   chan *work
}

// Run implements drivers.Driver.
func (d *device) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	if err := d.remember(); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	d.printer, d.works = nil, make(chan *work, drivers.MaxCapacity)
	for _, r := range d.Runs { // a start counts once: the host hands on those that still do
		r.mayStart, r.asked, r.read = false, false, nil
	}
	defer func() {
		cancel()
		d.collect()
		d.store()
	}()
	if err := d.meet(ctx); err != nil {
		return ended(ctx, err)
	}
	timer := d.env.Clock.NewTimer(0)
	defer timer.Stop()
	d.pace = d.settings.poll
	for {
		if err := d.advance(ctx); err != nil {
			return ended(ctx, err)
		}
		d.store()
		report(d.status())
		timer.Reset(d.next())
		select {
		case <-ctx.Done():
			d.part()
			return nil
		case order := <-orders:
			if d.order(order) {
				d.pace = d.settings.poll
			}
			continue
		case w := <-d.works:
			d.finish(w)
			d.pace = d.settings.poll
		case <-timer.C():
		}
		if err := d.poll(ctx); err != nil {
			return ended(ctx, err)
		}
	}
}

// ended is how a Run ends: an error that only says that the context has ended is none.
func ended(ctx context.Context, err error) error {
	if ctx.Err() == nil {
		return err
	}
	return nil
}

// next is when to ask the printer again.
func (d *device) next() time.Duration {
	wait := d.pace
	now := d.env.Clock.Now()
	for _, r := range d.Runs {
		if r.Done && !r.ended() {
			wait = min(wait, max(r.Ready.Sub(now), 0))
		}
	}
	return wait
}

// order takes an order, and reports whether it changes something.
func (d *device) order(o *driverv1.Order) bool {
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		return d.grant(k.Grant)
	case *driverv1.Order_Stop:
		if r := d.find(k.Stop.GetRun()); r != nil && !r.ended() && !r.Stop {
			r.Stop = true
			return true
		}
	case *driverv1.Order_Settle: // the printer does not stop for it
		before := len(d.Runs)
		d.Runs = slices.DeleteFunc(d.Runs, func(r *run) bool {
			gone := r.Run == k.Settle.GetRun()
			if gone && r.work != nil {
				r.work.cancel()
			}
			return gone
		})
		return len(d.Runs) != before
	}
	return false
}

func (d *device) grant(g *driverv1.Grant) bool {
	r := d.find(g.GetRun())
	if r == nil {
		r = &run{Run: g.GetRun(), Fence: g.GetFence(), Pieces: g.GetPieces(), State: tandemv1.JobState_JOB_STATE_PENDING}
		if ready := g.GetReadyTime(); ready != nil {
			r.Ready = ready.AsTime()
		}
		d.Runs = append(d.Runs, r)
	}
	if r.ended() || r.Fence != g.GetFence() {
		return false
	}
	r.grant, r.mayStart = g, g.GetMayStart()
	return true
}

// collect waits for what is sent to end, once the context has ended. Who reads a file may hang with the share that it is on.
func (d *device) collect() {
	for _, r := range d.Runs {
		if r.work != nil && !r.work.sends {
			r.work = nil
		}
	}
	for slices.ContainsFunc(d.Runs, func(r *run) bool { return r.work != nil }) {
		d.finish(<-d.works)
	}
}

// part gives a document that is under way a last moment to arrive.
func (d *device) part() {
	patience := time.NewTimer(partingTime)
	defer patience.Stop()
	for slices.ContainsFunc(d.Runs, func(r *run) bool { return r.work != nil && r.Phase == sending }) {
		select {
		case w := <-d.works:
			d.finish(w)
		case <-patience.C:
			return
		}
	}
}

// meet asks how the printer is after a time without word, and what it knows of us.
func (d *device) meet(ctx context.Context) error {
	p, err := d.client.printer(ctx)
	if err != nil {
		return fmt.Errorf("printer at %s: %w", d.client.uri, err)
	}
	d.printer = p
	live, err := d.client.jobs(ctx, "not-completed")
	if err != nil {
		return fmt.Errorf("printer at %s: %w", d.client.uri, err)
	}
	for _, j := range live { // those that we have forgotten
		r := d.parseName(j.name)
		if r == nil || d.find(r.Run) != nil {
			continue
		}
		if j.lacksDocuments() { // it was made before we were cut off, and keeps some printers from taking another
			if err := d.client.cancel(ctx, j.id); err != nil {
				d.env.Log.Info("a job without documents is left at the printer", zap.Int("job", j.id), zap.Error(err))
			}
		} else {
			d.env.Log.Info("found a run at the printer", zap.String("run", r.Run), zap.Int("job", j.id))
			r.Phase, r.Job = sent, j.id
			d.Runs = append(d.Runs, r)
		}
	}
	if err := d.follow(ctx, p); err != nil {
		return err
	}
	d.heard = d.env.Clock.Now()
	return nil
}

// poll asks the printer. Some requests may fail before it counts as lost, and while a document makes way it is not.
func (d *device) poll(ctx context.Context) error {
	p, err := d.client.printer(ctx)
	if err == nil {
		d.printer = p
		err = d.follow(ctx, p)
	}
	if err == nil {
		d.heard = d.env.Clock.Now()
		if now := d.scene(); now != d.before {
			d.before, d.pace = now, d.settings.poll
		} else {
			d.pace = min(d.pace*3/2, d.settings.pollSlow)
		}
		return nil
	}
	if errors.Is(err, drivers.ErrDeviceReset) || errors.Is(err, errLogin) || ctx.Err() != nil {
		return err
	}
	way := d.underWay()
	moves := way != d.stalled
	d.stalled = way
	if moves || d.env.Clock.Now().Sub(d.heard) < d.settings.lostAfter {
		d.pace = d.settings.poll
		return nil
	}
	return fmt.Errorf("printer at %s: %w", d.client.uri, err)
}

// underWay counts the bytes of documents that have been sent.
func (d *device) underWay() (n int64) {
	for _, r := range d.Runs {
		if r.work != nil {
			n += r.work.progress()
		}
	}
	return n
}

// scene is everything whose change makes it worth asking often.
func (d *device) scene() string {
	var s strings.Builder
	fmt.Fprint(&s, d.printer.state, d.printer.reasons, d.printer.accepting, d.printer.ready)
	for _, r := range d.Runs {
		fmt.Fprint(&s, r.Run, r.Phase, r.State, r.Reasons, r.Good, r.Share)
	}
	return s.String()
}
