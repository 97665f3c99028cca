package faultsim

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/bus"
	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/daemon/station"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
)

const (
	period       = 2 * time.Second // of drivers' statuses
	restart      = 2 * time.Second // until a daemon that has stopped is opened anew
	orderTimeout = 5 * time.Second
	mostSilent   = 5 * period // and the driver is lost for sure
	snapshotEach = 60         // events; small, so that snapshots are part of every day
)

// daemon is one life of a daemon.
type daemon struct {
	w     *World
	s     *engine.Stepped
	file  *tandemv1.FloorFile
	ears  map[string]*bus.Ear
	words map[string][]func(done func()) // of a device that are heard one after another; the first is being answered
	desk  *station.Desk
	out   map[string]*outbox
	label string

	newest  map[string]*driverv1.Status // device -> the last that was taken
	spoken  map[string]time.Duration    // device -> when its driver was last heard
	began   time.Duration               // to listen
	dead    bool
	frozen  time.Duration // until then it does nothing
	until   time.Duration // until then it waits for its disk: what it says leaves only then
	planned bool          // a turn is entered
	wakes   time.Time     // for which a turn is entered
}

// start opens a daemon on what the disk holds, and makes it the leader.
func (w *World) start() {
	w.starts++
	d := &daemon{w: w, file: w.file, ears: map[string]*bus.Ear{}, words: map[string][]func(func()){}, desk: station.NewDesk(), out: map[string]*outbox{}, newest: map[string]*driverv1.Status{}, spoken: map[string]time.Duration{}, began: w.now, label: fmt.Sprintf("daemon-%d", w.starts)}
	w.damage()
	eng, err := engine.Open(w.ctx, engine.Options{
		Ledger: &handle{disk: w.disk, owner: d}, Clock: &floorClock{w: w, off: w.clockOff}, Dispatcher: dispatch.New(dispatch.EarliestCompletion),
		File: d.file, Send: d.send, Period: period, Wall: wallClock{d}, SnapshotEvents: snapshotEach, KeepEnded: w.keepEnded,
	})
	if err != nil {
		w.fail("the daemon does not start: %v", err)
	}
	for _, id := range eng.Listens() {
		d.ears[id] = &bus.Ear{Device: id}
		d.out[id] = &outbox{d: d, m: w.byID[id]}
	}
	d.s = eng.Stepped()
	w.leader = d
	w.daemons = append(w.daemons, d)
	w.trace("%s starts at revision %d, its clock off by %v", d.label, len(w.books.records), w.clockOff)
	d.compare("after a start")
	d.safely(func() {
		if err := d.s.Begin(w.ctx); err != nil {
			d.stop(err)
		}
	})
	if d.dead {
		return
	}
	d.plan()
	d.tickAgain()
	for _, m := range w.machines {
		m.relink()
	}
}

func (d *daemon) lives() bool { return !d.dead && d.w.now >= d.frozen }

// freeze lets the daemon stand still for a while.
func (d *daemon) freeze(long time.Duration) {
	d.frozen = max(d.frozen, min(d.w.now+long, d.w.plan.Calm))
	d.began = max(d.began, d.frozen)
}

// compare holds the floor that the daemon has restored against one folded from the records alone, and against what clients
// have been told.
func (d *daemon) compare(when string) {
	w, f := d.w, d.s.State().Floor
	folded := floor.New()
	for _, rec := range w.books.records {
		folded.ApplyRecord(proto.CloneOf(rec))
	}
	if a, b := f.Snapshot(), folded.Snapshot(); !proto.Equal(a, b) {
		w.fail("%s the floor is not the one that the records give", when)
	}
	snap, err := w.disk.LoadSnapshot(w.ctx)
	if err == nil && snap != nil {
		_, err = floor.Restore(snap)
	}
	if err != nil {
		w.fail("%s the snapshot cannot be used: %v", when, err)
	}
	mine, theirs := interview(f, d.s.State().Now), interview(folded, d.s.State().Now)
	for i, a := range mine {
		if i >= len(theirs) || a.says != theirs[i].says {
			w.fail("%s the floor does not answer as one that has seen every record: %s", when, a.question())
		}
	}
	w.books.kept(func(q *request) (string, uint64, bool) {
		got, err := f.Replayed(floor.Meta{RequestID: q.id, Fingerprint: q.print})
		return got.Subject, got.Revision, err == nil && got.Replayed
	}, when)
}

