package faultsim

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/engine"
	"tandem/daemon/station"
	"tandem/drivers/sim"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

// retryAfter is how long a client waits for an answer before it asks again with the same request id.
const retryAfter = 2 * time.Second

// client asks for one thing until it has an answer.
type client struct {
	w       *World
	meta    floor.Meta
	command func() floor.Command
	done    bool
	tries   int
}

// ask lets somebody ask for something, again and again until there is an answer.
func (w *World) ask(actor, id string, command func() floor.Command) {
	c := &client{w: w, meta: metaOf(actor, id), command: command}
	w.clients = append(w.clients, c)
	c.try()
}

// metaOf is that of a request whose id says all that is asked.
func metaOf(actor, id string) floor.Meta {
	sum := sha256.Sum256([]byte(id))
	return floor.Meta{Actor: actor, RequestID: id, Fingerprint: sum[:]}
}

func (c *client) try() {
	if c.done {
		return
	}
	w := c.w
	c.tries++
	luck := w.luck("clients")
	lost, twice, away, back := luck.Below(1000), luck.Below(1000), luck.Float(), luck.Float()
	delay := func(share float64) time.Duration { return time.Duration(share * float64(30*time.Millisecond)) }
	if d := w.leader; d != nil && (lost >= w.plan.Loss || !w.inTrouble()) {
		send := func() {
			d.enter(func() {
				// Of two copies under way one may be refused and the other, decided later, carried out.
				before := w.books.rules.done[c.meta.RequestID]
				d.s.Do(c.meta, c.command(), func(r engine.Result, err error) {
					d.leave(func() {
						if lost := luck.Below(1000); lost >= w.plan.Loss || !w.inTrouble() {
							w.in(delay(back), func() { c.answered(before, r, err) })
							d.maybeDie(afterAnswer)
						}
					})
				})
			})
		}
		w.in(delay(away), send)
		if twice < w.plan.Twice && w.inTrouble() {
			w.in(delay(away)+delay(back), send)
		}
	}
	w.in(retryAfter, c.try)
}

// answered takes an answer. What has been said once stays so: what was carried out before it was asked for again is not refused.
func (c *client) answered(before bool, r engine.Result, err error) {
	w := c.w
	var refused *floor.Error
	switch {
	case c.done:
	case errors.As(err, &refused):
		c.done = true
		w.trace("%s is refused: %v", c.meta.RequestID, err)
		if refused.Reason == "REQUEST_ID_REUSED" || before {
			w.fail("%s is refused: %v; carried out before: %v", c.meta.RequestID, err, before)
		}
	case err != nil: // the daemon has stopped: ask again
	default:
		c.done = true
		w.trace("%s is answered with %s at revision %d", c.meta.RequestID, r.Subject, r.Revision)
		if len(r.Events) > 0 || r.Replayed {
			w.books.acked = append(w.books.acked, &request{id: c.meta.RequestID, print: c.meta.Fingerprint, subject: r.Subject, revision: r.Revision})
		}
	}
}

// crew are the people on the floor: they look, go, start, finish, load, count and resolve, and tell the truth.
type crew struct {
	w     *World
	scans int // so far
}

func (c *crew) plan() {
	w := c.w
	mean := 600 * time.Millisecond
	if !w.inTrouble() {
		mean = w.wallFor(5 * time.Minute)
	}
	w.in(min(time.Duration(w.luck("crew").Exponential(float64(mean))), 5*mean), func() {
		c.look()
		c.plan()
	})
}

// look lets a person look at what the daemon shows, decide, and do so a moment later, when all may be different.
func (c *crew) look() {
	w := c.w
	d := w.leader
	if d == nil {
		return
	}
	d.enter(func() {
		d.s.View(func(s engine.State) {
			for _, command := range c.decide(s) {
				pause := time.Duration(w.luck("crew").Float() * float64(100*time.Millisecond))
				c.stands(command)
				d.later(pause, func() { // to the daemon that was looked at: it knows what is meant
					d.s.Do(floor.Meta{Actor: "mira"}, command, func(_ engine.Result, err error) {
						if _, refused := errors.AsType[*floor.Error](err); refused {
							w.trace("%T is refused: %v", command, err)
						}
					})
				})
			}
		}, func(error) {})
	})
}

