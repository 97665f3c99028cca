package horizon

import (
	"cmp"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/plan/problem"
)

// sequence returns the operations in the order in which they begin.
func (h *Horizon) sequence(s problem.Schedule) []int {
	order := make([]int, len(h.steps))
	for o := range order {
		order[o] = o
	}
	slices.SortFunc(order, func(a, b int) int { return cmp.Or(cmp.Compare(s.Start[a], s.Start[b]), cmp.Compare(a, b)) })
	return order
}

// Advice is what the dispatcher follows: which steps each device is to do, in which order.
func (h *Horizon) Advice(s problem.Schedule) *dispatch.Advice {
	a := dispatch.NewAdvice(h.floor.Revision)
	for _, o := range h.sequence(s) {
		step := h.steps[o]
		a.Add(h.devices[h.Problem.Ops[o].Modes[s.Mode[o]].Machine].ID, step.Job.ID, step.ID())
	}
	return a
}

// Warm returns the schedule that does the steps in the order of earlier advice, on the devices it names, as far as they are still
// to be done; nil if it names none of them. Its starts only tell the order.
func (h *Horizon) Warm(a *dispatch.Advice) *problem.Schedule {
	if a == nil {
		return nil
	}
	s := &problem.Schedule{Mode: make([]int, len(h.steps)), Start: make([]problem.Time, len(h.steps))}
	any := false
	for o, step := range h.steps {
		device, at, ok := a.Of(step.Job.ID, step.ID())
		s.Start[o] = problem.Time(len(h.steps) + o) // those it does not know come last
		if !ok {
			continue
		}
		any = true
		s.Start[o] = problem.Time(at)
		for i, m := range h.Problem.Ops[o].Modes {
			if h.devices[m.Machine].ID == device {
				s.Mode[o] = i
			}
		}
	}
	if !any {
		return nil
	}
	return s
}

// Plan is a schedule for people. What it costs, what the rule alone would, and what the search did are the caller's to add.
func (h *Horizon) Plan(s problem.Schedule) *tandemv1.Plan {
	p := &tandemv1.Plan{Revision: h.floor.Revision, Now: timestamppb.New(h.now), LeftOut: h.LeftOut}
	end := h.now
	for _, d := range h.devices {
		for _, r := range d.Live {
			ends := h.ends(r)
			run := &tandemv1.PlannedRun{
				Device: d.ID, Job: r.Step.Job.ID, Step: r.Step.ID(), Operation: r.Step.Operation(), Fixed: true,
				StartTime: timestamppb.New(h.now), EndTime: timestamppb.New(ends),
			}
			if !r.Start.IsZero() {
				run.StartTime = timestamppb.New(r.Start)
			}
			if due := r.Step.Job.Due(); !due.IsZero() {
				run.DueTime = timestamppb.New(due)
			}
			p.Runs = append(p.Runs, run)
			end = later(end, ends)
		}
	}
	changes := problem.Changeovers(h.Problem, s)
	for _, o := range h.sequence(s) {
		step, mode := h.steps[o], h.Problem.Ops[o].Modes[s.Mode[o]]
		run := &tandemv1.PlannedRun{
			Device: h.devices[mode.Machine].ID, Job: step.Job.ID, Step: step.ID(), Operation: step.Operation(),
			StartTime: timestamppb.New(h.time(s.Start[o] - changes[o])), EndTime: timestamppb.New(h.time(s.Start[o] + mode.Duration)),
			Changeover: durationpb.New(span(changes[o])),
		}
		if due := step.Job.Due(); !due.IsZero() {
			run.DueTime = timestamppb.New(due)
		}
		p.Runs = append(p.Runs, run)
		end = later(end, run.GetEndTime().AsTime())
	}
	slices.SortStableFunc(p.GetRuns(), func(a, b *tandemv1.PlannedRun) int {
		return a.GetStartTime().AsTime().Compare(b.GetStartTime().AsTime())
	})
	if c := h.floor.Calendar(); c.Limited() {
		for _, w := range c.Windows(h.now, end) {
			p.Attended = append(p.Attended, &tandemv1.Attended{StartTime: timestamppb.New(w.From), EndTime: timestamppb.New(w.To), Operators: int32(w.Operators)})
		}
	}
	return p
}

func span(t problem.Time) time.Duration { return tick * time.Duration(t) }

func (h *Horizon) time(t problem.Time) time.Time { return h.now.Add(span(t)) }

func later(a, b time.Time) time.Time {
	if b.After(a) {
		return b
	}
	return a
}