// safely does something in the daemon's process, in which it may die.
func (d *daemon) safely(do func()) {
	defer func() {
		if r := recover(); r != nil {
			if at, ok := r.(died); ok {
				d.die(at.point)
				return
			}
			panic(r)
		}
	}()
	do()
}

// maybeDie lets the leader die if it is to do so at this point.
func (d *daemon) maybeDie(point string) {
	if d.w.armed == point && d.w.leader == d {
		d.w.armed = ""
		panic(died{point})
	}
}

// die ends the daemon's process. Another one is started a little later.
func (d *daemon) die(how string) {
	if d.dead {
		return
	}
	w := d.w
	w.trace("%s dies %s", d.label, how)
	d.gone()
	if w.leader != d {
		return
	}
	w.leader = nil
	for _, m := range w.machines {
		m.unlink()
	}
	w.in(time.Duration(w.luck("restart").Exponential(float64(restart))), w.start)
}

func (d *daemon) gone() {
	d.dead = true
	// Somebody may be going through the list: daemons die while they listen.
	d.w.daemons = slices.DeleteFunc(slices.Clone(d.w.daemons), func(o *daemon) bool { return o == d })
}

// stop is what the program does whose engine has stopped: it opens everything anew, unless another leads.
func (d *daemon) stop(err error) {
	w := d.w
	w.trace("%s stops: %v", d.label, err)
	if w.leader == d && errors.Is(err, ledger.ErrConflict) {
		w.fail("%s leads alone and stops with %v", d.label, err)
	}
	if errors.Is(err, ledger.ErrInvalid) {
		w.fail("%s has decided what its ledger must not hold: %v", d.label, err)
	}
	d.die("and is opened anew")
}

// later does something in the daemon's process after a while, unless it is dead by then.
func (d *daemon) later(after time.Duration, do func()) {
	d.w.in(after, func() { d.enter(do) })
}

// enter does something in the daemon's process as soon as that runs.
func (d *daemon) enter(do func()) {
	switch {
	case d.dead:
	case d.w.now < d.frozen:
		d.w.at(d.frozen, func() { d.enter(do) })
	default:
		d.safely(do)
		d.plan()
	}
}

// leave does something outside once the disk has answered, unless the daemon has died by then.
func (d *daemon) leave(do func()) {
	if d.w.now >= d.until {
		do()
		return
	}
	d.w.at(d.until, func() {
		if !d.dead {
			d.safely(do)
		}
	})
}

// busy makes the daemon wait for its disk.
func (d *daemon) busy(wait time.Duration) { d.until = max(d.until, d.w.now) + wait }

// plan enters a turn if something waits for one.
func (d *daemon) plan() {
	if d.dead {
		return
	}
	w := d.w
	if d.s.Waiting() && !d.planned {
		d.planned = true
		w.at(max(w.now+time.Duration(w.luck("turns").Below(int(3*time.Millisecond))), d.until), d.turn)
	}
	if at := d.s.Wake(); !at.IsZero() && !at.Equal(d.wakes) {
		d.wakes = at
		w.in(w.wallFor(max(at.Sub(d.s.State().Now), 0)+time.Millisecond), func() {
			d.enter(func() {
				if d.wakes.Equal(at) {
					d.wakes = time.Time{}
					d.turn()
				}
			})
		})
	}
}

func (d *daemon) turn() {
	d.enter(func() {
		d.planned = false
		d.stepped(d.s.Turn(d.w.ctx))
	})
}

func (d *daemon) tickAgain() {
	d.later(period, func() {
		d.stepped(d.s.Tick(d.w.ctx))
		if !d.dead && d.w.leader == d {
			d.missSilent()
			d.haunt()
		}
		d.tickAgain()
	})
}

// stepped looks what a step has left behind.
func (d *daemon) stepped(err error) {
	if err != nil {
		d.stop(err)
		return
	}
	if err := d.s.State().Floor.Check(); err != nil {
		d.w.fail("%v", err)
	}
}

