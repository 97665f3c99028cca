package main

import (
	"time"

	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
	"tandem/scheduler/plan"
	"tandem/scheduler/plan/horizon"
	"tandem/scheduler/plan/problem"
)

// Limits of a search between two decisions.
const (
	evaluations = 400
	mostSteps   = 300
)

// planner plans anew at each moment, starting from the plan before.
type planner struct {
	advice  *dispatch.Advice
	slowest time.Duration // search so far
}

func (p *planner) plan(f *floor.Floor, now time.Time) (*dispatch.Advice, error) {
	began := time.Now()
	defer func() { p.slowest = max(p.slowest, time.Since(began)) }()
	h := horizon.Of(f, now, mostSteps)
	if len(h.Problem.Ops) == 0 {
		return nil, nil
	}
	s, _, err := plan.Search(h.Problem, h.Warm(p.advice), problem.Budget{Evaluations: evaluations}, 1)
	if err != nil {
		return nil, err
	}
	p.advice = h.Advice(s)
	return p.advice, nil
}
