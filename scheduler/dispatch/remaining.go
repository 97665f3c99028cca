package dispatch

import (
	"math"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/duration"
	"tandem/scheduler/floor"
)

// model is how a device does an operation.
type model struct {
	device  string
	ability *tandemv1.Ability
}

// modelsOf returns the models of the devices that fit, one for each set of rates.
func (x *index) modelsOf(c *floor.Class) []model {
	if m, ok := x.models[c]; ok {
		return m
	}
	const most = 16 // of devices that are not told by their rates: the reference is a scale, not a promise
	var out []model
	seen, others := map[rates]bool{}, 0
	for _, d := range c.Fits {
		a := d.Ability(c.Operation)
		if duration.Linear(a) {
			if seen[ratesOf(a)] {
				continue
			}
			seen[ratesOf(a)] = true
		} else if others++; others > most {
			x.sampled[c] = true
			continue
		}
		out = append(out, model{d.ID, a})
	}
	x.models[c] = out
	return out
}

// reference returns the time the step takes on the fastest device that fits; 0 if none does.
func (x *index) reference(s *floor.Step) time.Duration {
	models := x.modelsOf(s.Class)
	if len(models) == 0 {
		return 0
	}
	best := time.Duration(math.MaxInt64)
	for _, m := range models {
		demand := s.Demand(m.device)
		if s.Drying() {
			demand = duration.Demand{Fixed: s.Spec.GetDuration().AsDuration()}
		}
		best = min(best, m.ability.GetSetup().AsDuration()+duration.Work(m.ability, demand))
	}
	return best
}

// least returns a time below which no device does what is left of the step, once it has begun, changeovers aside; 0 if that is not known.
func (x *index) least(f *floor.Floor, s *floor.Step) time.Duration {
	if s.Drying() || len(s.Spec.GetContourWork()) > 0 || loadedAnywhere(f, s) {
		return 0
	}
	x.modelsOf(s.Class)
	if x.sampled[s.Class] {
		return 0
	}
	least, factor := x.reference(s), f.LeastFactor(s.Operation(), s.Spec.GetMode())
	if factor == 1 {
		return least
	}
	const rounding = 4 // nanoseconds: a correction is rounded down in each part of an estimate
	return time.Duration(float64(least)*factor) - rounding
}

// loadedAnywhere says whether a device still has the step's panels from the run before, so that it takes less.
func loadedAnywhere(f *floor.Floor, s *floor.Step) bool {
	if len(s.Panels) == 0 || s.Panels[0].Place == "" {
		return false
	}
	d, ok := f.Device(s.Panels[0].Place)
	return ok && d.Continues(s)
}

// after returns what the job still takes at least once the step is done: the longest way through the steps after it, with
// their least waiting times, on the fastest devices and without changeovers.
func (x *index) after(s *floor.Step) time.Duration {
	switch len(s.Next) {
	case 0:
		return 0
	case 1:
		return x.through(s.Next[0], nil)
	}
	known := map[*floor.Step]time.Duration{}
	var longest time.Duration
	for _, n := range s.Next {
		longest = max(longest, x.through(n, known))
	}
	return longest
}

// through returns the longest way from the end of the steps before s to the end of the job.
func (x *index) through(s *floor.Step, known map[*floor.Step]time.Duration) time.Duration {
	if t, ok := known[s]; ok {
		return t
	}
	if known == nil && len(s.Next) > 1 {
		known = map[*floor.Step]time.Duration{}
	}
	var longest time.Duration
	for _, n := range s.Next {
		longest = max(longest, x.through(n, known))
	}
	if s.Open() && s.Left() > 0 {
		if !s.WaitWaived {
			longest += s.Spec.GetMinWait().AsDuration()
		}
		if !s.Drying() || !s.WaitWaived {
			longest += x.reference(s)
		}
	}
	if known != nil {
		known[s] = longest
	}
	return longest
}
