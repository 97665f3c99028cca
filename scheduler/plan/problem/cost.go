package problem

// OverrunPrice is what one tick beyond a maximum lag costs, in ticks of lateness of the job that weighs most (at least 1). It is
// dear, so that a search goes a long way round to avoid one, and finite, so that there is always a plan: glue that has waited too
// long is thrown away, a shop that has no plan stands still. The number is our own choice, no source.
const OverrunPrice = 100

// CostOf adds up what a schedule costs. p is valid and s passes [Check].
func CostOf(p *Problem, s Schedule) Cost {
	var c Cost
	ends := make([]Time, len(p.Jobs))
	some := make([]bool, len(p.Jobs))
	for o, op := range p.Ops {
		e := end(p, s, o)
		c.Makespan = max(c.Makespan, e)
		if !some[op.Job] || e > ends[op.Job] {
			some[op.Job], ends[op.Job] = true, e
		}
		for _, a := range op.Before {
			if wait := s.Start[o] - end(p, s, a.Op); a.MaxLag != Never && wait > a.MaxLag {
				c.Overrun += float64(wait - a.MaxLag)
			}
		}
	}
	for j, job := range p.Jobs {
		if some[j] && job.Due != Never && ends[j] > job.Due {
			c.Tardiness += job.Weight * float64(ends[j]-job.Due)
		}
	}
	for _, change := range Changeovers(p, s) {
		c.Setup += change
	}
	return c
}

// Changeovers is how long the machine of each operation is changed over before it. p is valid and s passes [Check].
func Changeovers(p *Problem, s Schedule) []Time {
	out := make([]Time, len(p.Ops))
	for k := range p.Machines {
		ops := operations(p, s, k)
		for i, o := range ops {
			out[o] = changeover(p, ops, &p.Machines[k], i)
		}
	}
	return out
}

// Value is what c comes to under the objective of p, in ticks for Makespan, in weighted ticks of lateness for
// WeightedTardiness: the objective, plus SetupPrice times the changeovers, plus the price of overruns (see [OverrunPrice]).
func (c Cost) Value(p *Problem) float64 {
	heaviest := 1.0
	for _, j := range p.Jobs {
		heaviest = max(heaviest, j.Weight)
	}
	v := p.SetupPrice*float64(c.Setup) + OverrunPrice*heaviest*c.Overrun
	if p.Objective == WeightedTardiness {
		return v + c.Tardiness
	}
	return v + float64(c.Makespan)
}

// Less says whether a is better than b: by Value, and where these are equal by the makespan.
func Less(p *Problem, a, b Cost) bool {
	if va, vb := a.Value(p), b.Value(p); va != vb {
		return va < vb
	}
	return a.Makespan < b.Makespan
}
