package faultsim

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Ghosts are words of daemons and drivers that ought to be gone: a daemon that runs on an older copy of the ledger, one that leads no
// longer, a driver that another has followed. Nothing else in a day depends on them, since each must be refused.

// farAhead is added to a fence so that nothing but the epoch or the term speaks against its grant.
const farAhead = 1_000_000

// haunt lets a driver hear an order that it must not take, now and then.
func (m *machine) haunt() {
	w := m.w
	luck := w.luck("ghost " + m.id)
	if luck.Below(40) > 0 || !w.inTrouble() || !m.link || !m.witness.welcome {
		return
	}
	v := m.witness
	o := &driverv1.Order{Epoch: m.host.Epoch()}
	var fence uint64
	switch kind := luck.Below(5); {
	case kind == 0 && m.env.Capacity == 1 && v.seen >= v.most:
		fence = v.seen
	case kind == 1 && v.least > 1 && (m.env.Capacity > 1 || v.least-1 > v.seen):
		fence = v.least - 1
	case kind == 2 && v.term > 1:
		o.Term, fence = v.term-1, v.seen+farAhead
	case kind == 3:
		o.Epoch, fence = o.GetEpoch()-1, v.seen+farAhead
	case kind == 4 && m.sim != nil && v.live >= max(m.env.Capacity, 1) && w.books.fence > max(v.seen, v.most) && m.hasAll():
		fence = w.books.fence // of another device's run: all that come have a greater one
	}
	if fence == 0 {
		return
	}
	o.Kind = &driverv1.Order_Grant{Grant: &driverv1.Grant{
		Run: fmt.Sprintf("ghost-%d", w.events), Fence: fence, Operation: m.env.Operations[0], Pieces: 1,
	}}
	a := m.host.Order(o)
	w.trace("  a ghost tells %s %v, and hears %v", m.id, o, a)
	if a.GetRefused() == "" {
		w.fail("the driver of %s takes a grant with fence %d, epoch %d and term %d; the last fence it saw is %d, the least of its welcome %d, its epoch %d, its leader's term %d",
			m.id, fence, o.GetEpoch(), o.GetTerm(), v.seen, v.least, m.host.Epoch(), v.term)
	}
	if a.GetEpoch() == o.GetEpoch() { // for good
		v.seen = max(v.seen, fence)
	}
}

// hasAll says whether the driver knows of all live runs that are meant for it.
func (m *machine) hasAll() bool {
	return !slices.ContainsFunc(m.w.books.all, func(r *entry) bool { return r.device == m.id && !r.ended && !m.witness.had[r.run] })
}

// comesLate lets a grant come after the stop of its run: of one of which the driver has said that it never will begin, and of one that
// it has in hand, the start.
func (m *machine) comesLate(stop *driverv1.Order, a *driverv1.Answer) {
	w := m.w
	run := stop.GetStop().GetRun()
	grant := w.sent[run]
	if run == "" || grant == nil || a.GetEpoch() != stop.GetEpoch() || !w.inTrouble() {
		return
	}
	if a.GetRefused() == "" {
		if m.sim == nil {
			return
		}
		if k := m.knows(run); k != nil && k.Loaded {
			start := proto.CloneOf(grant)
			start.GetGrant().MayStart, start.GetGrant().StartBefore = true, timestamppb.New(m.time.Now().Add(floor.StartWindow))
			w.trace("  the start of %s comes after its stop: %v", run, m.host.Order(start))
		}
		return
	}
	w.in(time.Duration(w.luck("late "+m.id).Exponential(float64(time.Second))), func() {
		m.order(proto.CloneOf(grant), func(*driverv1.Answer) {})
	})
}

// welcomedByGhost lets the welcome of a daemon that leads no longer come in the place of the leader's, now and then.
func (m *machine) welcomedByGhost(answered func(*driverv1.Welcome, error)) bool {
	w, term := m.w, m.witness.term
	if w.luck("ghost welcome").Below(10) > 0 || !w.inTrouble() || term < 2 {
		return false
	}
	set := m.time.sets
	m.time.next = 3*time.Hour + m.fast
	answered(&driverv1.Welcome{Term: term - 1, TimeScale: float64(w.plan.Scale), Now: timestamppb.New(w.floorTime().Add(3 * time.Hour))}, nil)
	if m.time.sets != set {
		w.fail("the driver of %s follows a daemon of term %d, and has taken an order of term %d", m.id, term-1, term)
	}
	return true
}

