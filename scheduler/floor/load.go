package floor

import (
	"iter"
	"slices"
	"time"
)

// load is what people and racks have to do at one moment: read off the live runs when it is asked for, and kept until
// something happens or time passes. Drying steps that wait for a place are noted as they are touched, so that nobody has to
// look for them.
type load struct {
	stale bool
	at    time.Time
	busy  int       // people with a run, or taking work off a device
	free  time.Time // when the first of them is expected to be free
	taken []berth
	racks bool // taken has been read

	drying map[*Step]struct{} // that may wait for a place
	all    bool               // drying has been read from every job
}

// berth is a place in a rack that is taken, or will be.
type berth struct {
	device *Device // nil: any of the class
	class  *Class
	until  time.Time
	step   *Step // that dries
}

func (l *load) touched(s *Step) {
	if l.all {
		l.drying[s] = struct{}{}
	}
}

// loadAt returns the load at a time.
func (f *Floor) loadAt(now time.Time) *load {
	l := &f.load
	if !l.stale && l.at.Equal(now) {
		return l
	}
	l.stale, l.at, l.busy, l.free, l.racks = false, now, 0, time.Time{}, false
	for until := range f.Engaged(now) {
		l.busy++
		if l.free.IsZero() || until.Before(l.free) {
			l.free = until
		}
	}
	return l
}

// Engaged yields, for each person whom a device needs at a time, until when it is expected to.
func (f *Floor) Engaged(now time.Time) iter.Seq[time.Time] {
	return func(yield func(time.Time) bool) {
		for _, d := range f.Devices {
			for _, r := range d.Live {
				if until := r.attendedUntil(); until.After(now) && !yield(until) {
					return
				}
			}
			until := d.UnloadUntil()
			if until.After(now) && len(d.Live) == 0 && !now.Before(until.Add(-d.unload)) && !yield(until) {
				return
			}
		}
	}
}

// berths returns the places in racks that are taken now, or will be by what is under way. What is dry is expected to be taken
// out, so that a panel that somebody has forgotten does not stop the printers.
func (f *Floor) berths(now time.Time) []berth {
	l := f.loadAt(now)
	if l.racks {
		return l.taken
	}
	l.racks, l.taken = true, l.taken[:0]
	for _, d := range f.Devices {
		for _, r := range d.Live {
			if r.Step.Drying() {
				l.taken = append(l.taken, berth{d, r.Step.Class, r.Step.DryUntil(), r.Step})
				continue
			}
			end := r.ExpectedEnd(now)
			for _, n := range r.Step.Next {
				if n.Drying() && n.Open() && n.Live == nil {
					l.heads(n, n.dryFrom(end))
				}
			}
		}
	}
	for _, s := range f.dryingSteps() {
		l.taken = append(l.taken, berth{nil, s.Class, s.DryUntil(), s})
	}
	l.taken = slices.DeleteFunc(l.taken, func(b berth) bool { return !b.until.After(now) })
	return l.taken
}

// heads notes that what is under way will dry until a time. Several runs may be for one drying step, which takes one place.
func (l *load) heads(n *Step, until time.Time) {
	for i := range l.taken {
		if b := &l.taken[i]; b.step == n {
			b.until = later(b.until, until)
			return
		}
	}
	l.taken = append(l.taken, berth{nil, n.Class, until, n})
}

// dryFrom returns when a drying step is over if the step before it ends at that time.
func (s *Step) dryFrom(end time.Time) time.Time {
	if s.WaitWaived {
		return end
	}
	return end.Add(s.Spec.GetDuration().AsDuration())
}

// dryingSteps returns the drying steps that wait for a place now, in no order.
func (f *Floor) dryingSteps() []*Step {
	l := &f.load
	if !l.all {
		l.all, l.drying = true, map[*Step]struct{}{}
		for _, j := range f.Jobs {
			for _, s := range j.Steps {
				if s.Drying() {
					l.drying[s] = struct{}{}
				}
			}
		}
	}
	var out []*Step
	for s := range l.drying {
		if s.Grantable() {
			out = append(out, s)
			continue
		}
		delete(l.drying, s)
	}
	return out
}

// Busy returns how many people have a run now, or take work off a device, as far as that can be expected; and when the first
// of them will be free, the zero time if nobody is busy.
func (f *Floor) Busy(now time.Time) (int, time.Time) {
	l := f.loadAt(now)
	return l.busy, l.free
}

// places returns how many places the devices of a class have.
func (c *Class) places() int {
	n := 0
	for _, d := range c.Fits {
		n += d.Capacity
	}
	return n
}

// shares says whether what is in a berth is in the way of a step of the class.
func (c *Class) shares(b berth) bool {
	if b.device != nil {
		return slices.Contains(c.Fits, b.device)
	}
	return b.class == c || slices.ContainsFunc(b.class.Fits, func(d *Device) bool { return slices.Contains(c.Fits, d) })
}
