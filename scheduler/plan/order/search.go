package order

import (
	"errors"
	"math"

	"tandem/scheduler/plan/problem"
)

// Search looks for a schedule that costs little until the budget is spent. It begins with dispatch rules and with warm, if that
// is given and feasible, and gives back nothing worse than warm, and warm itself if it finds nothing better.
//
// A budget without limits runs until a schedule is proved to be best, which may be never.
func Search(
	p *problem.Problem, warm *problem.Schedule, b problem.Budget, seed uint64,
) (problem.Schedule, problem.Stats, error) {
	md, err := compile(p)
	if err != nil {
		return problem.Schedule{}, problem.Stats{}, err
	}
	r := newRun(md, b)
	if md.n == 0 {
		return problem.Schedule{}, problem.Stats{Proved: true}, nil
	}
	known := warm != nil && r.admit(*warm)
	g := newGeneral(r, seed)
	shop := structure(md)
	if shop != nil && b.Evaluations > 0 && b.Evaluations < 2*int64(shop.n)*int64(shop.n) {
		shop = nil // the first order alone would take more
	}
	if shop != nil && shop.single() {
		r.alternate(newGreedy(r, shop, seed), g)
	} else if shop != nil && !md.tardy && !md.setups {
		r.alternate(newHybrid(r, shop, seed), g)
	} else {
		if known {
			g.adopt(*warm)
		}
		g.rules()
		g.search()
	}
	if r.value == worst {
		return problem.Schedule{}, r.stats, errNoSchedule
	}
	return r.best, r.stats, nil
}

// IsShop says whether a problem has the structure for which this package has a search of its own: a flow shop, with changeovers or due
// times or without, or a hybrid flow shop without them.
func IsShop(p *problem.Problem) bool {
	md, err := compile(p)
	if err != nil || md.n == 0 {
		return false
	}
	shop := structure(md)
	return shop != nil && (shop.single() || (!md.tardy && !md.setups))
}

var errNoSchedule = errors.New(
	"no schedule found: somebody has to be there long enough for each operation that is attended: prolong a window of attendance")

// run is the best schedule so far and what may still be spent.
type run struct {
	md     *model
	budget problem.Budget
	bound  value // nothing is below
	best   problem.Schedule
	value  value
	stats  problem.Stats
	asked  int64 // evaluations when Stop was asked last
	effort int64 // so far, in operations placed
	later  int64 // the effort at which Stop is asked
	pause  int64 // the effort at which a search lets another one go on
	ended  bool
}

func newRun(md *model, b problem.Budget) *run {
	return &run{md: md, budget: b, bound: md.bound(), value: worst, pause: math.MaxInt64}
}

// spend counts evaluations, and what they cost as if so many operations had been placed, and tells whether the search may go on.
func (r *run) spend(evaluations, operations int) bool {
	r.stats.Evaluations += int64(evaluations)
	r.effort += int64(operations) + 1
	if r.budget.Evaluations > 0 && r.stats.Evaluations >= r.budget.Evaluations {
		r.ended = true
	}
	if r.budget.Stop != nil && (r.effort >= r.later || r.stats.Evaluations-r.asked >= 256) {
		r.asked, r.later = r.stats.Evaluations, r.effort+20_000
		r.ended = r.ended || r.budget.Stop()
	}
	return !r.ended
}

// going tells a search whether to go on for now.
func (r *run) going() bool { return !r.ended && r.effort < r.pause }

// alternate lets a search for a structure and the search of the list builder, which knows none and is bound to none, take turns
// that get longer and longer.
func (r *run) alternate(first interface{ search() }, second *general) {
	second.listOnly = true
	for turn := int64(r.md.n) * 400; !r.ended; turn += turn / 2 {
		r.pause = r.effort + turn
		first.search()
		if r.ended {
			return
		}
		r.pause = r.effort + turn
		if r.value.less(second.now.value) {
			second.adopt(r.best)
		}
		second.search()
	}
}

// offer takes a plan if it is strictly better than the best one.
func (r *run) offer(s *plan, c problem.Cost) bool {
	v := r.md.value(c)
	if !v.less(r.value) {
		return false
	}
	r.accept(r.md.schedule(s), c, v)
	return true
}

func (r *run) accept(s problem.Schedule, c problem.Cost, v value) {
	r.best, r.value = s, v
	if !r.bound.less(v) {
		r.stats.Proved, r.ended = true, true
	}
	if r.budget.Better != nil {
		r.budget.Better(clone(s), c)
	}
}
