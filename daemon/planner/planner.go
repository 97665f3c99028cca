// Package planner searches in the background for a better plan of the work that waits, and lets the dispatcher follow it. The engine's
// loop never waits for it: it takes what is open from a mirror of the floor, searches on its own goroutine, and leaves the result for
// the loop's next turn. While nothing changes and no better plan turns up it does nothing. A daemon that starts has no plan, and the rule decides
// until it has one. A plan is followed only if, played forward on a copy of the floor, it does strictly better than the rule and the
// plans before it.
package planner

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/daemon/engine"
	"tandem/daemon/mirror"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
	"tandem/scheduler/plan"
	"tandem/scheduler/plan/horizon"
	"tandem/scheduler/plan/problem"
	"tandem/scheduler/simulate"
)

// How much is searched.
const (
	mostSteps   = 300 // in a plan: the most urgent
	slice       = 2000
	patience    = 5           // slices without success, after which the search rests until something changes
	every       = time.Second // the least time between the beginnings of two searches
	mostForward = 60 * 24 * time.Hour
	duty        = 0.5  // the share of one core that a search takes
	mostPlayed  = 3000 // open steps: where there are more, only the most urgent jobs and what is under way are played forward
)

// Engine is what the planner needs of the engine.
type Engine interface {
	View(ctx context.Context, fn func(engine.State)) error
}

// Follower is the dispatcher; it belongs to the engine's loop.
type Follower interface{ Follow(*dispatch.Advice) }

// Planner searches for plans of one floor.
type Planner struct {
	engine   Engine
	mirror   *mirror.Mirror
	changed  <-chan struct{}
	dispatch Follower
	log      *zap.Logger

	advice *dispatch.Advice // of the last plan

	mu       sync.Mutex // guards what follows
	plan     *tandemv1.Plan
	failed   error // why there is no plan, although one was searched for
	followed *dispatch.Advice
	next     chan struct{} // closed and replaced when other advice is followed
}

// New returns a planner for an engine, a mirror of its floor, and its dispatcher.
func New(e Engine, m *mirror.Mirror, d Follower, log *zap.Logger) *Planner {
	return &Planner{engine: e, mirror: m, changed: m.Changes(), dispatch: d, log: log, next: make(chan struct{})}
}

// Plan returns the best plan found so far; nil: none yet. The error says why the last search has found none.
func (p *Planner) Plan() (*tandemv1.Plan, error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.plan, p.failed
}

// Following returns the advice that the dispatcher follows, nil if the rule alone decides, and a channel that is closed once it
// follows other advice.
func (p *Planner) Following() (*dispatch.Advice, <-chan struct{}) {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.followed, p.next
}

// Run searches until ctx ends or the engine stops.
func (p *Planner) Run(ctx context.Context) {
	for {
		select {
		case <-ctx.Done():
			return
		case <-p.changed:
		}
		began := time.Now()
		err := p.search(ctx)
		if err != nil && ctx.Err() == nil {
			p.log.Error("no plan: the rule decides", zap.Error(err))
			p.advice = nil
			p.tellFailed(err)
			err = p.follow(ctx, nil)
		}
		if errors.Is(err, engine.ErrStopped) {
			return
		}
		mirror.Rest(ctx, every-time.Since(began))
	}
}

// search looks for plans slice by slice until none is better for a while or the floor has changed.
func (p *Planner) search(ctx context.Context) (err error) {
	defer mirror.Recovered("search for a plan", &err)
	stint, err := p.mirror.Pace().Begin(ctx, duty)
	if err != nil {
		return err
	}
	defer stint.End()
	began := time.Now()
	var f *floor.Floor
	var now time.Time
	if !p.mirror.Look(func(m mirror.Floor) { f, now = copyOf(m), m.Now }) {
		return nil
	}
	breathe := func() error { return stint.Breathe(ctx) }
	h := horizon.Of(f, now, mostSteps)
	if len(h.Problem.Ops) == 0 {
		p.advice = nil
		p.show(h.Plan(problem.Schedule{}), 0, 0)
		return p.follow(ctx, nil)
	}
	rule, err := play(f, now, nil, breathe)
	if err != nil {
		return err
	}
	warm := h.Warm(p.advice)
	p.advice = nil
	best := rule
	var shown *tandemv1.Plan
	evaluations := int64(0)
	for round, idle := uint64(0), 0; idle < patience; round++ {
		s, stats, err := plan.Search(h.Problem, warm, problem.Budget{Evaluations: slice, Stop: func() bool { return breathe() != nil }}, round)
		if err != nil {
			return err
		}
		evaluations += stats.Evaluations
		advice := h.Advice(s)
		cost, err := play(f, now, advice, breathe)
		if err != nil {
			return err
		}
		idle++
		better := cost.less(best)
		if better {
			best, idle = cost, 0
			p.advice = advice
			if err := p.follow(ctx, advice); err != nil {
				return err
			}
		}
		if better || round == 0 {
			shown = h.Plan(s)
			shown.Cost, shown.RuleCost = cost.view(), rule.view()
		}
		p.show(shown, time.Since(began), evaluations)
		warm = &s
		if stats.Proved || len(p.changed) > 0 {
			break
		}
	}
	if p.advice == nil { // nothing is better than the rule
		return p.follow(ctx, nil)
	}
	return nil
}

