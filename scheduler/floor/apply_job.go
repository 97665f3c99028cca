package floor

import (
	"slices"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

func (f *Floor) applyJobCreated(c *ledgerv1.JobCreated, at time.Time) {
	spec := c.GetJob()
	f.counters.Job++
	j := &Job{
		ID: spec.GetId(), Code: c.GetCode(), Number: f.counters.GetJob(), Spec: spec,
		byStep: make(map[string]*Step, len(spec.GetSteps())),
		Held:   spec.GetHold(), Create: at,
	}
	for i, p := range spec.GetPanels() {
		f.addPanel(j, p, c.GetPanelCodes()[i])
	}
	for _, s := range spec.GetSteps() {
		f.addStep(j, s, at)
	}
	for _, s := range j.Steps {
		j.link(s)
	}
	f.byJob[j.ID] = j
	f.Jobs = append(f.Jobs, j)
	f.reviewHandedInAgain(j)
	f.index(j.Code, subject{job: j})
	f.touchJob(j)
}

func (f *Floor) addPanel(j *Job, p *tandemv1.Panel, panelCode string) {
	f.counters.Panel++
	panel := &Panel{Job: j, ID: p.GetId(), Code: panelCode, Pieces: p.GetPieces(), Good: p.GetPieces(), RemakeOf: p.GetRemakeOf(), Spec: panelInputs(p)}
	j.Panels = append(j.Panels, panel)
	f.index(panelCode, subject{panel: panel})
}

func (f *Floor) index(payload string, s subject) {
	c, err := code.Parse(payload)
	if err != nil {
		panic("floor: the ledger holds the code " + payload + ": " + err.Error())
	}
	f.codes[c] = s
}

// addStep adds a step without its links, which may lead to steps that are not there yet.
func (f *Floor) addStep(j *Job, spec *tandemv1.Step, at time.Time) *Step {
	s := &Step{Job: j, Index: len(j.Steps), Spec: spec, Class: f.classOf(spec), RemakeOf: spec.GetRemakeOf(), Free: at}
	for _, id := range spec.GetPanels() {
		p, _ := j.Panel(id)
		s.Panels = append(s.Panels, p)
	}
	j.Steps = append(j.Steps, s)
	j.byStep[s.ID()] = s
	j.open++
	return s
}

// link connects a step with the ones it waits for.
func (j *Job) link(s *Step) {
	for _, id := range s.Spec.GetAfter() {
		s.waitFor(j.byStep[id])
	}
}

func (s *Step) waitFor(b *Step) {
	s.Before = append(s.Before, b)
	b.Next = append(b.Next, s)
	if b.Ended != tandemv1.JobState_JOB_STATE_COMPLETED {
		s.Waiting++
	} else {
		s.Free = later(s.Free, b.End)
	}
}

// applyJobCanceled ends every step that has no live run; the others end when their device has answered.
func (f *Floor) applyJobCanceled(c *ledgerv1.JobCanceled, at time.Time) {
	j := f.mustJob(c.GetJob())
	j.Ending = tandemv1.JobState_JOB_STATE_CANCELED
	if c.GetAborted() {
		j.Ending = tandemv1.JobState_JOB_STATE_ABORTED
	}
	for _, s := range j.Steps {
		if s.Open() && s.Live == nil {
			f.endStep(s, j.Ending, at)
		}
	}
	f.touchJob(j)
}

// endStep puts a step in a terminal state and lets the steps after it go on if it is completed.
func (f *Floor) endStep(s *Step, state tandemv1.JobState, at time.Time) {
	s.Ended, s.End, s.Blocked = state, at, ""
	s.Job.open--
	if s.Job.open == 0 {
		s.Job.End = at
	}
	f.touchStep(s)
	if state == tandemv1.JobState_JOB_STATE_COMPLETED {
		for _, n := range s.Next {
			n.Waiting--
			n.Free = later(n.Free, at)
			if n.Waiting == 0 {
				f.touchStep(n)
			}
		}
	}
	f.endCarried(s, at)
}

func (f *Floor) applyPiecesSpoiled(e *ledgerv1.PiecesSpoiled, at time.Time) {
	p := f.mustPanel(e.GetJob(), e.GetPanel())
	booked := &booking{panel: p.ID, step: e.GetStep(), pieces: e.GetPieces(), revision: f.Revision}
	open := p.Job.open
	p.Good -= e.GetPieces()
	p.Spoiled += e.GetPieces()
	var by *Step
	if e.GetStep() != "" {
		by = f.mustStep(e.GetJob(), e.GetStep())
		by.Spoiled += e.GetPieces()
		if by.Open() && !by.inGang() {
			booked.taken = min(by.Good, e.GetPieces())
			by.Good -= booked.taken
		}
	}
	f.spoilShares(p, by, e.GetPieces(), at)
	for _, s := range p.Job.Steps {
		if s.Good > 0 && s.Carrier == nil {
			f.settle(s, at)
		}
	}
	f.touchJob(p.Job)
	if p.Job.open == open && len(p.shares) == 0 {
		p.Job.booking = booked
	}
}

// settle completes a step that has nothing left to do, because the pieces it has not done are spoiled. It must have begun,
// nothing else may be open about it, and what has been kept of it must be dry or a person's word.
func (f *Floor) settle(s *Step, at time.Time) {
	if s.inGang() || s.Drying() && at.Before(s.DryUntil()) && !s.resolvedEnd() && !s.emptied() {
		return
	}
	if s.Open() && s.Live == nil && s.Blocked == "" && s.Waiting == 0 && (s.begun() || s.lost()) && s.Left() == 0 {
		f.endStep(s, tandemv1.JobState_JOB_STATE_COMPLETED, at)
	}
}

func (f *Floor) applyPiecesRemade(e *ledgerv1.PiecesRemade, at time.Time) {
	j := f.mustJob(e.GetJob())
	f.addPanel(j, e.GetPanel(), e.GetPanelCode())
	panel := j.Panels[len(j.Panels)-1]
	j.End = time.Time{}
	for _, spec := range e.GetSteps() {
		f.addStep(j, spec, at)
	}
	for _, s := range j.Steps[len(j.Steps)-len(e.GetSteps()):] {
		j.link(s)
	}
	for _, join := range e.GetJoins() {
		s := j.byStep[join.GetStep()]
		s.WaitWaived = false // that was said of the panels before
		if !slices.Contains(s.Panels, panel) {
			s.Panels = append(s.Panels, panel)
		}
		if join.GetAfter() != "" {
			s.waitFor(j.byStep[join.GetAfter()])
		}
	}
	for _, s := range j.inOrder() {
		if !s.lost() || s.worksOn(e.GetPanel().GetRemakeOf()) {
			f.settle(s, at) // what was left to do is done by the remake
		}
	}
	f.touchJob(j)
}

func (f *Floor) applyWaitOverridden(e *ledgerv1.WaitOverridden, at time.Time) {
	s := f.mustStep(e.GetJob(), e.GetStep())
	s.WaitWaived = true
	if (s.Drying() && s.Live == nil && s.Open()) || s.lost() {
		f.endStep(s, tandemv1.JobState_JOB_STATE_COMPLETED, at)
	}
	f.touchJob(s.Job)
}
