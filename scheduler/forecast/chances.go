package forecast

import (
	"fmt"
	"math"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/chance"
	"tandem/scheduler/floor"
	"tandem/scheduler/learn"
	"tandem/scheduler/simulate"
)

// chances is what happens by chance in one play. Everything that happens to a run has its own number, whatever happens to
// others: two plays with the same number differ only by what differs on the floor.
type chances struct {
	*forecast
	key    chance.Key
	luck   *simulate.Luck
	rates  map[string]float64 // of stops, an hour of work
	behind map[string]float64 // see simulate.Behind; the same in every play
}

func (f *forecast) chances(play int) *chances {
	return &chances{
		forecast: f, key: chance.Of(f.opt.Seed).Number(uint64(play)).Word("forecast"),
		luck: simulate.NewDoubts(f.opt.Seed, uint64(play), f.known), rates: map[string]float64{}, behind: f.behind,
	}
}

func (c *chances) of(what string, r *floor.Run) chance.Key {
	return c.key.Word(what).Word(r.Step.Job.ID).Word(r.Step.ID()).Number(uint64(r.Number))
}

// left returns how long a run that has begun will work on, given how long it has worked.
func (c *chances) left(r *floor.Run) time.Duration {
	worked := r.Worked(c.now)
	behind, ok := c.behind[r.ID]
	if !ok {
		behind = simulate.Behind(c.known, r, worked)
		c.behind[r.ID] = behind
	}
	return c.luck.Rest(r, worked, behind)
}

// react returns how long somebody takes to come: as long as somebody took before, or as is assumed.
func (c *chances) react(r *floor.Run) time.Duration {
	s := c.of("come", r).Stream()
	if n := float64(len(c.past.waits)); s.Uniform()*(n+reactionsWorth) < n {
		return c.past.waits[int(s.Uniform()*n)]
	}
	return time.Duration(s.Exponential(float64(c.opt.Reaction)))
}

// stops returns where a run stands still. How often a device does is not known for sure and is the same for all of its runs.
func (c *chances) stops(r *floor.Run, work time.Duration) []simulate.Stop {
	id := r.Device.ID
	rate, ok := c.rates[id]
	if !ok {
		shape, hours := c.past.faults(id)
		rate = gamma(shape, c.key.Word("faults").Word(id).Stream()) / hours
		c.rates[id] = rate
	}
	var out []simulate.Stop
	s := c.of("stops", r).Stream()
	const most = 20
	for left := work; len(out) < most; {
		after := time.Duration(min(s.Exponential(1/rate), 1e5) * float64(time.Hour))
		if after >= left {
			return out
		}
		out = append(out, simulate.Stop{After: after, For: c.repairTime(s.Uniform(), 0)})
		left -= after
	}
	return out
}

// repair returns how much longer a device stands still that has done so for a while.
func (c *chances) repair(d *floor.Device) time.Duration {
	var since time.Time
	if c.opt.DownSince != nil {
		since = c.opt.DownSince(d.ID)
	}
	for _, r := range d.Live {
		if s := r.StillSince(); !s.IsZero() && (since.IsZero() || s.Before(since)) {
			since = s
		}
	}
	var still time.Duration
	if !since.IsZero() {
		still = max(c.now.Sub(since), 0)
	}
	return c.repairTime(c.key.Word("repair").Word(d.ID).Uniform(), still)
}

// repairTime returns how much longer a repair takes that has taken so long already. One that is longer than nearly all goes on
// for as long again on average.
func (c *chances) repairTime(u float64, still time.Duration) time.Duration {
	if still > 0 {
		done := math.Erfc(-(math.Log(still.Seconds())-c.repairMean)/c.repairSpread/math.Sqrt2) / 2
		if done > 0.99 {
			return time.Duration(-math.Log1p(-u) * float64(still))
		}
		u = done + (1-done)*u
	}
	u = min(u, 1-1e-6)
	seconds := math.Exp(min(c.repairMean+c.repairSpread*learn.NormalQuantile(u), 16)) // at most a hundred days
	return max(time.Duration(seconds*float64(time.Second))-still, time.Second)
}

// mostArrivals bounds what a play takes: a shop that takes in so much is looked at from day to day.
const mostArrivals = 5000

