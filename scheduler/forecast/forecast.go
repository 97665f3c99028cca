// Package forecast says when jobs will be done, and how sure that is: it plays the floor forward many times from its present
// state, with the real floor and dispatch code, and counts.
//
// By chance differ, from play to play: how long runs take, from what was learned of each device (what is not known of a device
// is the same for all its runs of one play); where machines stand still, and for how long; when people come; and what else comes
// in. A date at intake would not hold if nothing that comes later could overtake: so jobs like those of the last weeks come
// in in the play, too. Of machines, people and arrivals what the floor has seen counts, and an assumption before it has.
//
// The k-th play has the same chances whatever is on the floor. Two forecasts of floors that differ by one job differ by what
// that job does, not by luck; and the same floor at the same time has the same forecast.
//
// The package is pure: no clock, no randomness of its own, nothing is started. It uses up what it is given: clones.
package forecast

import (
	"cmp"
	"fmt"
	"math"
	"slices"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
	"tandem/scheduler/learn"
	"tandem/scheduler/simulate"
)

// Options are how a forecast is made. The zero value is ready to use.
type Options struct {
	Rule    dispatch.Rule
	Advice  *dispatch.Advice // the plan that is followed; nil: the rule alone
	Samples int              // plays; 0: 200
	Seed    uint64           // of the chances
	Horizon time.Duration    // how far ahead jobs are followed; 0: 60 days
	Ahead   time.Duration    // how far ahead other jobs come in; 0: 10 days
	// Reaction is how long people take to come on average, as long as few have been seen to; 0: two minutes.
	Reaction time.Duration
	// NothingComes leaves out the jobs that usually come in.
	NothingComes bool
	// DownSince says since when a device stands still or is offline; nil or the zero time: since now, as far as its runs do not
	// tell.
	DownSince func(device string) time.Time
	// Enough is asked after each play, with their number, whether they are enough. Nil: Samples are.
	Enough func(plays int) bool
	// Stop is asked now and then; its error ends the forecast. Nil: nobody stops it.
	Stop func() error
}

const (
	standardSamples = 200
	standardHorizon = 60 * 24 * time.Hour
	standardAhead   = 10 * 24 * time.Hour
)

func (o Options) completed() Options {
	o.Samples = cmp.Or(o.Samples, standardSamples)
	o.Horizon = cmp.Or(o.Horizon, standardHorizon)
	o.Ahead = min(cmp.Or(o.Ahead, standardAhead), o.Horizon)
	o.Reaction = cmp.Or(o.Reaction, assumedReaction)
	return o
}

// Input is the present.
type Input struct {
	Floor *floor.Floor // a clone of what is open
	Now   time.Time
	Known *learn.Model // a clone of what the floor has learned of durations
	Past  *Past
}

// Job is the forecast of one job.
type Job struct {
	ID       string
	P50, P90 time.Time // zero if Stuck
	LateRisk float64   // share of plays in which it is not done when it is due; 0 if it is not due at any time
	Due      time.Time
	Stuck    string // why there is no date, in words
	Samples  int
}

// Slack returns the time from P90 to when the job is due; false if it is not due or has no date.
func (j *Job) Slack() (time.Duration, bool) {
	if j.Due.IsZero() || j.P90.IsZero() {
		return 0, false
	}
	return j.Due.Sub(j.P90), true
}

// Delay is what a new job does to one that is there.
type Delay struct {
	Job                   string
	Before, After         time.Time     // p90; zero: no date
	By                    time.Duration // on average, over the plays in which both are done
	RiskBefore, RiskAfter float64
}

// forecast is one that is being made.
type forecast struct {
	opt    Options
	base   *floor.Floor
	now    time.Time
	known  *learn.Model
	past   *Past
	jobs   []*floor.Job // open ones of base
	behind map[string]float64

	repairMean, repairSpread float64
}

func newForecast(in Input, opt Options) *forecast {
	f := &forecast{opt: opt.completed(), base: in.Floor, now: in.Now, known: in.Known, past: in.Past, behind: map[string]float64{}}
	f.repairMean, f.repairSpread = f.past.repair()
	for _, j := range f.base.Jobs {
		if j.End.IsZero() && j.Ending == tandemv1.JobState_JOB_STATE_UNSPECIFIED {
			f.jobs = append(f.jobs, j)
		}
	}
	return f
}

