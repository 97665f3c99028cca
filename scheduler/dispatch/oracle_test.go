package dispatch

import (
	"math"
	"slices"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// oracle makes the same choice as Dispatch by reading every step of the floor each time: the rule written down a second
// time, without an index.
type oracle struct {
	f     *floor.Floor
	now   time.Time
	waits []*floor.Step      // all that wait for a device now, in the order of intake
	means map[string]float64 // of their operations
}

func newOracle(f *floor.Floor, now time.Time) oracle {
	o := oracle{f: f, now: now, means: map[string]float64{}}
	for _, j := range f.Jobs {
		for _, s := range j.Steps {
			if s.Grantable() && !now.Before(s.Ready()) && len(o.fits(s)) > 0 {
				o.waits = append(o.waits, s)
			}
		}
	}
	for _, s := range o.waits {
		if o.means[s.Operation()] == 0 {
			o.means[s.Operation()] = o.mean(s.Operation())
		}
	}
	return o
}

// ranked is a waiting step and its index on one device.
type ranked struct {
	step  *floor.Step
	value float64 // logarithm of the ATCS index
}

// choice is what a dispatcher would grant.
type choice struct {
	step   *floor.Step
	device *floor.Device
	value  float64
}

// next returns the first grant of a device, or, where fewer people are free than devices, the best of those that need one.
func (o oracle) next() (choice, bool) {
	busy := 0
	free := 0
	for _, d := range o.f.Devices {
		for _, r := range d.Live {
			if r.Person && later(r.Grant, r.Start).Add(r.Attended).After(o.now) {
				busy++
			}
		}
		if ok, _ := d.Available(); ok {
			free++
		}
	}
	scarce := o.f.Calendar().Limited() && o.f.Calendar().Operators(o.now)-busy < free
	var best choice
	for _, d := range o.f.Devices {
		if free, _ := d.Available(); !free {
			continue
		}
		c, ok := o.forDevice(d)
		switch {
		case !ok:
		case !scarce || !c.device.Estimate(c.step, o.now).Person:
			return c, true
		case best.step == nil || c.value > best.value:
			best = c
		}
	}
	return best, best.step != nil
}

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}

// full says whether a panel would find no place to dry: what lies in a rack and is not dry by then, what waits for a place,
// and what is under way to one.
func (o oracle) full(s *floor.Step, d *floor.Device) bool {
	end := o.now.Add(d.Estimate(s, o.now).Total())
	for _, n := range s.Next {
		if n.Operation() != "dry" || n.Live != nil || !n.Open() {
			continue
		}
		places, taken := 0, 0
		for _, rack := range o.fits(n) {
			places += rack.Capacity
		}
		for _, j := range o.f.Jobs {
			for _, st := range j.Steps {
				var until time.Time
				dries := func(at time.Time) time.Time {
					if st.WaitWaived {
						return at
					}
					return at.Add(st.Spec.GetDuration().AsDuration())
				}
				switch {
				case st.Operation() != "dry" || !st.Open():
					continue
				case st.Waiting == 0 && (st.Live != nil || st.Grantable()):
					until = dries(st.Free)
				default:
					for _, b := range st.Before {
						if b.Live != nil {
							until = later(until, dries(b.Live.ExpectedEnd(o.now)))
						}
					}
				}
				if until.After(end) && until.After(o.now) {
					taken++
				}
			}
		}
		if places > 0 && taken >= places {
			return true
		}
	}
	return false
}

// hindered says whether a step cannot be begun on a free device. People's times and waits that may not be long are tested
// where they are written; places in racks are counted here once more.
func (o oracle) hindered(s *floor.Step, d *floor.Device) bool {
	h, bad := o.f.Hindered(s, d, o.now)
	if people := h.Reason == floor.ReasonUnattended || h.Reason == floor.ReasonOperatorBusy; !people && o.full(s, d) != (h.Reason == floor.ReasonRackFull) {
		panic(s.ID() + " of " + s.Job.ID + " on " + d.ID + ": full or not? The floor says " + h.Reason)
	}
	return bad
}

func (o oracle) forDevice(d *floor.Device) (choice, bool) {
	if s := o.loaded(d); s != nil {
		h, bad := o.f.Hindered(s, d, o.now)
		if !bad {
			return choice{step: s, device: d, value: math.Inf(1)}, true
		}
		if h.Reason != floor.ReasonUnattended {
			return choice{}, false
		}
	}
	promised := map[*floor.Device]time.Time{}
	var least *choice
	var leastLoss time.Duration
	waiting := o.ranked(d)
	hindered := 0
	for i, left := 0, 0; left < lookahead; i++ {
		if i >= len(waiting) {
			return choice{}, false
		}
		w := waiting[i]
		if o.now.Before(w.step.RefusedUntil(d.ID)) {
			left++
			continue
		}
		if o.hindered(w.step, d) {
			if h, _ := o.f.Hindered(w.step, d, o.now); !alike(w.step, d, h) {
				hindered++
			}
			if hindered > mostHindered {
				return choice{}, false
			}
			continue
		}
		left++
		to, start, finish := o.earliest(w.step, d, promised)
		if free, _ := to.Available(); start.Equal(o.now) && free && promised[to].IsZero() {
			return choice{w.step, to, w.value}, true
		}
		if loss := o.now.Add(d.Estimate(w.step, o.now).Total()).Sub(finish); least == nil || loss < leastLoss {
			least, leastLoss = &choice{w.step, d, w.value}, loss
		}
		promised[to] = finish
	}
	if least == nil {
		return choice{}, false
	}
	return *least, true
}

