// Package horizon states what waits on a floor as a scheduling problem, and reads a schedule of it back: as a plan for people and
// as advice for the dispatcher. What runs, or has been granted, is frozen: it keeps places of devices until it is expected to end.
//
// It reads the floor and changes nothing. It never says that a step will run at a time: the dispatcher decides when the time has come.
package horizon

import (
	"cmp"
	"slices"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/duration"
	"tandem/scheduler/floor"
	"tandem/scheduler/physics"
	"tandem/scheduler/plan/problem"
)

// tick is the unit of the problem's times.
const tick = time.Second

// far is how far people's times are looked up.
const far = 21 * 24 * time.Hour

// setupPrice is what a second of changeover costs, in seconds by which a job of priority 50 is late: it takes capacity from jobs that
// have not come in yet.
const setupPrice = 1

// Horizon is a floor's open work at a time.
type Horizon struct {
	Problem *problem.Problem
	LeftOut []string // steps that are not in the problem, and why: a line for each reason
	now     time.Time
	floor   *floor.Floor
	devices []*floor.Device // of the machines
	steps   []*floor.Step   // of the operations
	op      map[*floor.Step]int
}

// Of states the open work of a floor: at most so many steps, those of the most urgent jobs.
func Of(f *floor.Floor, now time.Time, most int) *Horizon {
	h := &Horizon{now: now, floor: f, op: map[*floor.Step]int{}, Problem: &problem.Problem{Objective: problem.WeightedTardiness, SetupPrice: setupPrice}}
	machine := map[*floor.Device]int{}
	for _, d := range f.Devices {
		if d.Expected() {
			machine[d] = len(h.devices)
			h.devices = append(h.devices, d)
			h.Problem.Machines = append(h.Problem.Machines, problem.Machine{Places: h.places(d), Initial: -1})
		}
	}
	h.choose(most)
	for i, s := range h.steps {
		h.Problem.Ops[i].Modes = h.modes(s, machine)
	}
	h.changeovers()
	h.attendance()
	if !slices.ContainsFunc(h.Problem.Jobs, func(j problem.Job) bool { return j.Due != problem.Never }) {
		h.Problem.Objective = problem.Makespan // nothing is promised: be done early
	}
	return h
}

// places says when each place of a device is free of what it has.
func (h *Horizon) places(d *floor.Device) []problem.Time {
	places := make([]problem.Time, max(1, d.Capacity))
	for i, r := range d.Live {
		if i < len(places) {
			places[i] = h.at(h.ends(r))
		}
	}
	if len(places) == 1 {
		places[0] = max(places[0], h.at(h.freeFrom(d)))
	}
	return places
}

// at returns a time as ticks from now, never before now.
func (h *Horizon) at(t time.Time) problem.Time { return max(0, ticks(t.Sub(h.now))) }

func ticks(d time.Duration) problem.Time { return problem.Time((d + tick - 1) / tick) }

// choose takes the steps of open jobs into the problem, job by job in the order of their due times, with all that comes before them.
func (h *Horizon) choose(most int) {
	var out leftOut
	for _, j := range byUrgency(h.floor) {
		index := -1
		for _, s := range order(j) {
			if why := h.leave(s, most); why != "" {
				out.add(s, why)
				continue
			}
			if !s.Open() || s.Live != nil || s.Carrier != nil {
				continue
			}
			if index < 0 {
				index = len(h.Problem.Jobs)
				due := problem.Never
				if t := j.Due(); !t.IsZero() {
					due = max(0, ticks(t.Sub(h.now)))
				}
				h.Problem.Jobs = append(h.Problem.Jobs, problem.Job{Due: due, Weight: j.Weight()})
			}
			h.add(s, index)
		}
	}
	h.LeftOut = out.words()
}