// decide says what a good crew does. While there is trouble it does some of it only.
func (c *crew) decide(s engine.State) (todo []floor.Command) {
	w, f, luck := c.w, s.Floor, c.w.luck("crew decides")
	do := func(cmd floor.Command) { todo = append(todo, cmd) }
	lazy := func() bool { return w.inTrouble() && luck.Below(3) == 0 }
	for _, d := range f.Devices {
		m := w.byID[d.ID]
		if m.sim != nil && !lazy() && d.State == tandemv1.DeviceState_DEVICE_STATE_STOPPED {
			m.sim.Help()
			m.look()
			m.plan(0)
		}
		if !w.inTrouble() {
			if d.LockedBy != "" {
				do(floor.UnlockDevice{Device: d.ID})
			}
			if d.Paused {
				do(floor.ResumeDevice{Device: d.ID})
			}
		}
		for _, r := range d.Live {
			if !lazy() {
				c.tend(f, r, do)
			}
		}
	}
	for _, j := range f.Jobs {
		if !j.End.IsZero() {
			continue
		}
		if j.Held && !w.inTrouble() {
			do(floor.ReleaseJob{Job: j.ID})
		}
		for _, st := range j.Steps {
			if st.Blocked != "" && !lazy() {
				c.judge(st.Runs[len(st.Runs)-1], do)
			}
			if st.Open() && st.Waiting == 0 && st.Live == nil && st.Left() == 0 && !w.inTrouble() {
				c.makeAgain(st, do)
			}
		}
	}
	return todo
}

// tend does what a live run needs of people.
func (c *crew) tend(f *floor.Floor, r *floor.Run, do func(floor.Command)) {
	// Half of what starts and ends work is scanned.
	orScan := func(command floor.Command) {
		if c.w.luck("crew tends").Below(2) == 0 {
			c.scan(r.Device.ID, r.Device.Code, r.Step.Panels[0].Code)
			return
		}
		do(command)
	}
	switch {
	case r.Unknown() || r.Device.Retired:
		c.judge(r, do)
	case r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.MayStart:
		if r.NeedsLoad() {
			if c.w.inTrouble() && c.w.luck("crew overrides").Below(8) == 0 {
				do(floor.StartRun{Run: r.ID, Override: "the customer has seen it"})
				return
			}
			do(c.load(f, r))
		}
		orScan(floor.StartRun{Run: r.ID})
	case r.Device.Manual() && !r.Step.Drying() && r.State == tandemv1.JobState_JOB_STATE_PROCESSING:
		orScan(floor.FinishRun{Run: r.ID})
	case r.Device.Manual() && r.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
		do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
	}
}

// load puts on a device what a run needs: media that nobody keeps account of, or a roll that is there or comes.
func (c *crew) load(f *floor.Floor, r *floor.Run) floor.Command {
	media := r.Step.Supply()
	if c.w.luck("crew loads").Below(2) == 0 {
		return floor.LoadMedia{Device: r.Device.ID, Media: media}
	}
	for _, l := range f.Lots() {
		if l.Media() == media && l.Device == nil && l.Remaining >= r.Step.Spec.GetLengthUm() {
			return floor.LoadMedia{Device: r.Device.ID, Lot: l.ID}
		}
	}
	return floor.ReceiveLot{Lot: &tandemv1.Lot{Media: media}}
}

// judge is a person who goes to the machine, looks what lies there, and says so. What the machine still has in hand it will
// tell itself.
func (c *crew) judge(r *floor.Run, do func(floor.Command)) {
	w := c.w
	m, e := w.byID[r.Device.ID], w.books.runs[r.ID]
	if m.sim == nil {
		do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
		return
	}
	if k := m.knows(r.ID); k != nil && r.Step.Live == r {
		waits := k.Loaded && !r.Device.Retired // what lies on a device that has left the floor file never begins
		if k.Moves || waits || !k.Loaded && m.host != nil || w.luck("crew judges").Below(4) > 0 {
			return
		}
	}
	// Where the ledger knows of more spoiled pieces than the machine made, there is no room for all that are good.
	good := min(e.made-e.spoiled, r.Pieces-r.Spoiled)
	if good == 0 {
		do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
		return
	}
	do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_KEEP, Good: good})
}