// play plays a floor, which is used up, and returns the ends of the jobs that have one. Where a plan is followed it is followed here
// too, in every play: made for what was expected, it is advice and no order, so what chance does to a play the dispatcher makes good.
func (f *forecast) play(on *floor.Floor, number int, ids []string) (map[string]time.Time, error) {
	c := f.chances(number)
	var plan func(*floor.Floor, time.Time) (*dispatch.Advice, error)
	if f.opt.Advice != nil {
		plan = func(*floor.Floor, time.Time) (*dispatch.Advice, error) { return f.opt.Advice, nil }
	}
	return simulate.Forward(on, simulate.Future{
		Options: simulate.Options{
			Rule: f.opt.Rule, Start: f.now, React: c.react, Duration: c.luck.Duration, Stops: c.stops, Stop: f.opt.Stop, Plan: plan,
		},
		Until: f.now.Add(f.opt.Horizon), Jobs: ids, Left: c.left, Repair: c.repair, Arrivals: c.arrivals(),
	})
}

// moving returns the ids of the jobs that can be done as things are.
func (f *forecast) moving() []string {
	var ids []string
	for _, j := range f.jobs {
		if stuck(j, f.now) == "" {
			ids = append(ids, j.ID)
		}
	}
	return ids
}

// ends are when a job ended in each play, ascending; never is the greatest.
type ends []time.Time

// Jobs returns the forecast of every open job of the floor, in the order of intake.
func Jobs(in Input, opt Options) ([]Job, error) {
	f := newForecast(in, opt)
	ids := f.moving()
	all := make(map[string]ends, len(ids))
	plays := 0
	for ; plays < f.opt.Samples && len(ids) > 0; plays++ {
		if plays > 0 && f.opt.Enough != nil && f.opt.Enough(plays) {
			break
		}
		done, err := f.play(f.base.Clone(), plays, ids)
		if err != nil {
			return nil, fmt.Errorf("forecast: play %d: %w", plays, err)
		}
		for id, at := range done {
			all[id] = append(all[id], at)
		}
	}
	out := make([]Job, 0, len(f.jobs))
	for _, j := range f.jobs {
		out = append(out, f.conclude(j, all[j.ID], plays))
	}
	return out, nil
}

// conclude sums up in how many plays a job was done when. A quantile is the order statistic of which no smaller share of
// a next play lies below it (H. A. David, H. N. Nagaraja, Order Statistics, 3rd ed., section 7.3): the k-th of n is exceeded
// with probability 1-k/(n+1).
func (f *forecast) conclude(j *floor.Job, done ends, plays int) Job {
	out := Job{ID: j.ID, Due: j.Due(), Samples: plays}
	if out.Stuck = stuck(j, f.now); out.Stuck != "" {
		out.LateRisk = 0
		if !out.Due.IsZero() {
			out.LateRisk = 1
		}
		return out
	}
	if !out.Due.IsZero() {
		late := plays
		for _, at := range done {
			if !at.After(out.Due) {
				late--
			}
		}
		out.LateRisk = float64(late) / float64(max(plays, 1))
	}
	slices.SortFunc(done, time.Time.Compare)
	out.P50, out.P90 = done.quantile(0.5, plays), done.quantile(0.9, plays)
	if out.P90.IsZero() {
		out.P50 = time.Time{}
		out.Stuck = f.waitsFor(j)
	}
	return out
}

// quantile returns a quantile of the ends in so many plays; the zero time if it is never.
func (e ends) quantile(u float64, plays int) time.Time {
	k := int(math.Ceil(u * float64(plays+1)))
	if k < 1 || k > len(e) {
		return time.Time{}
	}
	return e[k-1]
}

// stuck says why a job cannot be done before a person does something; "" if it can.
func stuck(j *floor.Job, now time.Time) string {
	if j.OnHold() {
		why := "it is held"
		if j.HoldNote != "" {
			why += ": " + j.HoldNote
		}
		return why
	}
	for _, s := range j.Steps {
		if !s.Open() {
			continue
		}
		of := s
		if s.Carrier != nil {
			of = s.Carrier
			if of.Job.OnHold() {
				return s.ID() + " is in gang run " + of.Job.ID + ", which is held"
			}
		}
		switch {
		case of.Live != nil && of.Live.Unknown(), of.Blocked != "", of.Review:
			return s.Explain(now, nil).GetSummary() // it tells of the gang run, too, and of what is lost with it
		case of.Live == nil && len(of.Class.Fits) == 0:
			return of.ID() + " fits no device of this floor"
		case of.Live == nil && of.Waiting == 0 && of.Left() == 0:
			return s.Explain(now, nil).GetSummary()
		}
	}
	return ""
}

