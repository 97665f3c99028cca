package faultsim

import (
	"context"
	"fmt"
	"runtime/debug"
	"strings"
	"time"

	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/chance"
	"tandem/scheduler/simulate/agenda"
)

// dawn is when every day begins, by the true clock.
var dawn = time.Date(2026, 3, 2, 6, 0, 0, 0, time.UTC)

// patience is how long, in floor time, the last job may take once the faults have stopped.
const patience = 60 * time.Hour

// mostEvents is many times what any day needs.
const mostEvents = 1_000_000

// World is a shop on one day.
type World struct {
	plan  Plan
	file  *tandemv1.FloorFile // that the next daemon reads
	now   time.Duration       // wall time since dawn
	todo  agenda.Agenda[func()]
	lucks map[string]*chance.Stream
	ctx   context.Context

	disk      *disk
	books     *books
	leader    *daemon   // that clients and drivers reach; nil: none
	daemons   []*daemon // alive; all hear what drivers say, also one that no longer leads and does not know it
	armed     string    // the point at which the leader dies next
	clockOff  time.Duration
	keepEnded time.Duration // how long jobs that have ended stay on the floor, in floor time
	machines  []*machine
	byID      map[string]*machine
	clients   []*client
	crew      *crew
	shifts    bool
	sent      map[string]*driverv1.Order // run -> its grant, as it was sent last
	watchers  []*watcher
	jobs      int

	starts  int  // of daemons
	replays bool // records are read again that have been held against the rules before
	ended   bool
	log     func(string)
	events  int
}

// violation is panicked with by a check.
type violation struct{ text string }

// Outcome is what became of a day.
type Outcome struct {
	Plan      Plan
	Violation string        // empty: everything held
	Floor     time.Duration // floor time that was played
	Events    int
	Records   int
	Jobs      int
	Runs      int // that machines have begun
	Deaths    int // of daemons
	At        time.Duration
}

// Play plays a day. Trace, if not nil, is told what happens.
func Play(p Plan, trace func(string)) (out Outcome) {
	w := newWorld(p, trace)
	out.Plan = p
	defer func() {
		if r := recover(); r != nil {
			if v, ok := r.(violation); ok {
				out.Violation = v.text
			} else {
				out.Violation = fmt.Sprintf("panic: %v\n%s", r, debug.Stack())
			}
		}
		out.At, out.Floor, out.Events, out.Records, out.Jobs = w.now, w.now*time.Duration(p.Scale), w.events, len(w.books.records), w.jobs
		for _, r := range append(w.books.lost, w.books.all...) {
			if r.begun {
				out.Runs++
			}
		}
		out.Deaths = w.starts - 1
	}()
	w.run()
	return out
}

func newWorld(p Plan, trace func(string)) *World {
	w := &World{plan: p, lucks: map[string]*chance.Stream{}, ctx: context.Background(), byID: map[string]*machine{}, sent: map[string]*driverv1.Order{}, log: trace}
	w.shifts = w.luck("shifts").Below(3) == 0
	w.file = w.shop()
	w.keepEnded = time.Duration(1+w.luck("keep").Below(6)) * time.Hour
	w.disk = &disk{w: w, Memory: ledger.NewMemory()}
	w.books = newBooks(w, w.file)
	for _, d := range w.file.GetDevices() {
		m := newMachine(w, d)
		w.machines = append(w.machines, m)
		w.byID[d.GetId()] = m
	}
	w.crew = &crew{w: w}
	for n := range 2 {
		w.watchers = append(w.watchers, newWatcher(w, n))
	}
	return w
}

// run plays the day: first with faults, then without.
func (w *World) run() {
	w.start()
	for _, m := range w.machines {
		m.boot()
	}
	for _, a := range w.plan.Acts {
		w.at(a.At, func() { w.act(a) })
	}
	w.at(w.plan.Calm, w.calm)
	w.crew.plan()
	for _, v := range w.watchers {
		v.plan()
	}
	for !w.ended {
		at, do, ok := w.todo.Take()
		if !ok {
			w.fail("nothing happens any more")
		}
		w.now = max(w.now, time.Duration(at))
		if w.events++; w.events > mostEvents {
			w.fail("%d events, and the day does not end", w.events)
		}
		do()
	}
	w.last()
}

// at enters what happens at a wall time.
func (w *World) at(t time.Duration, do func()) { w.todo.Add(int64(max(t, w.now)), do) }

// in enters what happens after a wall time.
func (w *World) in(d time.Duration, do func()) { w.at(w.now+max(d, 0), do) }

// luck is a source of chance of its own for each name, so that leaving out an act changes little else.
func (w *World) luck(name string) *chance.Stream {
	s := w.lucks[name]
	if s == nil {
		s = chance.Of(w.plan.Seed).Word(name).Stream()
		w.lucks[name] = s
	}
	return s
}

func (w *World) fail(format string, args ...any) {
	if w.replays {
		return
	}
	panic(violation{fmt.Sprintf(format, args...)})
}

