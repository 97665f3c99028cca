package graph

import (
	"errors"
	"slices"
	"sort"

	"tandem/scheduler/plan/problem"
)

// ErrUnfit says that a problem has what this search cannot treat.
var ErrUnfit = errors.New(
	"the graph search takes no attendance, maximum lags, racks, due times or prices of changeovers: use another search")

// Search looks for a schedule with a short makespan until the budget is spent or a schedule meets a lower bound. It begins with
// dispatch rules and with warm, if that is given and feasible, and gives back nothing worse than warm, and warm itself if it
// finds nothing better. p is valid; if it does not fit, the error is [ErrUnfit].
//
// An evaluation is one schedule that was computed exactly. A budget without limits runs until a schedule is proved to be best,
// which may be never.
func Search(
	p *problem.Problem, warm *problem.Schedule, b problem.Budget, seed uint64,
) (problem.Schedule, problem.Stats, error) {
	if !Fits(p) {
		return problem.Schedule{}, problem.Stats{}, ErrUnfit
	}
	md := compile(p)
	r := &run{p: p, md: md, budget: b, length: farthest * 4, bound: int32(problem.LowerBound(p))}
	if md.n == 0 {
		return problem.Schedule{}, problem.Stats{Proved: true}, nil
	}
	var begin *plan
	if warm != nil && problem.Check(p, *warm) == nil {
		begin = r.adopt(*warm)
	}
	newPool(md, r, seed).search(begin)
	return r.best, r.stats, nil
}

// run is the best schedule so far and what may still be spent.
type run struct {
	p      *problem.Problem
	md     *model
	budget problem.Budget
	best   problem.Schedule
	length int32
	bound  int32 // nothing is shorter
	stats  problem.Stats
	effort int32 // operations since Stop was asked last
	ended  bool
}

// spend counts an evaluation of so many operations and tells whether the search may go on.
func (r *run) spend(operations int32) bool {
	r.stats.Evaluations++
	if r.budget.Evaluations > 0 && r.stats.Evaluations >= r.budget.Evaluations {
		r.ended = true
	}
	if r.effort += operations + 20; r.effort > 40_000 {
		r.effort = 0
		r.ended = r.ended || r.budget.Stop != nil && r.budget.Stop()
	}
	return !r.ended
}

// offer takes a schedule if it is strictly better than the best one.
func (r *run) offer(s *state, length int32) {
	if length >= r.length {
		return
	}
	r.length = length
	sch := problem.Schedule{Mode: make([]int, r.md.n), Start: make([]problem.Time, r.md.n)}
	for o := range r.md.n {
		sch.Mode[o] = int(r.md.modeIs[s.mode[o]])
		sch.Start[o] = problem.Time(s.nodes[o].start)
	}
	r.best = sch
	r.prove()
	if r.budget.Better != nil {
		given := problem.Schedule{Mode: slices.Clone(sch.Mode), Start: slices.Clone(sch.Start)}
		r.budget.Better(given, problem.CostOf(r.p, given))
	}
}

func (r *run) prove() {
	if r.length <= r.bound {
		r.stats.Proved, r.ended = true, true
	}
}

// adopt makes a feasible schedule the best one so far, and a plan.
func (r *run) adopt(warm problem.Schedule) *plan {
	md := r.md
	r.best = problem.Schedule{Mode: slices.Clone(warm.Mode), Start: slices.Clone(warm.Start)}
	pl := newPlan(md.n)
	copy(pl.topo, md.topo)
	ends := make([]problem.Time, md.n)
	last := problem.Time(0)
	for o := range md.n {
		mode := r.p.Ops[o].Modes[warm.Mode[o]]
		ends[o] = warm.Start[o] + mode.Duration
		last = max(last, ends[o])
		for x := md.modeAt[o]; x < md.modeAt[o+1]; x++ {
			if md.modeOn[x] == int32(mode.Machine) {
				pl.mode[o] = x
			}
		}
	}
	sort.SliceStable(pl.topo, func(i, j int) bool {
		a, b := pl.topo[i], pl.topo[j]
		if warm.Start[a] != warm.Start[b] {
			return warm.Start[a] < warm.Start[b]
		}
		return ends[a] < ends[b]
	})
	r.length = int32(min(last, farthest*4))
	r.prove()
	return &pl
}