// tempt asks the floor for what it must refuse: one more run than a device holds, a start on one that has left the floor file, and that
// somebody clears the lock of another.
func (d *daemon) tempt() {
	w, s := d.w, d.s.State()
	for _, dev := range s.Floor.Devices {
		unlocked, _ := s.Floor.Decide(s.Now, floor.Meta{Actor: "timo"}, floor.UnlockDevice{Device: dev.ID})
		if locker := w.books.rules.devices[dev.ID].locker; len(unlocked.Events) > 0 && locker != "timo" {
			w.fail("timo could unlock %s, which %s has locked", dev.ID, locker)
		}
		for _, r := range dev.Live {
			start, _ := s.Floor.Decide(s.Now, floor.Meta{Actor: "timo"}, floor.StartRun{Run: r.ID})
			if w.books.rules.devices[dev.ID].out && len(start.Events) > 0 {
				w.fail("timo could start %s on %s, which is not in the floor file", r.ID, dev.ID)
			}
		}
		if w.books.rules.devices[dev.ID].loaded == nil && dev.LastRun != nil {
			w.fail("%s takes %s for what is loaded on %s, whose driver has begun anew since", d.label, dev.LastRun.ID, dev.ID)
		}
		if w.books.load[dev.ID] < w.books.room[dev.ID] {
			continue
		}
		for _, j := range s.Floor.Jobs {
			for _, st := range j.Steps {
				if fits, _ := dev.Fits(st.Spec); !fits {
					continue
				}
				if _, err := s.Floor.Decide(s.Now, floor.Meta{Actor: "timo"}, floor.Grant{Step: st, Device: dev}); err == nil {
					w.fail("%s has %d runs and would be given %s/%s as well", dev.ID, w.books.load[dev.ID], j.ID, st.ID())
				}
			}
		}
	}
}

// judgedTooSoon asks the floor to take a person's word on runs that may still begin, and on those that no longer can.
func (d *daemon) judgedTooSoon() {
	w, s := d.w, d.s.State()
	for _, r := range w.books.all {
		if r.ended || !r.unknown || !r.allowed || r.started || s.Now.After(r.startBefore) || w.books.rules.devices[r.device].manual {
			continue
		}
		_, err := s.Floor.Decide(s.Now, floor.Meta{Actor: "timo"}, floor.ResolveRun{Run: r.run, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
		said, _ := errors.AsType[*floor.Error](err)
		if late := said != nil && said.Reason == "MAY_STILL_BEGIN"; late == r.void {
			w.fail("%s on %s, whose start is void: %v, is judged with %v", r.run, r.device, r.void, err)
		}
	}
}

// haunt lets the engine hear a driver that another has followed, now and then.
func (d *daemon) haunt() {
	w := d.w
	d.tempt()
	d.judgedTooSoon()
	luck := w.luck("ghost drivers")
	if luck.Below(4) > 0 || !w.inTrouble() {
		return
	}
	devices := d.s.State().Floor.Devices
	dev := devices[luck.Below(len(devices))]
	if dev.Retired || dev.Epoch < 2 || dev.Link != tandemv1.Link_LINK_ONLINE {
		return
	}
	old := &driverv1.Status{Epoch: dev.Epoch - 1, Sequence: 1, State: dev.State, Phase: dev.Phase, Link: dev.Link}
	refused := func(what string, err error) {
		said, _ := errors.AsType[*floor.Error](err)
		if err == nil || said != nil && said.Kind != floor.Stale {
			w.fail("the %s of a driver of %s that another has followed is answered with %v", what, dev.ID, err)
		}
	}
	if heard, _ := d.s.State().Live(dev.ID); heard != nil && heard.GetEpoch() == dev.Epoch { // it tells of what was given to another
		heard = proto.CloneOf(heard)
		for _, r := range w.books.all {
			if r.ended && r.device != dev.ID {
				heard.Runs = append(heard.Runs, &driverv1.RunStatus{Run: r.run, Fence: r.fence, State: tandemv1.JobState_JOB_STATE_COMPLETED})
				break
			}
		}
		d.s.Do(floor.Meta{Actor: "driver:" + dev.ID}, floor.Report{Device: dev.ID, Status: heard}, func(engine.Result, error) {})
	}
	d.s.Do(floor.Meta{Actor: "driver:" + dev.ID}, floor.Greet{Device: dev.ID, Status: old}, func(_ engine.Result, err error) { refused("hello", err) })
	d.s.Do(floor.Meta{Actor: "driver:" + dev.ID}, floor.Report{Device: dev.ID, Status: old}, func(_ engine.Result, err error) { refused("status", err) })
}
