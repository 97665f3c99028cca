package floor

import (
	"fmt"
	"slices"

	"google.golang.org/protobuf/proto"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

// remake builds the panel, steps and joins that make n pieces of panel p, spoiled at step s, again.
func (f *Floor) remake(j *Job, s *Step, p *Panel, n int32) *ledgerv1.PiecesRemade {
	suffix := fmt.Sprintf("-r%d", len(j.Panels)-len(j.Spec.GetPanels())+1)
	rename := func(id string) string { return id[:min(len(id), 63-len(suffix))] + suffix }
	out := &ledgerv1.PiecesRemade{
		Job:       j.ID,
		Panel:     &tandemv1.Panel{Id: rename(p.ID), Pieces: n, RemakeOf: p.ID},
		PanelCode: code.Format(code.Panel, f.counters.GetPanel()+1),
	}
	copies := map[*Step]string{}
	repeat := func(t *Step) {
		spec := proto.CloneOf(t.Spec)
		spec.Id, spec.RemakeOf, spec.Panels = rename(t.ID()), t.ID(), []string{out.GetPanel().GetId()}
		part := t.partDemand(n)
		spec.LengthUm, spec.PathLengthUm = part.LengthUm, part.PathLengthUm
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
		after, follows := "", false
		for _, b := range t.Before {
			if behind[b] {
				after, follows = copies[b], true
			}
		}
		if !follows {
			continue
		}
		behind[t] = true
		if t.Open() && len(t.Runs) == 0 {
			out.Joins = append(out.Joins, &ledgerv1.Join{Step: t.ID(), After: after})
		} else {
			repeat(t)
		}
	}
	return out
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