// byUrgency returns the open jobs in the order of their due times, then of their intake.
func byUrgency(f *floor.Floor) []*floor.Job {
	var jobs []*floor.Job
	for _, j := range f.Jobs {
		if j.End.IsZero() && j.Ending == tandemv1.JobState_JOB_STATE_UNSPECIFIED {
			jobs = append(jobs, j)
		}
	}
	slices.SortStableFunc(jobs, func(a, b *floor.Job) int {
		da, db := a.Due(), b.Due()
		if da.IsZero() != db.IsZero() {
			if da.IsZero() {
				return 1
			}
			return -1
		}
		return da.Compare(db)
	})
	return jobs
}

// Urgent returns the most urgent of the jobs that can be planned, with about so many steps that wait: what Of would choose.
func Urgent(f *floor.Floor, most int) []*floor.Job {
	jobs := byUrgency(f)
	steps := 0
	var out []*floor.Job
	for _, j := range jobs {
		if steps >= most {
			break
		}
		if j.OnHold() {
			continue
		}
		waiting := 0
		for _, s := range j.Steps {
			if s.Open() && s.Live == nil && s.Carrier == nil && s.Blocked == "" && !s.Review {
				waiting++
			}
		}
		if waiting > 0 {
			out, steps = append(out, j), steps+waiting
		}
	}
	return out
}

// order returns a job's steps so that each comes after those it waits for: remade steps are added behind steps that wait for them.
func order(j *floor.Job) []*floor.Step {
	var out []*floor.Step
	seen := map[*floor.Step]bool{}
	var visit func(*floor.Step)
	visit = func(s *floor.Step) {
		if seen[s] {
			return
		}
		seen[s] = true
		for _, b := range s.Before {
			visit(b)
		}
		out = append(out, s)
	}
	for _, s := range j.Steps {
		visit(s)
	}
	return out
}

// leave says why an open step cannot be planned; empty: it can, or there is nothing to plan.
func (h *Horizon) leave(s *floor.Step, most int) string {
	if !s.Open() || s.Live != nil || s.Carrier != nil {
		return ""
	}
	switch {
	case s.Job.OnHold():
		return "the job is held"
	case s.Blocked != "", s.Review:
		return "a person must decide first"
	case s.Left() == 0 && s.Waiting == 0:
		return "no good pieces are left"
	case len(h.steps) >= most:
		return "not urgent enough for this plan"
	}
	expected := slices.ContainsFunc(s.Class.Fits, (*floor.Device).Expected)
	if !expected {
		return "no device that could do this is at work"
	}
	for _, b := range s.Before {
		if b.Live != nil && b.Live.Unknown() {
			return "waits for a step of which nobody knows how far it got"
		}
		if _, in := h.op[b]; b.Open() && b.Live == nil && !in && (b.Carrier == nil || !h.carried(b)) {
			return "waits for a step that is not in the plan"
		}
	}
	return ""
}

// carried says whether the step of the gang run that does this one's work is planned or runs.
func (h *Horizon) carried(s *floor.Step) bool {
	_, in := h.op[s.Carrier]
	return in || s.Carrier.Live != nil
}

// add makes an operation of a step.
func (h *Horizon) add(s *floor.Step, job int) {
	lag := s.Spec.GetMinWait().AsDuration()
	if s.WaitWaived {
		lag = 0
	}
	o := problem.Op{Job: job, Release: h.at(s.Job.Release())}
	if s.Waiting == 0 {
		o.Release = h.at(s.Ready())
	}
	for _, b := range s.Before {
		done := b
		if b.Carrier != nil {
			done = b.Carrier
		}
		switch i, in := h.op[done]; {
		case in:
			arc := problem.Arc{Op: i, Lag: ticks(lag), MaxLag: problem.Never}
			if w := s.Spec.GetMaxWait(); w != nil {
				arc.MaxLag = max(arc.Lag, ticks(w.AsDuration()))
			}
			o.Before = append(o.Before, arc)
		case done.Live != nil:
			o.Release = max(o.Release, h.at(h.ends(done.Live).Add(lag)))
		}
	}
	h.op[s] = len(h.steps)
	h.steps = append(h.steps, s)
	h.Problem.Ops = append(h.Problem.Ops, o)
}