func (w *World) trace(format string, args ...any) {
	if w.log != nil && !w.replays {
		w.log(fmt.Sprintf("%12v %s %s", w.now, w.floorTime().Format("15:04:05"), fmt.Sprintf(format, args...)))
	}
}

// Wall is the wall time with nobody having set it.
func (w *World) wall() time.Time { return dawn.Add(w.now) }

// floorTime is the true time of the floor.
func (w *World) floorTime() time.Time { return dawn.Add(w.now * time.Duration(w.plan.Scale)) }

// wallFor is how long, in wall time, a floor time lasts.
func (w *World) wallFor(floor time.Duration) time.Duration {
	return (floor + time.Duration(w.plan.Scale) - 1) / time.Duration(w.plan.Scale)
}

// floorClock is a clock of the floor that is wrong by some time.
type floorClock struct {
	clock.Clock // for timers, which nobody here makes

	w    *World
	off  time.Duration
	next time.Duration // how wrong it is once it has been set
	sets int           // counts how often it has been
}

func (c *floorClock) Now() time.Time { return c.w.floorTime().Add(c.off) }

// Set follows the daemon's clock as if its time had been measured without delay, which scale makes long.
func (c *floorClock) Set(time.Time, float64) {
	c.off = c.next
	c.sets++
}

// wallClock is a process's wall clock by which it measures.
type wallClock struct {
	d *daemon
}

func (c wallClock) Now() time.Time { return c.d.w.wall() }

func (c wallClock) AfterFunc(d time.Duration, f func()) { c.d.later(d, f) }

// inTrouble says whether faults still happen.
func (w *World) inTrouble() bool { return w.now < w.plan.Calm }

// calm ends all faults: what is cut is whole, what is dead is started, everybody helps.
func (w *World) calm() {
	w.trace("calm")
	w.armed = ""
	w.disk.full, w.disk.slow, w.disk.unheard = 0, 0, 0
	w.clockOff = 0
	if w.need(); w.leader != nil && w.leader.file != w.file {
		w.leader.die("and is opened with the last floor file")
	}
	for _, m := range w.machines {
		m.cut = 0
		m.relink()
	}
	end := w.now + w.wallFor(patience)
	w.watchEnd(end)
}

// watchEnd looks now and then whether all is done.
func (w *World) watchEnd(end time.Duration) {
	if w.leader != nil && w.leader.lives() && w.allDone() {
		w.ended = true
		return
	}
	if w.now >= end {
		w.fail("%v of floor time after the last fault there is still work: %s", patience, w.unfinished())
	}
	w.in(w.wallFor(20*time.Minute), func() { w.watchEnd(end) })
}

// last are the checks of a day that has come to its end.
func (w *World) last() {
	d := w.leader
	f := d.s.State().Floor
	w.books.settle(func(run string) (good, spoiled int32, ok bool) {
		r, ok := f.Run(run)
		if !ok {
			return 0, 0, false
		}
		return r.Good, r.Spoiled, true
	})
	d.compare("at the end")
	for _, v := range w.watchers {
		v.look()
		v.last()
	}
}

// allDone says whether every job has ended and every client has its answer.
func (w *World) allDone() bool {
	for _, c := range w.clients {
		if !c.done {
			return false
		}
	}
	for _, j := range w.leader.s.State().Floor.Jobs {
		if j.End.IsZero() {
			return false
		}
	}
	return !w.leader.s.Waiting() && w.inHand() == ""
}

// inHand names a run that a driver still has in hand, as far as the leader has heard; empty: there is none. The driver of a device that
// has left the floor file keeps what it has until the device comes back.
func (w *World) inHand() string {
	for _, m := range w.machines {
		if !w.lists(m.id) {
			continue
		}
		if s, _ := w.leader.s.State().Live(m.id); len(s.GetRuns()) > 0 {
			return fmt.Sprintf("%s has %s in hand", m.id, s.GetRuns()[0].GetRun())
		}
	}
	return ""
}

// unfinished names what is left.
func (w *World) unfinished() string {
	var out []string
	for _, c := range w.clients {
		if !c.done {
			out = append(out, fmt.Sprintf("request %s has no answer after %d tries", c.meta.RequestID, c.tries))
		}
	}
	if w.leader == nil {
		return strings.Join(append(out, "nobody leads"), "; ")
	}
	s := w.leader.s.State()
	for _, j := range s.Floor.Jobs {
		for _, st := range j.Steps {
			if j.End.IsZero() && st.Open() {
				out = append(out, fmt.Sprintf("%s/%s: %s", j.ID, st.ID(), st.Explain(s.Now, s.Floor.Devices).GetSummary()))
			}
		}
	}
	for _, d := range s.Floor.Devices {
		if len(d.Live) > 0 || d.Link != tandemv1.Link_LINK_ONLINE || d.State != tandemv1.DeviceState_DEVICE_STATE_IDLE {
			out = append(out, fmt.Sprintf("%s: %v", d.ID, d.View(s.Now)))
		}
	}
	if run := w.inHand(); run != "" {
		out = append(out, run)
	}
	return strings.Join(out, ";\n  ")
}