// makeAgain does what a step without good pieces asks for: they are made again, or that has been done and the job is given up.
func (c *crew) makeAgain(st *floor.Step, do func(floor.Command)) {
	if c.w.luck("crew gives up").Below(4) == 0 {
		do(floor.CancelJob{Job: st.Job.ID})
		return
	}
	for _, p := range st.Panels {
		for _, t := range st.Job.Steps {
			if p.Spoiled > 0 && len(t.Runs) > 0 && slices.Contains(t.Panels, p) {
				do(floor.RemakePieces{Job: st.Job.ID, Step: t.ID(), Panel: p.ID, Pieces: p.Spoiled, AlreadySpoiled: true})
				return
			}
		}
	}
}

// stands notes a start that somebody who stands at a device asks for.
func (c *crew) stands(command floor.Command) {
	switch k := command.(type) {
	case floor.StartRun:
		c.w.books.rules.asks(commandOfPeople{run: k.Run})
	case floor.StartHere:
		c.w.books.rules.asks(commandOfPeople{step: k.Step.Job.ID + "/" + k.Step.ID(), device: k.Device.ID})
	}
}

// scan scans a device and a panel at a station that stands there. A hand may tremble: then both are scanned again at once.
func (c *crew) scan(place string, payloads ...string) {
	w := c.w
	d := w.leader
	if d == nil {
		return
	}
	trembles := w.luck("crew trembles").Below(3) == 0
	for i, payload := range payloads {
		d.later(time.Duration(i)*300*time.Millisecond, func() {
			first := new(pulled)
			c.pull(d, "at-"+place, payload, nil, first)
			if !trembles || i < len(payloads)-1 {
				return
			}
			for k, again := range payloads {
				d.later(w.wallFor(time.Duration(1+k)*1500*time.Millisecond), func() { c.pull(d, "at-"+place, again, first, new(pulled)) })
			}
		})
	}
}

// pulled is what a pull of the trigger has led to.
type pulled struct {
	at     time.Time // by the floor's clock
	starts bool
}

// atOnce is how soon two scans of a panel are one, by the floor's clock.
const atOnce = 5 * time.Second

// pull is one pull of the trigger. The one before it by the same hand may have been of the same code.
func (c *crew) pull(d *daemon, at, payload string, before, this *pulled) {
	w := c.w
	c.scans++
	id := fmt.Sprintf("scan/%s/%d", at, c.scans)
	d.s.View(func(s engine.State) {
		a := d.desk.Decide(s.Floor, s.Now, station.Scan{Station: at, Payload: payload, At: w.wall()})
		w.trace("scan of %q at %s: %s", payload, at, a.Message)
		if a.Command == nil {
			return
		}
		c.right(s.Floor, a.Command, payload)
		c.stands(a.Command)
		_, finishes := a.Command.(floor.FinishRun)
		if before != nil && before.starts && finishes && s.Now.Sub(before.at) < atOnce {
			w.fail("the scan of %q at %s is taken for two, of which one starts and one finishes", payload, at)
		}
		this.at, this.starts = s.Now, !finishes
		do := func() {
			d.s.Do(metaOf(a.Actor, id), floor.Answered{Command: a.Command, Answer: []byte("kept")},
				func(_ engine.Result, err error) {
					if err != nil {
						d.desk.Refused(at, a)
						return
					}
					d.desk.Done(at, a, d.s.State().Floor)
				})
		}
		d.later(time.Millisecond, do)
		if w.inTrouble() && w.luck("scans").Below(1000) < w.plan.Twice {
			d.later(2*time.Millisecond, do)
		}
	}, func(error) {})
}

