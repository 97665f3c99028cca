package floor

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

// remake builds the panel, steps and joins that make n pieces of panel p, spoiled at step s, again.
func (f *Floor) remake(j *Job, s *Step, p *Panel, n int32) *ledgerv1.PiecesRemade {
	number := len(j.Panels) - len(j.Spec.GetPanels()) + 1
	panelTaken := func(id string) bool { _, taken := j.Panel(id); return taken }
	out := &ledgerv1.PiecesRemade{
		Job:       j.ID,
		Panel:     &tandemv1.Panel{Id: freeID(p.ID, number, panelTaken), Pieces: n, RemakeOf: p.ID},
		PanelCode: code.Format(code.Panel, f.counters.GetPanel()+1),
	}
	copies := map[*Step]string{}
	stepTaken := func(id string) bool {
		return j.byStep[id] != nil || slices.ContainsFunc(out.GetSteps(), func(s *tandemv1.Step) bool { return s.GetId() == id })
	}
	repeat := func(t *Step) {
		spec := proto.CloneOf(t.Spec)
		spec.Id, spec.RemakeOf, spec.Panels = freeID(t.ID(), number, stepTaken), t.ID(), []string{out.GetPanel().GetId()}
		part := t.partDemand(n, "")
		spec.LengthUm, spec.PathLengthUm = part.LengthUm, part.PathLengthUm
		if spec.GetDuration() != nil && !t.Drying() { // ink does not dry faster for being less
			spec.Duration = durationpb.New(part.Fixed)
		}
		for id := range spec.GetContourWork() {
			spec.ContourWork[id] = durationpb.New(t.partDemand(n, id).Contour)
		}
		spec.After = nil
		for _, b := range t.Before {
			if id, ok := copies[b]; ok {
				spec.After = append(spec.After, id)
			} else if !slices.Contains(b.Panels, p) {
				spec.After = append(spec.After, b.ID())
			}
		}
		copies[t] = spec.GetId()
		out.Steps = append(out.Steps, spec)
	}
	order := j.inOrder()
	for _, t := range s.madeBy(order, p) {
		repeat(t)
	}
	behind := map[*Step]bool{s: true}
	for _, t := range order {
		if copies[t] != "" || !slices.Contains(t.Panels, p) {
			continue
		}
		if !slices.ContainsFunc(t.Before, func(b *Step) bool { return behind[b] }) {
			continue
		}
		behind[t] = true
		if t.Open() && t.untouched() && t.Carrier == nil {
			out.Joins = append(out.Joins, joins(t, copies)...)
		} else {
			repeat(t)
		}
	}
	return out
}

// untouched says whether nobody can have begun with the step: at most it has been offered to people, or was taken back before it began.
func (s *Step) untouched() bool {
	return !s.begun() || !slices.ContainsFunc(s.Runs, func(r *Run) bool {
		return !r.offered() && (!slices.Contains(r.Reasons, ReasonWithdrawn) || !r.Start.IsZero() || r.Good+r.Spoiled > 0)
	})
}

// offered says whether the run waits at a device without a data port for somebody to begin it: that can be taken back by a word.
func (r *Run) offered() bool { return r.Step.Live == r && r.Device.Manual() && r.waitsForStart() }

// takenBack returns the events that take back what has been offered of a step.
func (s *Step) takenBack(now time.Time) []*ledgerv1.Event {
	r := s.Live
	if r == nil {
		return nil
	}
	return []*ledgerv1.Event{stopping(r, true), changed(r, tandemv1.JobState_JOB_STATE_CANCELED, nil, 0, 0, time.Time{}, now)}
}

// joins make t wait for the copies of the steps before it, and take in the new panel even if none of them is repeated:
// then one of them waits itself.
func joins(t *Step, copies map[*Step]string) []*ledgerv1.Join {
	var out []*ledgerv1.Join
	for _, b := range t.Before {
		if id := copies[b]; id != "" {
			out = append(out, &ledgerv1.Join{Step: t.ID(), After: id})
		}
	}
	if len(out) == 0 {
		out = append(out, &ledgerv1.Join{Step: t.ID()})
	}
	return out
}

// freeID returns the id of the nth remake of what is called id: id-rN, cut to the length of an id, with the next N if that
// name is taken.
func freeID(id string, n int, taken func(string) bool) string {
	for ; ; n++ {
		suffix := fmt.Sprintf("-r%d", n)
		if c := id[:min(len(id), 63-len(suffix))] + suffix; !taken(c) {
			return c
		}
	}
}

// madeBy returns s and every step before it that worked on p, first things first.
func (s *Step) madeBy(order []*Step, p *Panel) []*Step {
	wanted := map[*Step]bool{s: true}
	for _, t := range slices.Backward(order) {
		if !wanted[t] {
			continue
		}
		for _, b := range t.Before {
			if slices.Contains(b.Panels, p) {
				wanted[b] = true
			}
		}
	}
	return slices.DeleteFunc(slices.Clone(order), func(t *Step) bool { return !wanted[t] })
}

// inOrder returns the job's steps so that each comes after the ones it waits for. Remakes make earlier steps wait for
// later ones, so the order of j.Steps will not do.
func (j *Job) inOrder() []*Step {
	waits := make(map[*Step]int, len(j.Steps))
	out := make([]*Step, 0, len(j.Steps))
	for _, s := range j.Steps {
		waits[s] = len(s.Before)
		if len(s.Before) == 0 {
			out = append(out, s)
		}
	}
	for i := 0; i < len(out); i++ {
		for _, n := range out[i].Next {
			if waits[n]--; waits[n] == 0 {
				out = append(out, n)
			}
		}
	}
	return out
}
