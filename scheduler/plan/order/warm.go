package order

import (
	"slices"

	"tandem/scheduler/plan/problem"
)

// admit makes a schedule that was given the best one, if it is feasible; of one that is not, the order may still be of use.
// false: it is not a schedule of this problem at all.
func (r *run) admit(warm problem.Schedule) bool {
	md := r.md
	if len(warm.Start) != md.n || len(warm.Mode) != md.n {
		return false
	}
	for o, x := range warm.Mode {
		if x < 0 || x >= int(md.modeAt[o+1]-md.modeAt[o]) {
			return false
		}
	}
	if problem.Check(md.p, warm) == nil {
		c := problem.CostOf(md.p, warm)
		r.accept(clone(warm), c, md.value(c))
	}
	return true
}

func clone(s problem.Schedule) problem.Schedule {
	return problem.Schedule{Mode: slices.Clone(s.Mode), Start: slices.Clone(s.Start)}
}
