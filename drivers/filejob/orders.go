package filejob

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// lookAgainAfter is how often a run that cannot begin is looked at again, in floor time.
const lookAgainAfter = 10 * time.Second

// order does what it is told, once.
func (d *Desk) order(o *driverv1.Order) {
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		d.take(k.Grant)
	case *driverv1.Order_Stop:
		d.stopRun(k.Stop.GetRun())
	case *driverv1.Order_Settle:
		d.settle(k.Settle.GetRun())
	}
}

func (d *Desk) take(g *driverv1.Grant) {
	switch {
	case d.Job != nil && d.Job.Run == g.GetRun():
		return // begun, and never begun again
	case slices.Contains(d.Past, g.GetRun()):
		d.env.Log.Error("a run is granted that was begun before; it is not begun again", zap.String("run", g.GetRun()))
		if !d.Job.Live() {
			d.Job = &Job{Run: g.GetRun(), Fence: g.GetFence(), Pieces: g.GetPieces()}
			d.unknown()
		}
		return
	}
	before := d.grant
	d.grant = g
	if before.GetRun() != g.GetRun() {
		d.cancelStart()
		d.trouble, d.spent = "", false
	}
	d.spent = d.spent && !g.GetMayStart()
	if !g.GetMayStart() {
		d.cancelStart()
	}
	if !d.begin() && (before.GetRun() != g.GetRun() || !sameDocuments(before, g)) {
		d.verify(false)
	}
}

func sameDocuments(a, b *driverv1.Grant) bool {
	return slices.EqualFunc(a.GetDocuments(), b.GetDocuments(), func(a, b *tandemv1.Document) bool { return proto.Equal(a, b) })
}

// mayBegin says whether the run in hand has a start that is still good.
func (d *Desk) mayBegin() bool {
	before := d.grant.GetStartBefore()
	return d.grant.GetMayStart() && !d.spent && !d.Job.Live() && (before == nil || !d.env.Clock.Now().After(before.AsTime()))
}

// begin prepares the device for the run in hand, if it may start, and begins. It reports whether that is under way.
//
// CAUTION: this leads to motion. Nothing here is a safety function: guards, light curtains and the emergency stop of the
// machine are, and whoever starts it looks first whether hands and tools are clear. A start that has come to nothing is
// spent: nothing begins later by itself, when the file is there or the device answers.
func (d *Desk) begin() bool {
	if d.start != nil {
		return true
	}
	if d.grant == nil || !d.mayBegin() {
		return false
	}
	d.cancelCheck()
	g := d.grant
	ctx, cancel := context.WithCancel(d.ctx)
	d.start = cancel
	post := d.Post()
	go func() {
		file, err := d.files.Read(ctx, g)
		var start Start
		if err == nil {
			start, err = d.machine.Prepare(ctx, g, file)
		}
		if taken := post(ctx, func() { d.prepared(ctx, file, start, err) }); !taken && err == nil {
			start.Abandon()
		}
	}()
	return true
}

// prepared begins the run in hand, unless something has come between.
func (d *Desk) prepared(ctx context.Context, file *File, start Start, err error) {
	if ctx.Err() != nil { // called back at the last moment
		if err == nil {
			start.Abandon()
		}
		return
	}
	d.start = nil
	if err != nil {
		d.cannot(err)
		return
	}
	if !d.mayBegin() {
		start.Abandon()
		d.spent = true
		return
	}
	if err := d.memorize(file, start); err != nil {
		start.Abandon()
		d.cannot(&Trouble{ReasonMemory, fmt.Errorf("nothing was begun, because it cannot be kept that it was: %w", err)})
		return
	}
	d.grant, d.starting, d.trouble, d.alive = nil, d.grant, "", true
	start.Begin(d.Job)
}

// memorize makes the run in hand a job, and keeps that before the first byte leaves.
func (d *Desk) memorize(file *File, start Start) error {
	g, was := d.grant, d.memory
	note, err := encodeNote(start.Note)
	if err != nil {
		return err
	}
	if d.Job != nil {
		d.began(d.Job.Run)
	}
	d.Job = &Job{
		Run: g.GetRun(), Fence: g.GetFence(), Pieces: g.GetPieces(), State: tandemv1.JobState_JOB_STATE_PROCESSING,
		Starting: true, Sum: file.Sum, Size: start.Size, Takes: d.timing.takes(g, start.Size), Note: note,
	}
	if g.GetReadyTime() != nil {
		d.Job.Ready = g.GetReadyTime().AsTime()
	}
	if err := d.keep(); err != nil {
		d.memory = was
		return err
	}
	return nil
}

