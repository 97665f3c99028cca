package faultsim

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"tandem/daemon/engine"
	"tandem/daemon/station"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

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
	if _, deviates := f.Deviation(s.Now); deviates && !w.inTrouble() {
		do(floor.SetAttendance{}) // everybody comes as planned
	}
	if w.books.rules.presence.at(s.Now) == 0 && luck.Below(4) > 0 { // else somebody is there all the same
		return todo
	}
	if !lazy() {
		c.review(f, s.Now, do)
	}
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
				c.tend(f, r, s.Now, do)
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
				c.judge(st.Runs[len(st.Runs)-1], s.Now, do)
			}
			if w.inTrouble() && luck.Below(4) > 0 || st.Waiting > 0 || st.Live != nil {
				continue
			}
			if short := lostPieces(st, s.Now); st.Open() && (short || st.Left() == 0 && !w.inTrouble()) {
				c.makeAgain(st, short, do)
			}
		}
	}
	return todo
}

// tend does what a live run needs of people.
func (c *crew) tend(f *floor.Floor, r *floor.Run, now time.Time, do func(floor.Command)) {
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
		c.judge(r, now, do)
	case r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.MayStart:
		if r.NeedsLoad() {
			if c.w.inTrouble() && c.w.luck("crew overrides").Below(8) == 0 {
				do(floor.StartRun{Run: r.ID, Override: "the customer has seen it"})
				return
			}
			do(c.load(f, r))
		}
		if r.Step.Job.IsGang() && c.w.inTrouble() && c.w.luck("crew holds").Below(4) == 0 {
			do(floor.StartRun{Run: r.ID})
			do(floor.HoldJob{Job: memberOf(f, r.Step).ID}) // by somebody who has heard of a mistake a moment too late
			return
		}
		orScan(floor.StartRun{Run: r.ID})
	case r.Device.Manual() && !r.Step.Drying() && r.State == tandemv1.JobState_JOB_STATE_PROCESSING:
		orScan(floor.FinishRun{Run: r.ID})
	case r.Device.Manual() && r.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
		do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
	}
}

// memberOf returns a job whose work a step of a gang run does; the gang run itself if there is none.
func memberOf(f *floor.Floor, carrier *floor.Step) *floor.Job {
	for _, j := range f.Jobs {
		for _, s := range j.Steps {
			if s.Carrier == carrier {
				return j
			}
		}
	}
	return carrier.Job
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
func (c *crew) judge(r *floor.Run, now time.Time, do func(floor.Command)) {
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
	if r.Step.Job.IsGang() && r.Good == e.made-e.spoiled && w.luck("crew abandons").Below(3) > 0 {
		do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_ABANDON})
		return
	}
	more, _, known := c.doneSince(e.step, now)
	if !known {
		return
	}
	// Where the ledger knows of more spoiled pieces than the machine made, there is no room for all that are good.
	good := min(e.made-e.spoiled+more, r.Pieces-r.Spoiled)
	if good == 0 {
		do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
		return
	}
	do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_KEEP, Good: good})
}

// lostPieces says whether a step is shown as one that has lost pieces with the gang run that did its work.
func lostPieces(st *floor.Step, now time.Time) bool {
	state, reasons := st.State(now)
	return st.Carrier != nil && state == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && slices.Contains(reasons, floor.ReasonNoPieces)
}

// makeAgain does what a step asks for that has not all its good pieces: they are made again, or that has been done and the job is given up,
// or goes on with those that there are.
func (c *crew) makeAgain(st *floor.Step, short bool, do func(floor.Command)) {
	switch luck := c.w.luck("crew gives up"); {
	case luck.Below(4) == 0:
		do(floor.CancelJob{Job: st.Job.ID})
		return
	case short && luck.Below(2) == 0:
		do(floor.OverrideWait{Job: st.Job.ID, Step: st.ID(), Note: "the rest will do"})
		return
	}
	for _, p := range st.Panels {
		for _, t := range st.Job.Steps {
			begun := len(t.Runs) > 0 || t.Carrier != nil && len(t.Carrier.Runs) > 0
			if p.Spoiled > 0 && begun && slices.Contains(t.Panels, p) {
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

// scan scans a device and a panel at a station that stands there. A hand may tremble: then both are scanned again at once, or the panel
// alone.
func (c *crew) scan(place string, payloads ...string) {
	w := c.w
	d := w.leader
	if d == nil {
		return
	}
	trembles := w.luck("crew trembles").Below(4)
	for i, payload := range payloads {
		d.later(time.Duration(i)*300*time.Millisecond, func() {
			first := new(pulled)
			c.pull(d, "at-"+place, payload, nil, first)
			if i < len(payloads)-1 {
				return
			}
			switch trembles {
			case 0:
				first.alone = true
				d.later(w.wallFor(1500*time.Millisecond), func() { c.pull(d, "at-"+place, payload, first, new(pulled)) })
			case 1:
				for k, again := range payloads {
					d.later(w.wallFor(time.Duration(1+k)*1500*time.Millisecond), func() { c.pull(d, "at-"+place, again, first, new(pulled)) })
				}
			}
		})
	}
}

// pulled is what a pull of the trigger has led to.
type pulled struct {
	at     time.Time // by the floor's clock
	starts bool
	alone  bool // it is followed by the same code and no other
	done   bool
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
		if before != nil && before.alone && before.done && s.Now.Sub(before.at) < atOnce {
			w.fail("the scan of %q at %s is taken for two, of which the second does %T", payload, at, a.Command)
		}
		this.at, this.starts = s.Now, !finishes
		do := func() {
			d.s.Do(metaOf(a.Actor, id), floor.Answered{Command: a.Command, Answer: []byte("kept")},
				func(_ engine.Result, err error) {
					if err != nil {
						d.desk.Refused(at, a)
						return
					}
					this.done = true
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