// loaded returns the first step after the device's last run that goes on with the panel on it.
func (o oracle) loaded(d *floor.Device) *floor.Step {
	if d.LastRun == nil {
		return nil
	}
	for _, s := range d.LastRun.Step.Next {
		if slices.Contains(o.fits(s), d) && slices.Contains(o.waits, s) && d.Continues(s) && !o.now.Before(s.RefusedUntil(d.ID)) {
			return s
		}
	}
	return nil
}

func (o oracle) fits(s *floor.Step) []*floor.Device {
	return slices.DeleteFunc(slices.Clone(o.f.Devices), func(d *floor.Device) bool { ok, _ := d.Fits(s.Spec); return !ok })
}

// ranked returns the steps that wait and that d could do, best first.
func (o oracle) ranked(d *floor.Device) []ranked {
	var out []ranked
	for _, s := range o.waits {
		if slices.Contains(o.fits(s), d) {
			out = append(out, ranked{s, o.index(s, d)})
		}
	}
	slices.SortStableFunc(out, func(a, b ranked) int { // intake breaks ties
		switch {
		case a.value > b.value:
			return -1
		case a.value < b.value:
			return 1
		}
		return 0
	})
	return out
}

// index is the logarithm of the ATCS index: ln(w/p) - max(d-p-q-t, 0)/(k1 mean p) - changeover/(k2 longest changeover).
func (o oracle) index(s *floor.Step, d *floor.Device) float64 {
	p := o.reference(s)
	due := s.Job.Create.Add(7 * 24 * time.Hour)
	if t := s.Job.Spec.GetDueTime(); t != nil {
		due = t.AsTime()
	}
	sec := func(t time.Time) float64 { return float64(t.UnixNano()) / 1e9 }
	value := math.Log(float64(s.Job.Spec.GetPriority()) / p)
	slack := sec(due) - p - o.after(s)
	if most := s.Spec.GetMaxWait(); most != nil {
		slack = min(slack, sec(s.Free.Add(most.AsDuration())))
	}
	value -= max(slack-sec(o.now), 0) / (1.5 * o.means[s.Operation()])
	a := d.Ability(s.Operation())
	if change := d.Changeover(s, a); change > 0 {
		value -= float64(change) / (0.5 * float64(max(a.GetMediaChangeover().AsDuration(), a.GetModeChangeover().AsDuration())))
	}
	return value
}

// after is the seconds that the job takes at least after a step: along every way through the steps that follow, the longest.
func (o oracle) after(s *floor.Step) float64 {
	var longest float64
	for _, n := range s.Job.Steps {
		if !slices.Contains(n.Spec.GetAfter(), s.ID()) && !slices.Contains(n.Before, s) {
			continue
		}
		way := o.after(n)
		if n.Open() && n.Left() > 0 {
			if !n.WaitWaived {
				way += n.Spec.GetMinWait().AsDuration().Seconds()
			}
			if len(o.fits(n)) > 0 && (!n.Drying() || !n.WaitWaived) {
				way += o.plain(n)
			}
		}
		longest = max(longest, way)
	}
	return longest
}

// reference is the seconds the step takes on the fastest device that fits, at least one.
func (o oracle) reference(s *floor.Step) float64 { return max(o.plain(s), 1) }

// plain is the same, down to nothing.
func (o oracle) plain(s *floor.Step) float64 {
	best := time.Duration(math.MaxInt64)
	for _, d := range o.fits(s) {
		e := d.Estimate(s, o.now)
		if s.Drying() {
			e.Work = s.Spec.GetDuration().AsDuration()
		}
		best = min(best, d.Ability(s.Operation()).GetSetup().AsDuration()+time.Duration(math.Round(float64(e.Work)/d.Factor(s))))
	}
	return best.Seconds()
}

// mean is the mean of reference over the steps of an operation that wait, taken down to a power of two and up by the root of
// two again.
func (o oracle) mean(operation string) float64 {
	var sum, n int64
	for _, s := range o.waits {
		if s.Operation() == operation {
			sum += int64(o.reference(s) * 1000)
			n++
		}
	}
	return math.Sqrt2 * math.Exp2(math.Floor(math.Log2(float64(sum)/float64(n)/1000)))
}

func (o oracle) earliest(s *floor.Step, d *floor.Device, promised map[*floor.Device]time.Time) (best *floor.Device, start, finish time.Time) {
	best, start, finish = d, o.now, o.now.Add(d.Estimate(s, o.now).Total())
	for _, other := range o.fits(s) {
		out := other.Link != tandemv1.Link_LINK_ONLINE || (other.Paused || other.LockedBy != "") && other.Back.IsZero() ||
			other.State == tandemv1.DeviceState_DEVICE_STATE_STOPPED || other.State == tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED
		if other == d || out || o.now.Before(s.RefusedUntil(other.ID)) {
			continue
		}
		at := later(other.FreeFrom(o.now), promised[other])
		if free, _ := other.Available(); free && at.Equal(o.now) && o.hindered(s, other) {
			h, _ := o.f.Hindered(s, other, o.now)
			if h.Until.IsZero() {
				continue
			}
			at = h.Until
		}
		begin, ok := o.f.Begin(other.Estimate(s, at), at)
		if end := begin.Add(other.Estimate(s, at).Total()); ok && end.Before(finish) {
			best, start, finish = other, begin, end
		}
	}
	return best, start, finish
}