func encodeNote(note any) (json.RawMessage, error) {
	if note == nil {
		return nil, nil
	}
	raw, err := json.Marshal(note)
	if err != nil {
		return nil, fmt.Errorf("write what the device is to be asked: %w", err)
	}
	return raw, nil
}

// cannot notes why the run in hand cannot begin. A start that was given is spent.
func (d *Desk) cannot(err error) {
	var why *Trouble
	if !errors.As(err, &why) {
		why = &Trouble{ReasonUnreadable, err}
	}
	if d.trouble != why.Reason {
		d.env.Log.Warn("the run cannot begin", zap.String("run", d.grant.GetRun()), zap.String("reason", why.Reason), zap.Error(why.Err))
	}
	d.trouble = why.Reason
	d.spent = d.grant.GetMayStart()
	d.recheck = d.Now().Add(lookAgainAfter)
}

// verify looks whether the run in hand could begin; deep: at the device as well.
func (d *Desk) verify(deep bool) {
	d.cancelCheck()
	g := d.grant
	ctx, cancel := context.WithCancel(d.ctx)
	d.check = cancel
	post := d.Post()
	go func() {
		file, err := d.files.Read(ctx, g)
		if err == nil && deep {
			var start Start
			if start, err = d.machine.Prepare(ctx, g, file); err == nil {
				start.Abandon()
			}
		}
		post(ctx, func() {
			if ctx.Err() == nil {
				d.verified(err)
			}
		})
	}()
}

func (d *Desk) verified(err error) {
	d.check = nil
	if err != nil {
		d.cannot(err)
		return
	}
	if d.trouble != "" {
		d.env.Log.Info("the run could begin now; it waits for its start", zap.String("run", d.grant.GetRun()))
	}
	d.trouble = ""
}

// lookAgain verifies a run that could not begin, now and then. It returns the time until then; below 0: there is none.
func (d *Desk) lookAgain() time.Duration {
	if d.grant == nil || d.trouble == "" || d.check != nil || d.start != nil {
		return -1
	}
	if wait := d.recheck.Sub(d.Now()); wait > 0 {
		return wait
	}
	d.verify(true)
	return -1
}

func (d *Desk) cancelCheck() {
	if d.check != nil {
		d.check()
		d.check = nil
	}
}

func (d *Desk) cancelStart() {
	if d.start != nil {
		d.start()
		d.start = nil
	}
}

func (d *Desk) stopRun(run string) {
	switch {
	case d.grant != nil && d.grant.GetRun() == run: // nothing has moved
		d.cancelStart()
		d.cancelCheck()
		if d.Job.Live() {
			d.grant = nil
			return
		}
		if d.Job != nil {
			d.began(d.Job.Run)
		}
		d.Job = &Job{
			Run: run, Fence: d.grant.GetFence(), Pieces: d.grant.GetPieces(), State: tandemv1.JobState_JOB_STATE_CANCELED,
			Reasons: []string{"job-canceled-by-operator"}, End: d.env.Clock.Now(),
		}
		d.grant, d.trouble = nil, ""
		d.tryKeep()
	case d.Job.Live() && d.Job.Run == run:
		if !d.alive {
			d.Finish(tandemv1.JobState_JOB_STATE_CANCELED, "job-canceled-by-operator", drivers.ReasonOutcomeUnknown)
			return
		}
		if d.Job.Stopping {
			return
		}
		d.Job.Stopping = true
		d.tryKeep()
		if d.Job.Done {
			d.Finish(tandemv1.JobState_JOB_STATE_CANCELED, "job-canceled-by-operator")
			return
		}
		d.machine.Stop(d.Job)
	}
}

// settle forgets a run. The device does not stop for it.
func (d *Desk) settle(run string) {
	if d.grant != nil && d.grant.GetRun() == run {
		d.cancelStart()
		d.cancelCheck()
		d.grant, d.trouble = nil, ""
	}
	switch {
	case d.Job == nil || d.Job.Run != run:
	case d.Job.Live() && d.alive && !d.Job.Unknown():
		d.Job.Settled = true
		d.tryKeep()
	default:
		if d.alive {
			d.alive = false
			d.machine.Release(d.Job)
		}
		d.forget()
	}
}

// ReadNote reads what a machine has kept of a job.
func ReadNote[T any](j *Job) (T, error) {
	var note T
	if err := json.Unmarshal(j.Note, &note); err != nil {
		return note, fmt.Errorf("read what was kept of run %s: %w", j.Run, err)
	}
	return note, nil
}