// right checks that a panel's code never starts or finishes anything of another panel.
func (c *crew) right(f *floor.Floor, command floor.Command, payload string) {
	var step *floor.Step
	switch k := command.(type) {
	case floor.StartRun:
		if r, ok := f.Run(k.Run); ok {
			step = r.Step
		}
	case floor.StartHere:
		step = k.Step
	case floor.FinishRun:
		if r, ok := f.Run(k.Run); ok {
			step = r.Step
		}
	default:
		return
	}
	if p, ok := f.Panel(strings.TrimSpace(payload)); ok && (step == nil || !slices.Contains(step.Panels, p)) {
		c.w.fail("the scan of panel %s of %s asks for %T of another panel's run", p.ID, p.Job.ID, command)
	}
}

// act lets an act of the plan happen.
func (w *World) act(a Act) {
	w.trace("* %v", a)
	m := w.machines[a.A%uint64(len(w.machines))]
	switch a.Kind {
	case Submit:
		w.jobs++
		j := order(w.jobs, a.A, a.B)
		w.ask("client", "submit-"+j.GetId(), func() floor.Command { return floor.CreateJob{Job: proto.CloneOf(j)} })
	case Cancel, Hold, Release:
		if w.jobs == 0 {
			return
		}
		job := fmt.Sprintf("job-%d", 1+a.A%uint64(w.jobs))
		w.ask("client", fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command {
			return map[Kind]floor.Command{Cancel: floor.CancelJob{Job: job}, Hold: floor.HoldJob{Job: job}, Release: floor.ReleaseJob{Job: job}}[a.Kind]
		})
	case Spoil, Remake:
		w.spoil(a)
	case Waive:
		if w.jobs == 0 {
			return
		}
		c := floor.OverrideWait{Job: fmt.Sprintf("job-%d", 1+a.A%uint64(w.jobs)), Step: []string{"dry", "dry", "laminate"}[a.B%3], Note: "touch-dry"}
		w.ask("mira", fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command { return c })
	case Load, Measure, Override:
		w.handle(a, m)
	case Pause, Resume, Lock, Unlock:
		who := []string{supervisor, supervisor, "timo"}[a.B%3]
		w.ask(who, fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command {
			return map[Kind]floor.Command{
				Pause: floor.PauseDevice{Device: m.id}, Resume: floor.ResumeDevice{Device: m.id},
				Lock: floor.LockDevice{Device: m.id}, Unlock: floor.UnlockDevice{Device: m.id},
			}[a.Kind]
		})
	case WrongScan:
		w.wrongScan(a, m)
	default:
		w.trouble(a, m)
	}
}

// spoil is a person who finds pieces spoiled, or has spoiled ones made again.
func (w *World) spoil(a Act) {
	if w.jobs == 0 {
		return
	}
	job, panel, n := fmt.Sprintf("job-%d", 1+a.A%uint64(w.jobs)), []string{"a", "p1", "1"}[a.B%3], int32(1+a.B%2)
	if d := w.leader; d != nil {
		if j, ok := d.s.State().Floor.Job(job); ok {
			panel = j.Panels[a.B%uint64(len(j.Panels))].ID
		}
	}
	w.ask("mira", fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command {
		if d := w.leader; d != nil && a.Kind == Spoil && a.B%4 == 3 { // a person who has keyed a wrong number
			if j, ok := d.s.State().Floor.Job(job); ok {
				if b, ok := j.LastBooking(); ok {
					return floor.WithdrawSpoiled{Job: job, Panel: b.Panel, Pieces: b.Pieces, Booked: b.Revision}
				}
			}
		}
		if a.Kind == Spoil {
			return floor.SpoilPieces{Job: job, Panel: panel, Pieces: n}
		}
		return floor.RemakePieces{Job: job, Panel: panel, Step: []string{"print", "cut"}[a.B%2], Pieces: n, AlreadySpoiled: a.B%3 == 0}
	})
}

