package kpi

import (
	"cmp"
	"slices"
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// DevicePart is what one device did in a part of the period.
type DevicePart struct {
	Part
	Device     string
	Operations []string // that it can do
	Account    Account
	Times      Times
	Quantities Quantities
	Values     []Value

	Runs     int // that ended
	Failed   int // of these, canceled or aborted
	Remade   int64
	AreaM2   float64
	Changes  Changeovers
	Loads    int        // media or film put on it, another roll of the same too
	Stops    int        // of its runs
	Standing []Standing // why it stood still, the longest first
}

// Changeovers are how often a device was changed over, by what a run needed and the one before it did not have.
type Changeovers struct{ Media, Film, Mode, Blade, Any int }

// Standing is how long a device stood still for one reason.
type Standing struct {
	Class Class
	Why   string // empty: it did not say
	Times int
	Long  time.Duration
}

// DeviceParts returns what each device did in each part. The devices are those that are named, or all.
func (p *Past) DeviceParts(parts []Part, only []string) ([]DevicePart, error) {
	hours, err := p.Planned()
	if err != nil {
		return nil, err
	}
	runs := map[string][]Run{}
	for _, r := range p.Runs {
		runs[r.Device] = append(runs[r.Device], r)
	}
	var out []DevicePart
	for i := range p.Devices {
		d := &p.Devices[i]
		if len(only) > 0 && !slices.Contains(only, d.ID) {
			continue
		}
		spec := p.spec(d.ID)
		spans := Spans(p.Interval, d.Changes, runs[d.ID])
		producing := producingIn(p.Interval, d.Changes, runs[d.ID])
		changeovers := p.changeovers(d.ID, runs[d.ID])
		for _, part := range parts {
			v := DevicePart{Part: part, Device: d.ID}
			for _, a := range spec.GetAbilities() {
				v.Operations = append(v.Operations, a.GetOperation())
			}
			v.Account = NewAccount(part.Interval, spans, hours)
			if v.Account.Of(Absent) == part.Length() {
				continue
			}
			v.Times = v.Account.Times()
			v.Standing = standing(part.Interval, spans)
			v.count(runs[d.ID], producing)
			v.Quantities.Parallel = spec.GetCapacity() > 1
			v.Values = DeviceValues(v.Times, v.Quantities)
			for _, c := range changeovers {
				if !c.at.Before(part.From) && c.at.Before(part.To) {
					v.Changes.add(c)
				}
			}
			for _, l := range p.Loads {
				if l.Device == d.ID && part.holds(l.At) {
					v.Loads++
				}
			}
			for _, s := range p.Stops {
				if s.Device == d.ID && part.holds(s.At) {
					v.Stops++
				}
			}
			out = append(out, v)
		}
	}
	return out, nil
}

// spec returns the device as the last floor file that names it has it.
func (p *Past) spec(id string) *tandemv1.Device {
	for _, f := range slices.Backward(p.Floors) {
		for _, d := range f.File.GetDevices() {
			if d.GetId() == id {
				return d
			}
		}
	}
	return nil
}

// producingIn returns when the device made pieces, in a period and in all of the time of the runs that reach beyond it.
func producingIn(in Interval, changes []Change, runs []Run) []Interval {
	for i := range runs {
		if r := &runs[i]; !r.Started.IsZero() && !r.Ended.IsZero() {
			in = Interval{earlier(in.From, r.Started), later(in.To, r.Ended)}
		}
	}
	var out []Interval
	for _, s := range Spans(in, changes, runs) {
		if s.Class == Production {
			out = append(out, s.Interval)
		}
	}
	return out
}

// share returns how much of a run lies in a part: by the time in which the device made pieces in it, and where there is none by the time
// that it was under way.
func (r *Run) share(part Interval, producing []Interval) float64 {
	whole := Interval{r.Started, r.Ended}
	inside := Interval{later(whole.From, part.From), earlier(whole.To, part.To)}
	switch made := within(whole, producing); {
	case whole.Length() <= 0:
		if part.holds(r.Ended) {
			return 1
		}
		return 0
	case inside.Length() <= 0:
		return 0
	case made > 0:
		return float64(within(inside, producing)) / float64(made)
	}
	return float64(inside.Length()) / float64(whole.Length())
}

// count adds up the runs. Pieces count where the run ended; what it should have taken counts where the device made them.
func (v *DevicePart) count(runs []Run, producing []Interval) {
	q := &v.Quantities
	var live []Interval
	for i := range runs {
		r := &runs[i]
		if !r.began() || !r.Ended.IsZero() && r.Ended.Before(v.From) || !r.Started.IsZero() && !r.Started.Before(v.To) {
			continue
		}
		if r.Ended.IsZero() {
			live = append(live, Interval{later(r.Started, v.From), v.To})
			continue
		}
		if !r.Started.IsZero() && r.Pieces > 0 {
			planned := float64(r.Planned) * float64(r.Made()) / float64(r.Pieces)
			q.PlannedRun += time.Duration(planned * r.share(v.Interval, producing))
		}
		if r.Ended.Before(v.From) || !r.Ended.Before(v.To) {
			continue
		}
		v.Runs++
		if r.State == tandemv1.JobState_JOB_STATE_CANCELED || r.State == tandemv1.JobState_JOB_STATE_ABORTED {
			v.Failed++
		}
		scrap := min(r.Spoiled+r.Found, r.Made())
		q.Produced += r.Made()
		q.Scrap += scrap
		q.Good += r.Made() - scrap
		v.AreaM2 += r.AreaM2()
		if r.Remake {
			v.Remade += r.Made()
		} else {
			q.Inspected += r.Made()
			q.FirstPass += r.Made() - scrap
		}
	}
	for _, l := range union(live) {
		q.Uncounted += within(l, producing)
	}
}

// trifle says whether a time is not worth a line: nobody gave a reason, and it is as short as the time between two reports of a driver
// that says first that its run has begun and then that its device works, or in which a daemon starts anew. It stays in the account.
func (s Span) trifle() bool {
	return (s.Class == Delay || s.Class == NotReported) && s.Why == "" && s.Length() < time.Minute
}

// standing adds up why a device stood still, or was kept from work.
func standing(in Interval, spans []Span) []Standing {
	var out []Standing
	for _, s := range spansIn(in, spans) {
		long := s.Overlap(in)
		if long == 0 || s.trifle() || s.Class != Delay && s.Class != Down && s.Class != Paused && s.Class != Maintenance && !s.Class.Silent() {
			continue
		}
		i := slices.IndexFunc(out, func(o Standing) bool { return o.Class == s.Class && o.Why == s.Why })
		if i < 0 {
			out = append(out, Standing{Class: s.Class, Why: s.Why})
			i = len(out) - 1
		}
		out[i].Times++
		out[i].Long += long
	}
	slices.SortStableFunc(out, func(a, b Standing) int {
		return cmp.Or(cmp.Compare(b.Long, a.Long), cmp.Compare(a.Class, b.Class), strings.Compare(a.Why, b.Why))
	})
	return out
}

// changeover is what was changed before a run began.
type changeover struct {
	at                       time.Time
	media, film, mode, blade bool
}

func (c *Changeovers) add(o changeover) {
	for _, k := range []struct {
		n  *int
		is bool
	}{{&c.Media, o.media}, {&c.Film, o.film}, {&c.Mode, o.mode}, {&c.Blade, o.blade}, {&c.Any, true}} {
		if k.is {
			*k.n++
		}
	}
}

// changeovers compares each run that began with what the ones before it needed. What nobody knows is no change.
func (p *Past) changeovers(device string, runs []Run) []changeover {
	var begun []*Run
	for i := range p.Before {
		if p.Before[i].Device == device {
			begun = append(begun, &p.Before[i])
		}
	}
	for i := range runs {
		if !runs[i].Started.IsZero() {
			begun = append(begun, &runs[i])
		}
	}
	slices.SortStableFunc(begun, func(a, b *Run) int { return cmp.Or(a.Started.Compare(b.Started), cmp.Compare(a.Fence, b.Fence)) })
	var out []changeover
	var media, film, mode, blade string
	another := func(had *string, needs string) bool {
		changed := *had != "" && needs != "" && *had != needs
		if needs != "" {
			*had = needs
		}
		return changed
	}
	for _, r := range begun {
		c := changeover{at: r.Started}
		if r.Film != "" {
			c.film = another(&film, r.Film)
		} else {
			c.media = another(&media, r.Supply)
		}
		c.mode, c.blade = another(&mode, r.Mode), another(&blade, r.Blade)
		if c.media || c.film || c.mode || c.blade {
			out = append(out, c)
		}
	}
	return out
}