// arrivals returns what comes in on a day like those that were seen: each day to come is one of the past of its kind, with the
// days of the past weighted anew in each play, because a few of them do not say for sure what the common day is (the Bayesian
// bootstrap, D. B. Rubin, Annals of Statistics 9, 1981, 130-134). Kinds of days are Monday to Friday, Saturday, and Sunday; and
// whether somebody is there. Of today only what came later in the day is taken. A past of less than two whole days is drawn
// from job by job, with the mean time between them, as if at least a day had been seen; fewer than five jobs say nothing, and nothing comes. No
// more than mostArrivals come in one play.
func (c *chances) arrivals() func() (simulate.Arrival, bool) {
	if len(c.past.jobs) < leastComes || c.opt.NothingComes {
		return nil
	}
	key, n := c.key.Word("arrivals"), 0
	next := func(of came, at time.Time) (simulate.Arrival, bool) {
		if n++; n > mostArrivals {
			return simulate.Arrival{}, false
		}
		return simulate.Arrival{At: at, Job: again(of, at, n)}, true
	}
	end := c.now.Add(c.opt.Ahead)
	if len(c.past.days) < 2 {
		s := key.Stream()
		seen := max(c.past.until.Sub(c.past.since), 24*time.Hour) // jobs that are handed in together do not come in that way all day
		mean := float64(seen) / float64(len(c.past.jobs))
		at := c.now
		return func() (simulate.Arrival, bool) {
			at = at.Add(time.Duration(s.Exponential(mean)))
			if at.After(end) {
				return simulate.Arrival{}, false
			}
			return next(c.past.jobs[int(s.Uniform()*float64(len(c.past.jobs)))], at)
		}
	}
	l := c.now.In(c.past.zone)
	date := time.Date(l.Year(), l.Month(), l.Day(), 0, 0, 0, 0, c.past.zone)
	var today day
	at := 0
	days := newDays(c.past, key.Word("days").Stream())
	draw := func() { today, at = days.like(date, key.Number(uint64(date.Unix())).Uniform()), 0 }
	draw()
	return func() (simulate.Arrival, bool) {
		for !date.After(end) {
			for at < len(today.jobs) {
				of := today.jobs[at]
				at++
				// By the clock on the wall: a shop opens at eight also after the clocks were changed.
				w := of.at.In(c.past.zone)
				when := time.Date(date.Year(), date.Month(), date.Day(), w.Hour(), w.Minute(), w.Second(), w.Nanosecond(), c.past.zone)
				if when.After(c.now) {
					return next(of, when)
				}
			}
			date = date.AddDate(0, 0, 1)
			draw()
		}
		return simulate.Arrival{}, false
	}
}

// days are those of the past with the weights they have in one play.
type days struct {
	*Past
	weights []float64
}

func newDays(p *Past, s *chance.Stream) *days {
	d := &days{Past: p, weights: make([]float64, len(p.days))}
	for i := range d.weights {
		d.weights[i] = s.Exponential(1)
	}
	return d
}

// kindOfDay tells days apart on which different things come in.
func kindOfDay(t time.Time) time.Weekday {
	if w := t.Weekday(); w == time.Saturday || w == time.Sunday {
		return w
	}
	return time.Monday
}

// like returns a day of the past that stands for a date.
func (d *days) like(date time.Time, u float64) day {
	open := d.people.Attended(date, date.AddDate(0, 0, 1)) > 0
	alike := func(o *day) bool { return o.open == open && kindOfDay(o.date) == kindOfDay(date) }
	sum := 0.0
	for i := range d.days {
		if alike(&d.days[i]) {
			sum += d.weights[i]
		}
	}
	u *= sum
	for i := range d.days {
		if !alike(&d.days[i]) {
			continue
		}
		if u -= d.weights[i]; u <= 0 {
			return d.days[i]
		}
	}
	return day{} // none like it was seen
}

// again returns a job like one that came, for another time.
func again(of came, at time.Time, n int) *tandemv1.Job {
	moved := func(t *timestamppb.Timestamp) *timestamppb.Timestamp {
		if t == nil {
			return nil
		}
		return timestamppb.New(at.Add(t.AsTime().Sub(of.at)))
	}
	j := of.job
	return &tandemv1.Job{
		Id: fmt.Sprintf("expected-%d", n), Priority: j.GetPriority(), ReleaseTime: moved(j.GetReleaseTime()), DueTime: moved(j.GetDueTime()),
		Pieces: j.GetPieces(), Panels: j.GetPanels(), Steps: j.GetSteps(), Items: j.GetItems(),
	}
}

// gamma draws from a gamma distribution with that shape, at least 1, and scale 1 (G. Marsaglia, W. W. Tsang, ACM Transactions
// on Mathematical Software 26, 2000, 363-372).
func gamma(shape float64, s *chance.Stream) float64 {
	d := shape - 1.0/3
	c := 1 / math.Sqrt(9*d)
	for {
		x := learn.NormalQuantile(s.Uniform())
		v := 1 + c*x
		if v <= 0 {
			continue
		}
		v = v * v * v
		if math.Log(s.Uniform()) < x*x/2+d-d*v+d*math.Log(v) {
			return d * v
		}
	}
}