// modes are the devices that can do a step, and for how long. Changeovers are the problem's own.
func (h *Horizon) modes(s *floor.Step, machine map[*floor.Device]int) []problem.Mode {
	var out []problem.Mode
	for _, d := range s.Class.Fits {
		k, ok := machine[d]
		if !ok {
			continue
		}
		m := problem.Mode{Machine: k, Attended: problem.None}
		if s.Drying() {
			m.Duration = ticks(s.Spec.GetDuration().AsDuration())
			if s.Waiting == 0 {
				m.Duration = ticks(max(0, s.DryUntil().Sub(h.now)))
			}
		} else {
			e := d.Estimate(s, h.now)
			m.Duration = ticks(e.Setup + e.Work)
			if e.Person {
				m.Attended = min(m.Duration, max(0, ticks(e.Attended-e.Changeover)))
			}
		}
		out = append(out, m)
	}
	return out
}

// demand is what has to be on a device for a step.
type demand struct {
	operation, supply, mode, blade string
	film                           bool
}

func demandOf(s *floor.Step) demand {
	return demand{s.Operation(), s.Supply(), s.Spec.GetMode(), s.Spec.GetBlade(), s.Spec.GetFilm() != ""}
}

func (d demand) loaded() physics.Loaded {
	l := physics.Loaded{Media: d.supply, Mode: d.mode, Blade: d.blade}
	if d.film {
		l.Media, l.Film = "", d.supply
	}
	return l
}

// changeovers makes a family of each demand, and one more of what is on a device now.
func (h *Horizon) changeovers() {
	var demands []demand
	first := map[demand]*floor.Step{}
	for _, s := range h.steps {
		d := demandOf(s)
		if first[d] == nil {
			first[d] = s
			demands = append(demands, d)
		}
	}
	slices.SortFunc(demands, func(a, b demand) int {
		return cmp.Or(cmp.Compare(a.operation, b.operation), cmp.Compare(a.supply, b.supply), cmp.Compare(a.mode, b.mode), cmp.Compare(a.blade, b.blade))
	})
	for i, s := range h.steps {
		d := demandOf(s)
		h.Problem.Ops[i].Family = slices.Index(demands, d)
	}
	present := len(demands)
	for k, d := range h.devices {
		m := &h.Problem.Machines[k]
		if len(m.Places) > 1 {
			continue
		}
		table := make([][]problem.Time, present+1)
		some := false
		for from := range table {
			table[from] = make([]problem.Time, present+1)
			for to, want := range demands {
				a := d.Ability(want.operation)
				if a == nil {
					continue
				}
				var t time.Duration
				if from == present {
					t = d.Changeover(first[want], a)
				} else {
					t = duration.Changeover(a, demands[from].loaded(), want.loaded())
				}
				table[from][to] = ticks(t)
				some = some || t > 0
			}
		}
		if some {
			m.Setup, m.Initial = table, present
		}
	}
}

// attendance says when how many people are there for what is planned: those whom a device needs now are not, until it does no more.
func (h *Horizon) attendance() {
	c := h.floor.Calendar()
	if !c.Limited() {
		return
	}
	last := problem.Time(0)
	windows := &h.Problem.Attendance
	for _, w := range c.Windows(h.now, h.now.Add(far)) {
		from, to := h.at(w.From), h.at(w.To)
		if to <= from {
			continue
		}
		if from > last {
			*windows = append(*windows, problem.Window{From: last})
		}
		*windows = append(*windows, problem.Window{From: from, Operators: w.Operators})
		last = to
	}
	if len(*windows) == 0 { // none would be as many as anybody needs
		*windows = []problem.Window{{}}
	}
	for until := range h.floor.Engaged(h.now) {
		*windows = without(*windows, h.at(until))
	}
}

// without returns the windows with one person less until a time.
func without(windows []problem.Window, until problem.Time) []problem.Window {
	var out []problem.Window
	for i, w := range windows {
		if w.From >= until {
			return append(out, windows[i:]...)
		}
		out = append(out, problem.Window{From: w.From, Operators: max(0, w.Operators-1)})
		if i+1 == len(windows) || windows[i+1].From > until {
			out = append(out, problem.Window{From: until, Operators: w.Operators})
		}
	}
	return out
}