// handle is a person who puts media on a device, measures a roll, or starts a run without asking what is loaded.
func (w *World) handle(a Act, m *machine) {
	if w.leader == nil {
		return
	}
	var c floor.Command
	f, media := w.leader.s.State().Floor, []string{"white", "clear"}[a.B%2]
	lots := f.Lots()
	switch d, ok := f.Device(m.id); {
	case a.Kind == Override && ok && len(d.Live) > 0:
		r := d.Live[a.B%uint64(len(d.Live))]
		w.books.rules.asks(commandOfPeople{run: r.ID})
		c = floor.StartRun{Run: r.ID, Override: "the customer has seen it"}
	case a.Kind == Override:
		return
	case a.Kind == Measure && len(lots) > 0:
		c = floor.MeasureLot{Lot: lots[a.A%uint64(len(lots))].ID, Remaining: int64(a.B % 3_000_000)}
	case a.B%3 == 0 && len(lots) > 0:
		c = floor.LoadMedia{Device: m.id, Lot: lots[a.A%uint64(len(lots))].ID}
	case a.B%3 == 1:
		c = floor.ReceiveLot{Lot: &tandemv1.Lot{Media: media}}
	default:
		c = floor.LoadMedia{Device: m.id, Media: media}
	}
	w.ask("mira", fmt.Sprintf("%s-%d-%v", a.Kind, a.A, a.At), func() floor.Command { return c })
}

// wrongScan is a person who scans what comes to hand.
func (w *World) wrongScan(a Act, m *machine) {
	d := w.leader
	if d == nil || !d.lives() {
		return
	}
	f := d.s.State().Floor
	var codes []string
	for _, j := range f.Jobs {
		codes = append(codes, j.Code)
		for _, p := range j.Panels {
			codes = append(codes, p.Code, p.Code)
		}
	}
	for _, dev := range f.Devices {
		codes = append(codes, dev.Code)
	}
	one, two := codes[a.A%uint64(len(codes))], codes[a.B%uint64(len(codes))]
	switch a.B % 8 {
	case 6, 7:
		two = code.Undo.Code().String() // whatever this hand has done last
	case 0:
		two = one + one
	case 1:
		two = strings.ToLower(two)
	case 2:
		two = ">"
	}
	w.crew.scan(m.id, one, two)
}

// trouble is a fault.
func (w *World) trouble(a Act, m *machine) {
	d := w.leader
	switch a.Kind { //nolint:exhaustive // what clients and people do is in act
	case Crash:
		w.armed = points[a.A%uint64(len(points))]
	case Kill:
		if d != nil {
			d.die("of a signal")
		}
	case Freeze:
		if d != nil {
			d.freeze(a.For)
		}
	case Sleep: // the bus sleeps, too: what drivers send is lost
		if d != nil {
			long := 10 * a.For
			d.freeze(long)
			for _, m := range w.machines {
				m.isolate(long)
			}
		}
	case Takeover:
		if d != nil && len(w.daemons) == 1 {
			d.freeze(a.For)
			w.leader = nil
			w.in(a.For*time.Duration(a.B%3)/2, w.start)
		}
	case FullDisk:
		w.disk.full = w.now + a.For
	case NoAnswer:
		w.disk.unheard, w.disk.unstored = 1, a.A%2 == 0
	case SlowDisk:
		w.disk.slow = w.now + a.For
	case Cut:
		m.isolate(4 * a.For)
	case DriverDie:
		m.die(a.For)
	case Reboot:
		m.inject(sim.Fault{Trouble: sim.Reboot})
	case Away:
		m.inject(sim.Fault{Trouble: sim.Offline, For: a.For * time.Duration(w.plan.Scale)})
	case Stand:
		m.inject(sim.Fault{Trouble: []sim.Trouble{sim.Stop, sim.MediaEmpty}[a.B%2]})
	case GiveUp:
		m.inject(sim.Fault{Trouble: sim.MediaAbort})
	case BadPieces:
		m.inject(sim.Fault{Trouble: sim.Spoil, Pieces: int32(1 + a.B%2)})
	case ClockStep:
		w.clockOff = time.Duration(a.B%121)*time.Minute - time.Hour
	case NewFile:
		w.rewrite(m.id)
		if d != nil && a.B%4 > 0 { // or whoever starts it does not do so yet
			d.die("and is opened with another floor file")
		}
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