// waitsFor says what a job waits for that was not done in nearly all plays.
func (f *forecast) waitsFor(j *floor.Job) string {
	for _, s := range j.Steps {
		if !s.Open() {
			continue
		}
		of := s
		if s.Carrier != nil {
			of = s.Carrier
		}
		devices := of.Class.Fits
		if of.Live != nil {
			devices = []*floor.Device{of.Live.Device}
		}
		if why := gone(devices); why != "" {
			return s.ID() + " waits for a device: " + why + ", and nobody has said when it is back"
		}
	}
	return fmt.Sprintf("in more than one of ten cases it is not done within %d days", int(f.opt.Horizon.Hours()/24))
}

// gone says why none of the devices is expected to take part again; "" if one is.
func gone(devices []*floor.Device) (why string) {
	for _, d := range devices {
		if out := d.Paused || d.LockedBy != ""; !d.Retired && (!out || !d.Back.IsZero()) {
			return ""
		}
		if _, reason := d.Available(); why == "" {
			why = d.ID + " " + reason
		}
	}
	return why
}

// mostDelays bounds the jobs that With names.
const mostDelays = 20

// With returns the forecast of a job that is not on the floor yet, and which of those that are it would delay, the most first:
// the same plays without and with it. Jobs that are a minute later on average or a hundredth more likely to be late are named,
// at most 20. A job that the floor would not take in is its *floor.Error.
func With(in Input, job *tandemv1.Job, opt Options) (Job, []Delay, error) {
	f := newForecast(in, opt)
	other := f.base.Clone()
	d, err := other.Decide(f.now, floor.Meta{Actor: "forecast"}, floor.CreateJob{Job: job})
	if err != nil {
		return Job{}, nil, err
	}
	for _, e := range d.Events {
		other.Apply(other.Revision+1, f.now, e)
	}
	created, _ := other.Job(job.GetId())
	ids := f.moving()
	both := append(slices.Clone(ids), created.ID)
	if stuck(created, f.now) != "" {
		both = ids // it does nothing, but the same plays tell the same of the others
	}
	without, with := make(map[string]ends, len(ids)), make(map[string]ends, len(ids))
	shifts := map[string]*shift{}
	plays := 0
	for ; plays < f.opt.Samples; plays++ {
		if plays > 0 && f.opt.Enough != nil && f.opt.Enough(plays) {
			break
		}
		a, err := f.play(f.base.Clone(), plays, ids)
		if err != nil {
			return Job{}, nil, fmt.Errorf("forecast: play %d: %w", plays, err)
		}
		b, err := f.play(other.Clone(), plays, both)
		if err != nil {
			return Job{}, nil, fmt.Errorf("forecast: play %d with the new job: %w", plays, err)
		}
		for id, at := range a {
			without[id] = append(without[id], at)
			if then, ok := b[id]; ok {
				if shifts[id] == nil {
					shifts[id] = &shift{}
				}
				shifts[id].add(then.Sub(at))
			}
		}
		for id, at := range b {
			with[id] = append(with[id], at)
		}
	}
	var delays []Delay
	for _, j := range f.jobs {
		before, after := f.conclude(j, without[j.ID], plays), f.conclude(j, with[j.ID], plays)
		d := Delay{Job: j.ID, Before: before.P90, After: after.P90, RiskBefore: before.LateRisk, RiskAfter: after.LateRisk, By: shifts[j.ID].mean()}
		if d.By >= time.Minute || d.RiskAfter-d.RiskBefore >= 0.01 {
			delays = append(delays, d)
		}
	}
	slices.SortStableFunc(delays, func(a, b Delay) int { return cmp.Compare(b.By, a.By) })
	return f.conclude(created, with[created.ID], plays), delays[:min(len(delays), mostDelays)], nil
}

// shift sums up by how much a job ends later.
type shift struct {
	n   int
	sum time.Duration
}

func (s *shift) add(d time.Duration) { s.n++; s.sum += d }

func (s *shift) mean() time.Duration {
	if s == nil || s.n == 0 {
		return 0
	}
	return s.sum / time.Duration(s.n)
}