// copyOf copies what is open, or of much of it what is most urgent: a search, which plans no more than that, costs the same however
// much waits.
func copyOf(m mirror.Floor) *floor.Floor {
	open := 0
	for _, j := range m.Jobs {
		if j.End.IsZero() {
			open += len(j.Steps)
		}
	}
	if open <= mostPlayed {
		return m.CloneOpen()
	}
	return m.CloneOf(horizon.Urgent(m.Floor, mostSteps))
}

// follow hands advice to the dispatcher, which belongs to the loop.
func (p *Planner) follow(ctx context.Context, a *dispatch.Advice) error {
	if err := p.engine.View(ctx, func(engine.State) { p.dispatch.Follow(a) }); err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if a != p.followed {
		p.followed = a
		close(p.next)
		p.next = make(chan struct{})
	}
	return nil
}

// show lets clients see a plan, and what was searched for it.
func (p *Planner) show(out *tandemv1.Plan, spent time.Duration, evaluations int64) {
	out = proto.CloneOf(out)
	out.SearchTime, out.Evaluations = durationpb.New(spent), evaluations
	p.mu.Lock()
	defer p.mu.Unlock()
	p.plan, p.failed = out, nil
}

// tellFailed takes back the plan that is shown: it is not followed any more.
func (p *Planner) tellFailed(err error) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.plan, p.failed = nil, fmt.Errorf("no plan could be made, and the rule decides; it is tried again when something changes: %w", err)
}

// outcome is what a way of choosing comes to when the floor is played forward.
type outcome struct {
	promised             bool          // some job has a due time
	late                 time.Duration // weighted
	makespan, changeover time.Duration
	lateJobs             int32
}

// less says whether o is better: by weighted lateness, or by the makespan where nothing is promised, changeovers priced as in the
// search; then by the makespan.
func (o outcome) less(than outcome) bool {
	value := func(x outcome) time.Duration {
		if x.promised {
			return x.late + x.changeover
		}
		return x.makespan + x.changeover
	}
	if a, b := value(o), value(than); a != b {
		return a < b
	}
	return o.makespan < than.makespan
}

func (o outcome) view() *tandemv1.PlanCost {
	return &tandemv1.PlanCost{
		WeightedTardiness: durationpb.New(o.late), Makespan: durationpb.New(o.makespan), Changeover: durationpb.New(o.changeover), LateJobs: o.lateJobs,
	}
}

// play plays the floor forward with advice, or by the rule alone: every run as long as expected and started as soon as somebody is
// free to.
func play(f *floor.Floor, now time.Time, advice *dispatch.Advice, breathe func() error) (outcome, error) {
	var o outcome
	future := simulate.Future{
		Options: simulate.Options{
			Start: now, Stop: breathe, Plan: func(*floor.Floor, time.Time) (*dispatch.Advice, error) { return advice, nil },
			RunEnded: func(_ *floor.Run, changeover time.Duration) { o.changeover += changeover },
		},
		Until: now.Add(mostForward),
	}
	for _, j := range f.Jobs {
		if j.End.IsZero() && !j.OnHold() {
			future.Jobs = append(future.Jobs, j.ID)
		}
	}
	ends, err := simulate.Forward(f.CloneOpen(), future)
	if err != nil {
		return o, fmt.Errorf("play the floor forward: %w", err)
	}
	for _, j := range f.Jobs {
		due := j.Due()
		o.promised = o.promised || (j.End.IsZero() && !due.IsZero())
		end, ok := ends[j.ID]
		if !ok {
			continue
		}
		o.makespan = max(o.makespan, end.Sub(now))
		if !due.IsZero() && end.After(due) {
			o.late += time.Duration(float64(end.Sub(due)) * j.Weight())
			o.lateJobs++
		}
	}
	return o, nil
}
