// Package plan searches for a plan of a shop, stated as a [problem.Problem].
//
// It is what the callers of the searches below it use: it refuses a problem that is not one, and gives back nothing that the checker
// refuses. Where the longest path is all that counts, package graph searches, except in flow shops; everything else is package
// order's. What it never does: look at a clock, start a goroutine, know an instance or a floor.
package plan

import (
	"fmt"

	"tandem/scheduler/plan/graph"
	"tandem/scheduler/plan/order"
	"tandem/scheduler/plan/problem"
)

// Search looks for a schedule of p that costs little until the budget is spent. It gives back nothing worse than warm, if that is given
// and feasible. The same problem, warm start, seed and budget of evaluations give the same schedule.
func Search(
	p *problem.Problem, warm *problem.Schedule, b problem.Budget, seed uint64,
) (problem.Schedule, problem.Stats, error) {
	if err := problem.Validate(p); err != nil {
		return problem.Schedule{}, problem.Stats{}, fmt.Errorf("validating the problem: %w", err)
	}
	search := order.Search
	if graph.Fits(p) && !order.IsShop(p) {
		search = graph.Search
	}
	s, stats, err := search(p, warm, b, seed)
	if err != nil {
		return s, stats, fmt.Errorf("searching: %w", err)
	}
	if err := problem.Check(p, s); err != nil {
		return problem.Schedule{}, stats, fmt.Errorf("checking what was found: %w", err)
	}
	return s, stats, nil
}