// send is engine.Options.Send.
func (d *daemon) send(device string, o *driverv1.Order, answered func(*driverv1.Answer, error)) {
	w := d.w
	if g := o.GetGrant(); g != nil && w.books.runs[g.GetRun()] == nil {
		w.fail("an order grants %s, which is not in the ledger", g.GetRun())
	}
	if g := o.GetGrant(); g != nil {
		w.sent[g.GetRun()] = o
		heard, _ := d.s.State().Live(device)
		listed := slices.ContainsFunc(heard.GetRuns(), func(r *driverv1.RunStatus) bool { return r.GetRun() == g.GetRun() })
		if w.leader == d && w.books.runs[g.GetRun()].unknown && !listed {
			w.fail("%s is granted to %s again, and nobody knows how far it got", g.GetRun(), device)
		}
	}
	box := d.out[device]
	if box == nil {
		answered(nil, errNoDevice)
		return
	}
	box.post(o, answered)
	d.maybeDie(afterOrder)
}

// outbox sends a device's orders one after another, each when the one before is answered or given up.
type outbox struct {
	d       *daemon
	m       *machine
	waiting []posted
	busy    bool
	turn    int
}

type posted struct {
	order    *driverv1.Order
	answered func(*driverv1.Answer, error)
}

var (
	errNoAnswer = errors.New("no answer in time")
	errNoDevice = errors.New("the floor file has no such device")
)

func (o *outbox) post(order *driverv1.Order, answered func(*driverv1.Answer, error)) {
	o.waiting = append(o.waiting, posted{proto.CloneOf(order), answered})
	o.next()
}

func (o *outbox) next() {
	if o.busy || len(o.waiting) == 0 {
		return
	}
	p := o.waiting[0]
	o.waiting = o.waiting[1:]
	o.busy = true
	o.turn++
	turn := o.turn
	done := func(a *driverv1.Answer, err error) {
		if turn != o.turn || !o.busy {
			return
		}
		o.busy = false
		p.answered(a, err)
		o.next()
	}
	o.d.leave(func() {
		o.m.carry(func() {
			o.m.order(proto.CloneOf(p.order), func(a *driverv1.Answer) {
				o.m.carry(func() { o.d.enter(func() { done(a, nil) }) })
			})
		})
	})
	o.d.later(orderTimeout, func() { done(nil, errNoAnswer) })
}

// watcher follows the ledger through whatever daemon leads, as a client does that resumes where it was.
type watcher struct {
	w      *World
	n      int
	seen   uint64
	folded *floor.Floor
}

func newWatcher(w *World, n int) *watcher { return &watcher{w: w, n: n, folded: floor.New()} }

func (v *watcher) plan() {
	v.w.in(time.Duration(v.w.luck("watch").Exponential(float64(2*time.Second))), func() {
		v.look()
		v.plan()
	})
}

func (v *watcher) look() {
	w := v.w
	if w.leader == nil || !w.leader.lives() {
		return
	}
	last, err := w.leader.s.Watch(w.ctx, v.seen, v.see)
	if err != nil {
		w.fail("watcher %d at revision %d: %v", v.n, v.seen, err)
	}
	if last != v.seen {
		w.fail("watcher %d was told of revision %d and saw %d", v.n, last, v.seen)
	}
}

func (v *watcher) see(rec *ledgerv1.Record) error {
	w := v.w
	if rec.GetRevision() != v.seen+1 {
		w.fail("watcher %d saw revision %d after %d", v.n, rec.GetRevision(), v.seen)
	}
	if !proto.Equal(rec, w.books.records[rec.GetRevision()-1]) {
		w.fail("watcher %d saw another record %d than the ledger has", v.n, rec.GetRevision())
	}
	v.seen++
	v.folded.ApplyRecord(proto.CloneOf(rec))
	return nil
}

func (v *watcher) last() {
	if n := uint64(len(v.w.books.records)); v.seen != n {
		v.w.fail("watcher %d has seen %d of %d records", v.n, v.seen, n)
	}
	if !proto.Equal(v.folded.Snapshot(), v.w.leader.s.State().Floor.Snapshot()) {
		v.w.fail("watcher %d has another floor than the daemon", v.n)
	}
}
