package graph

import (
	"math"

	"tandem/scheduler/chance"
	"tandem/scheduler/plan/problem"
)

// shape says which features a random problem has.
type shape struct {
	ops, machines                int
	chains, flexible             bool
	lags, releases, setups, busy bool
	zero                         bool // some operations take no time
	initial                      bool // machines begin in a family
	longest                      int32
	jobs                         int
}

// randomProblem makes a problem of a shape; arcs lead from lower to higher operations of a job.
func randomProblem(c *chance.Stream, sh shape) *problem.Problem {
	p := &problem.Problem{}
	const families = 3
	for range sh.machines {
		m := problem.Machine{Places: []problem.Time{0}, Initial: -1}
		if sh.busy {
			m.Places[0] = problem.Time(below(c, sh.longest))
		}
		if sh.setups && below(c, 4) > 0 {
			for range families {
				row := make([]problem.Time, families)
				for b := range row {
					row[b] = problem.Time(below(c, sh.longest))
				}
				m.Setup = append(m.Setup, row)
			}
			if sh.initial {
				m.Initial = int(below(c, families+1)) - 1
			}
		}
		p.Machines = append(p.Machines, m)
	}
	for range sh.jobs {
		p.Jobs = append(p.Jobs, problem.Job{Due: problem.Never, Weight: 1})
	}
	last := make([]int, sh.jobs)
	for j := range last {
		last[j] = -1
	}
	for o := range sh.ops {
		job := o % sh.jobs
		op := problem.Op{Job: job, Family: int(below(c, families))}
		if sh.releases && below(c, 2) == 0 {
			op.Release = problem.Time(below(c, 2*sh.longest))
		}
		arc := func(from int) {
			a := problem.Arc{Op: from, MaxLag: problem.Never}
			if sh.lags && below(c, 2) == 0 {
				a.Lag = problem.Time(below(c, sh.longest))
			}
			op.Before = append(op.Before, a)
		}
		if sh.chains && last[job] >= 0 {
			arc(last[job])
		}
		for before := job; !sh.chains && before < o; before += sh.jobs {
			if below(c, 2) == 0 {
				arc(before)
			}
		}
		last[job] = o
		some := int(below(c, int32(sh.machines)))
		for k := range sh.machines {
			if k == some || sh.flexible && below(c, 2) == 0 {
				d := 1 + problem.Time(below(c, sh.longest))
				if sh.zero && below(c, 4) == 0 && p.Machines[k].Setup == nil {
					d = 0
				}
				op.Modes = append(op.Modes, problem.Mode{Machine: k, Duration: d, Attended: problem.None})
			}
		}
		p.Ops = append(p.Ops, op)
	}
	return p
}

// shapes has every feature alone, and all of them together.
func shapes(ops, machines, jobs int) map[string]shape {
	of := func(change func(*shape)) shape {
		sh := shape{ops: ops, machines: machines, jobs: jobs, longest: 9}
		change(&sh)
		return sh
	}
	return map[string]shape{
		"job shop":                  of(func(s *shape) { s.chains = true }),
		"flexible":                  of(func(s *shape) { s.chains, s.flexible = true, true }),
		"graphs":                    of(func(s *shape) { s.flexible = true }),
		"lags":                      of(func(s *shape) { s.lags, s.flexible = true, true }),
		"releases":                  of(func(s *shape) { s.releases, s.chains, s.flexible = true, true, true }),
		"busy machines":             of(func(s *shape) { s.busy, s.chains, s.flexible = true, true, true }),
		"changeovers":               of(func(s *shape) { s.setups, s.initial, s.chains, s.flexible = true, true, true, true }),
		"no time":                   of(func(s *shape) { s.zero, s.flexible = true, true }),
		"changeovers of a job shop": of(func(s *shape) { s.setups, s.chains = true, true }),
		"everything": of(func(s *shape) {
			s.flexible, s.lags, s.releases, s.busy, s.setups, s.initial, s.zero = true, true, true, true, true, true, true
		}),
	}
}

// optimum tries every order of the operations that keeps precedence, in every mode; it shares no code with the search.
func optimum(p *problem.Problem) problem.Time {
	best := problem.Time(math.MaxInt64)
	n := len(p.Ops)
	end := make([]problem.Time, n)
	done := make([]bool, n)
	type machine struct {
		free   problem.Time
		family int
	}
	ms := make([]machine, len(p.Machines))
	for k, m := range p.Machines {
		ms[k] = machine{m.Places[0], m.Initial}
	}
	var try func(left int, last problem.Time)
	try = func(left int, last problem.Time) {
		if last >= best {
			return
		}
		if left == 0 {
			best = last
			return
		}
	next:
		for o, op := range p.Ops {
			if done[o] {
				continue
			}
			ready := op.Release
			for _, a := range op.Before {
				if !done[a.Op] {
					continue next
				}
				ready = max(ready, end[a.Op]+a.Lag)
			}
			done[o] = true
			for _, mode := range op.Modes {
				was := ms[mode.Machine]
				gap := problem.Time(0)
				if t := p.Machines[mode.Machine].Setup; t != nil && was.family >= 0 {
					gap = t[was.family][op.Family]
				}
				end[o] = max(ready, was.free+gap) + mode.Duration
				ms[mode.Machine] = machine{end[o], op.Family}
				try(left-1, max(last, end[o]))
				ms[mode.Machine] = was
			}
			done[o] = false
		}
	}
	try(n, 0)
	return best
}
