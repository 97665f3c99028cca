package faultsim

import (
	"maps"
	"time"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// witness stands between one life of a driver's host and its device, and compares what the host hands over with what it has
// answered to the daemon: a stop that was taken reaches the machine and no start comes after it; what has been settled or
// refused for good is not taken again; a start from before the device was lost is no start after it.
type witness struct {
	drivers.Stepping

	m       *machine
	reached bool
	had     map[string]bool      // runs that the host has taken, or its device has told of
	over    map[string]string    // run -> why it must not be taken again
	stops   map[string]bool      // taken for a run that the machine had; true: handed over
	started map[string]time.Time // run -> until when the start that was handed over is good
	void    map[string]time.Time // the same, of those handed over before the device was lost

	seen        uint64 // the greatest fence of a grant that the host has judged
	least, most uint64 // of the least fences of the welcomes that have come; 0: none has
	term        uint64 // the greatest of an order that it has taken
	live        int    // runs that it has and that have not ended, when somebody looked last
	welcome     bool   // a welcome has come since the bus was reached
}

func newWitness(m *machine) *witness {
	return &witness{
		Stepping: m.dev, m: m,
		had: map[string]bool{}, over: map[string]string{}, stops: map[string]bool{}, started: map[string]time.Time{}, void: map[string]time.Time{},
	}
}

// answered takes note of an order and its answer.
func (v *witness) answered(o *driverv1.Order, a *driverv1.Answer) {
	taken, final := a.GetRefused() == "", a.GetRefused() != "" && a.GetEpoch() == o.GetEpoch()
	if taken && o.GetIntroduce() == nil {
		if o.GetTerm() < v.term {
			v.m.w.fail("the driver of %s takes an order of term %d after one of term %d", v.m.id, o.GetTerm(), v.term)
		}
		v.term = o.GetTerm()
	}
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		run := k.Grant.GetRun()
		if taken && !v.welcome && !v.had[run] {
			v.m.w.fail("the driver of %s takes %s before it has had a welcome", v.m.id, run)
		}
		if taken {
			v.had[run] = true
		}
		if taken || final {
			v.seen = max(v.seen, k.Grant.GetFence())
		}
		if why := v.over[run]; taken && why != "" {
			v.m.w.fail("the driver of %s takes %s, which %s", v.m.id, run, why)
		}
		if final {
			v.over[run] = "it had refused for good"
		}
	case *driverv1.Order_Stop:
		run := k.Stop.GetRun()
		if final {
			v.over[run] = "it had said would never begin"
		}
		if taken && v.m.sim != nil && v.moves(run) {
			v.stops[run] = v.stops[run] || false
		}
	case *driverv1.Order_Settle:
		if taken {
			v.over[k.Settle.GetRun()] = "had been settled"
		}
	}
}

// moves says whether the machine has a run under way or before it.
func (v *witness) moves(run string) bool {
	k := v.m.knows(run)
	return k != nil && (k.Moves || k.Loaded)
}

// Look implements drivers.Stepping.
func (v *witness) Look() (*driverv1.Status, time.Duration, error) {
	s, next, err := v.Stepping.Look()
	if v.reached = err == nil; !v.reached {
		maps.Copy(v.void, v.started)
	}
	v.live = 0
	for _, r := range s.GetRuns() {
		v.had[r.GetRun()] = true
		if !drivers.Ended(r.GetState()) {
			v.live++
		}
	}
	if most := max(v.m.env.Capacity, 1); v.live > most {
		v.m.w.fail("%s has been given %d runs at once, it holds %d", v.m.id, v.live, most)
	}
	return s, next, err
}

// Take implements drivers.Stepping.
func (v *witness) Take(o *driverv1.Order) {
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		v.grants(k.Grant)
	case *driverv1.Order_Stop:
		if _, ok := v.stops[k.Stop.GetRun()]; ok {
			v.stops[k.Stop.GetRun()] = true
		}
	}
	v.Stepping.Take(o)
}

func (v *witness) grants(g *driverv1.Grant) {
	run := g.GetRun()
	if !g.GetMayStart() || v.m.sim == nil {
		return
	}
	if _, stopped := v.stops[run]; stopped {
		v.m.w.fail("%s is let begin %s after its driver has taken the stop", v.m.id, run)
	}
	good := g.GetStartBefore().AsTime()
	if old, lost := v.void[run]; lost && !good.After(old) && g.GetStartTime() == nil {
		v.m.w.fail("%s is let begin %s by a start from before it was lost", v.m.id, run)
	}
	delete(v.void, run)
	v.started[run] = good
}

// stepped looks, when the host has done what was due, whether every stop has reached a machine that can be reached.
func (v *witness) stepped() {
	for run, handed := range v.stops {
		switch {
		case !v.reached || !v.moves(run):
		case !handed:
			v.m.w.fail("the driver of %s has taken the stop of %s, and the machine has not been told", v.m.id, run)
		}
	}
}

// welcomed takes note of a welcome that comes.
func (v *witness) welcomed(w *driverv1.Welcome) {
	if w.GetError() != "" {
		return
	}
	v.welcome = true
	v.most = max(v.most, w.GetMinFence())
	if v.least == 0 || w.GetMinFence() < v.least {
		v.least = w.GetMinFence()
	}
}
