package filejob

import (
	"context"
	"errors"
	"time"

	"go.uber.org/zap"

	"tandem/drivers"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	shortestLook = 200 * time.Millisecond // between two looks at a job under way, in floor time
	longestLook  = 5 * time.Second
	longestSleep = 24 * time.Hour
	// How often progress is kept, in floor time: a tenth of what the job takes, within these bounds. By so much a job seems
	// to take longer if the driver dies.
	shortestKeep = 10 * time.Second
	longestKeep  = 5 * time.Minute
)

// Desk drives a device that is handed one file at a time. Make it with New.
type Desk struct {
	env     drivers.Env
	files   Files
	timing  Timing
	machine Machine

	memory
	remembered bool
	changed    bool      // memory is newer than what has been kept
	kept       time.Time // when that was
	keepTold   bool      // the log has a line about a memory that cannot be kept

	grant   *driverv1.Grant // a run in hand that has not begun; nil: none
	trouble string          // why it cannot begin
	spent   bool            // its start has been used: it must be given anew
	check   context.CancelFunc
	start   context.CancelFunc
	// starting is the grant of a job that has not quite begun.
	starting *driverv1.Grant
	recheck  time.Time

	ctx    context.Context // of the present Run
	posts  chan func()
	alive  bool // the job in memory is under way and watched
	lost   error
	last   time.Time     // by the floor's clock, when time was last counted
	waited time.Duration // what was to pass until it is counted again
	watch  time.Time     // what Now shows
}

// New makes a desk. The machine gets to know it by Open.
func New(env drivers.Env, files Files, timing Timing, machine Machine) *Desk {
	return &Desk{env: env, files: files, timing: timing, machine: machine, watch: time.Unix(0, 0)}
}

// Run implements drivers.Driver.
func (d *Desk) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	if err := d.remember(); err != nil {
		return err
	}
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	d.ctx, d.posts, d.lost = ctx, make(chan func()), nil
	d.alive, d.trouble, d.spent = false, "", false
	d.check, d.start = nil, nil
	d.grant, d.starting = nil, nil // the host hands it over again
	if err := d.machine.Open(ctx, d); err != nil {
		if ctx.Err() != nil {
			return nil
		}
		return err
	}
	defer d.machine.Close()
	d.last, d.waited = d.env.Clock.Now(), 0
	d.reopen()
	timer, wall := d.env.Clock.NewTimer(0), time.NewTimer(0)
	defer timer.Stop()
	defer wall.Stop()
	for {
		d.sleep(d.look(), timer, wall)
		if d.keepDue() {
			d.tryKeep()
		}
		report(d.status())
		if d.lost != nil {
			return d.lost
		}
		select {
		case <-ctx.Done():
			d.tryKeep()
			return nil
		case order := <-orders:
			d.count()
			d.order(order)
		case do := <-d.posts:
			d.count()
			do()
		case <-timer.C():
			d.count()
		case <-wall.C:
			d.count()
		}
	}
}

// sleep sets the timers for the next look. The one of the wall is for a floor's clock that is set back meanwhile, by which
// the other would wait for as long.
func (d *Desk) sleep(wait time.Duration, timer clock.Timer, wall *time.Timer) {
	if wait < 0 {
		d.waited = longestSleep
		timer.Stop()
		wall.Stop()
		return
	}
	d.waited = wait
	timer.Reset(wait)
	wall.Reset(wait + time.Second)
}

// count counts the time that has passed, however the floor's clock has been set meanwhile.
func (d *Desk) count() {
	now := d.env.Clock.Now()
	passed := min(max(now.Sub(d.last), 0), 2*d.waited+time.Second)
	d.last, d.watch = now, d.watch.Add(passed)
	if d.Job.Live() && d.alive && d.Job.State == tandemv1.JobState_JOB_STATE_PROCESSING && !d.Job.Starting {
		d.Job.Elapsed += passed
		d.changed = true
	}
}

// Now is a stopwatch in floor time: it goes on evenly, however the floor's clock is set. Only differences mean something.
func (d *Desk) Now() time.Time { return d.watch }

// reopen decides what has become of a job that was under way before.
func (d *Desk) reopen() {
	if !d.Job.Live() {
		return
	}
	switch d.machine.Fate(d.Job) {
	case GoesOn:
		d.alive = true
		if d.Job.Starting {
			d.Begun()
		}
		if d.Job.Unknown() {
			d.GoOn()
		}
		if d.Job.Stopping && !d.Job.Done { // it was asked to stop: whether the device has heard of that, nobody has kept
			d.machine.Stop(d.Job)
		}
	case NeverBegun:
		d.Job = nil
		d.changed = true
		d.tryKeep()
	case Unclear:
		d.unknown()
	}
}

// Begun says that the device may have begun with the job.
func (d *Desk) Begun() {
	d.Job.Starting, d.Job.Start, d.starting = false, d.env.Clock.Now(), nil
	d.changed = true
}

// NotBegun says that nothing was handed over and nothing will be, and why. The run waits for another start.
func (d *Desk) NotBegun(why *Trouble) {
	stopped, settled := d.Job.Stopping, d.Job.Settled
	d.grant, d.starting, d.Job, d.alive, d.changed = d.starting, nil, nil, false, true
	d.tryKeep()
	switch {
	case settled:
		d.grant = nil
	case stopped:
		d.stopRun(d.grant.GetRun())
	default:
		d.cannot(why)
	}
}

// Post returns a function by which other goroutines let the desk's goroutine do something during the present Run. It waits
// for its turn, and reports false if ctx or that Run has ended instead.
func (d *Desk) Post() func(ctx context.Context, do func()) bool {
	ran, posts := d.ctx, d.posts
	return func(ctx context.Context, do func()) bool {
		select {
		case posts <- do:
			return true
		case <-ctx.Done():
		case <-ran.Done():
		}
		return false
	}
}

// look does what is due and returns the floor time until the next look; below 0: nothing will be due by itself.
func (d *Desk) look() time.Duration {
	now := d.env.Clock.Now()
	switch {
	case d.Job.Live() && d.alive:
		again := d.machine.Look(d.Job)
		if !d.Job.Live() {
			return 0
		}
		d.finishReady(now)
		d.overdue()
		wait := min(max(d.Job.Takes/100, shortestLook), longestLook, max(again, time.Millisecond))
		if left := d.Job.Takes - d.Job.Elapsed; left > 0 {
			wait = min(wait, left)
		}
		if d.Job.Done && d.Job.Ready.After(now) {
			wait = min(wait, d.Job.Ready.Sub(now))
		}
		return wait
	case d.Job.Live(): // a person is asked
		return -1
	default:
		wait := d.machine.Idle()
		if again := d.lookAgain(); again >= 0 && (wait < 0 || again < wait) {
			wait = again
		}
		return wait
	}
}

// Lose says that the device is lost. What was under way has an unknown outcome, unless it has been said to go on.
func (d *Desk) Lose(err error) {
	if d.lost == nil {
		d.lost = err
	}
}

// LoseJob says that the device is lost, and with it how far the job under way is.
func (d *Desk) LoseJob(err error) {
	if d.Job.Live() && d.alive {
		d.unknown()
	}
	d.Lose(err)
}

// Reset says that the device has forgotten its work.
func (d *Desk) Reset(err error) {
	if d.Job != nil {
		d.began(d.Job.Run)
	}
	d.Job, d.alive = nil, false
	d.tryKeep()
	d.Lose(errors.Join(drivers.ErrDeviceReset, err))
}

// Unknown says that nobody knows how far the job under way is, though the device may still tell.
func (d *Desk) Unknown() {
	if d.Job.Live() && !d.Job.Unknown() {
		d.stand(drivers.ReasonOutcomeUnknown)
		d.tryKeep()
	}
}

func (d *Desk) unknown() {
	d.alive = false
	if d.Job.Starting {
		d.Begun()
	}
	if d.Job.Settled {
		d.forget()
		return
	}
	d.stand(drivers.ReasonOutcomeUnknown)
	d.tryKeep()
}

// Stand says that the job stands still, and why; GoOn, that it no longer does.
func (d *Desk) Stand(reason string) {
	if d.Job.Live() && !d.Job.Unknown() {
		d.stand(reason)
	}
}

func (d *Desk) stand(reason string) {
	d.Job.State, d.Job.Reasons, d.changed = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, []string{reason}, true
}

// GoOn says that the device works.
func (d *Desk) GoOn() {
	if d.Job.Live() {
		d.Job.State, d.Job.Reasons, d.changed = tandemv1.JobState_JOB_STATE_PROCESSING, nil, true
	}
}

// Standing returns why the job stands still; "" if it does not.
func (d *Desk) Standing() string {
	if d.Job.Live() && d.Job.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && len(d.Job.Reasons) > 0 {
		return d.Job.Reasons[0]
	}
	return ""
}

// Handed says that the device has the whole file.
func (d *Desk) Handed() {
	d.Job.Handed, d.Job.Sent = true, d.Job.Size
	d.tryKeep()
}

// Complete says that the device has finished the job. It ends once it is ready.
func (d *Desk) Complete() {
	d.Job.Done, d.changed = true, true
	if d.Job.State != tandemv1.JobState_JOB_STATE_PROCESSING {
		d.GoOn()
	}
	d.finishReady(d.env.Clock.Now())
}

func (d *Desk) finishReady(now time.Time) {
	if d.Job.Live() && d.Job.Done && !now.Before(d.Job.Ready) {
		d.Finish(tandemv1.JobState_JOB_STATE_COMPLETED, "job-completed-successfully")
	}
}

// Finish ends the job (reasons: RFC 8011 section 5.3.8).
func (d *Desk) Finish(state tandemv1.JobState, reasons ...string) {
	if !d.Job.Live() {
		return
	}
	d.alive, d.Job.Starting = false, false
	if d.Job.Settled {
		d.forget()
		return
	}
	d.Job.State, d.Job.Reasons, d.Job.End = state, reasons, d.env.Clock.Now()
	d.tryKeep()
}

func (d *Desk) forget() {
	d.began(d.Job.Run)
	d.Job = nil
	d.tryKeep()
}

// Note replaces what the machine wants to know of the job after a restart, and keeps it.
func (d *Desk) Note(note any) error {
	raw, err := encodeNote(note)
	if err != nil {
		return err
	}
	d.Job.Note = raw
	return d.keep()
}

func (d *Desk) keepDue() bool {
	if !d.changed || d.Job == nil {
		return d.changed
	}
	since := d.env.Clock.Now().Sub(d.kept)
	return since < 0 || since >= min(max(d.Job.Takes/10, shortestKeep), longestKeep)
}

// tryKeep keeps what it can. What matters most, that a job was begun, has been kept before it was.
func (d *Desk) tryKeep() {
	if d.Job == nil && d.Past == nil && !d.changed {
		return
	}
	switch err := d.keep(); {
	case err != nil && !d.keepTold:
		d.env.Log.Error("progress is not kept; after a restart of the driver the outcome of the run is unknown", zap.Error(err))
		d.keepTold = true
	case err == nil:
		d.keepTold = false
	}
}
