package floor

import (
	"fmt"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

// CreateJob takes a job in whole or not at all.
type CreateJob struct{ Job *tandemv1.Job }

func (c CreateJob) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	created, err := c.created(f)
	if err != nil {
		return Decision{}, err
	}
	return Decision{
		Events:  []*ledgerv1.Event{{Kind: &ledgerv1.Event_JobCreated{JobCreated: created}}},
		Subject: "jobs/" + created.GetJob().GetId(),
	}, nil
}

// created returns the event by which a job is taken in.
func (c CreateJob) created(f *Floor) (*ledgerv1.JobCreated, error) {
	job, err := normalise(c.Job)
	if err != nil {
		return nil, err
	}
	if _, taken := f.byJob[job.GetId()]; taken || f.archive.has(job.GetId()) {
		return nil, &Error{
			Kind: Exists, Reason: "JOB_EXISTS",
			Message: fmt.Sprintf("there is a job %q already; choose another id", job.GetId()),
		}
	}
	created := &ledgerv1.JobCreated{Job: job, Code: code.Format(code.Job, f.counters.GetJob()+1)}
	for i := range job.GetPanels() {
		created.PanelCodes = append(created.PanelCodes, code.Format(code.Panel, f.counters.GetPanel()+uint64(i)+1))
	}
	return created, nil
}

// HoldJob lets running steps finish and starts no more: a run that may begin and has not is taken back.
type HoldJob struct{ Job, Note string }

func (c HoldJob) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	j, err := f.needOpenJob(c.Job)
	if err != nil {
		return Decision{}, err
	}
	d := Decision{Subject: j.subject()}
	if !j.Held || j.HoldNote != c.Note {
		d.Events = []*ledgerv1.Event{{Kind: &ledgerv1.Event_JobHeld{JobHeld: &ledgerv1.JobHeld{Job: j.ID, Note: c.Note}}}}
	}
	d.Events = append(d.Events, j.withdrawStarts()...)
	if g := j.gang; g != nil && g.active(j) {
		d.Events = append(d.Events, g.withdrawStarts()...)
	}
	return d, nil
}

// ReleaseJob ends a hold. A run that waits on its device and may start unattended may start now.
type ReleaseJob struct{ Job string }

func (c ReleaseJob) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	j, err := f.needOpenJob(c.Job)
	if err != nil {
		return Decision{}, err
	}
	d := Decision{Subject: j.subject()}
	if !j.Held {
		return d, nil
	}
	d.Events = []*ledgerv1.Event{{Kind: &ledgerv1.Event_JobReleased{JobReleased: &ledgerv1.JobReleased{Job: j.ID}}}}
	for _, held := range []*Job{j, j.gang} {
		if held != nil && !held.heldWithout(j) {
			d.Events = append(d.Events, held.allowStarts(now)...)
		}
	}
	return d, nil
}

// CancelJob ends a job. Devices that work on it are asked to stop; the job has ended once they have answered.
type CancelJob struct{ Job, Note string }

func (c CancelJob) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	j, err := f.needJob(c.Job)
	if err != nil {
		return Decision{}, err
	}
	if j.Ending == tandemv1.JobState_JOB_STATE_CANCELED {
		return Decision{Subject: j.subject()}, nil
	}
	if _, err = f.needOpenJob(c.Job); err != nil {
		return Decision{}, err
	}
	if j.IsGang() {
		events, err := f.cancelGang(j, now, c.Note)
		return Decision{Events: events, Subject: j.subject()}, err
	}
	return Decision{Events: f.endJob(j, now, c.Note, false), Subject: j.subject()}, nil
}

// endJob ends a job and stops its live runs. People's work on manual devices has nothing that could be stopped by us: it
// ends at once.
func (f *Floor) endJob(j *Job, now time.Time, note string, aborted bool) []*ledgerv1.Event {
	events := append(f.leaveGang(j, now, note), &ledgerv1.Event{Kind: &ledgerv1.Event_JobCanceled{
		JobCanceled: &ledgerv1.JobCanceled{Job: j.ID, Note: note, Aborted: aborted},
	}})
	for _, s := range j.Steps {
		switch r := s.Live; {
		case r == nil:
		case r.Device.Manual():
			events = append(events, changed(r, tandemv1.JobState_JOB_STATE_CANCELED, []string{ReasonCanceledByOperator}, r.Good, r.Spoiled, r.Start, now))
		default:
			events = append(events, stopping(r, false))
		}
	}
	return events
}

// SpoilPieces books pieces as spoiled.
type SpoilPieces struct {
	Job, Panel, Step string // Step: who spoiled them; empty if nobody knows
	Pieces           int32
	Note             string
}

func (c SpoilPieces) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	j, err := f.needOpenJob(c.Job)
	if err != nil {
		return Decision{}, err
	}
	if c.Step != "" {
		if _, ok := j.Step(c.Step); !ok {
			return Decision{}, Missing("step", c.Step)
		}
	}
	p, ok := j.Panel(c.Panel)
	if !ok {
		return Decision{}, Missing("panel", c.Panel)
	}
	if j.IsGang() {
		return Decision{}, p.sharedError("book spoiled pieces")
	}
	if c.Pieces < 1 || c.Pieces > p.Good {
		return Decision{}, invalid("pieces", "%d cannot be spoiled: panel %s of %s has %d good pieces", c.Pieces, p.ID, j.ID, p.Good)
	}
	return Decision{Events: []*ledgerv1.Event{spoiled(p, c.Step, c.Pieces, c.Note)}, Subject: j.subject()}, nil
}

func spoiled(p *Panel, step string, pieces int32, note string) *ledgerv1.Event {
	return &ledgerv1.Event{Kind: &ledgerv1.Event_PiecesSpoiled{PiecesSpoiled: &ledgerv1.PiecesSpoiled{
		Job: p.Job.ID, Panel: p.ID, Step: step, Pieces: pieces, Note: note,
	}}}
}

// RemakePieces makes spoiled pieces again: the step that spoiled them and every step before it that worked on the same
// panel, for those pieces only. Steps after it that have not begun wait for the new panel too; for those that have, a
// second bundle follows.
type RemakePieces struct {
	Job, Step, Panel string // Panel: empty for the step's only panel
	Pieces           int32
	AlreadySpoiled   bool // the pieces are booked as spoiled; otherwise they are booked now
	Note             string
}

// mostSteps bounds a job as handed in; remakes may double it.
const mostSteps = 1000

func (c RemakePieces) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	j, s, err := f.needStep(c.Job, c.Step)
	if err != nil {
		return Decision{}, err
	}
	if j.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		return Decision{}, conflict("JOB_ENDED", "job %s was ended: hand in a new job for these pieces", j.ID)
	}
	p, err := remakePanel(s, c.Panel)
	if err != nil {
		return Decision{}, err
	}
	if j.IsGang() {
		return Decision{}, p.sharedError("make pieces again")
	}
	d := Decision{Subject: j.subject()}
	most, again := p.Good, p.remade()
	if c.AlreadySpoiled {
		most = p.Spoiled - again
	}
	if c.Pieces < 1 || c.Pieces > most {
		why := fmt.Sprintf("%d cannot be made again: panel %s of %s has %d good and %d spoiled pieces, of which %d are made again already", c.Pieces, p.ID, j.ID, p.Good, p.Spoiled, again)
		if !c.AlreadySpoiled && c.Pieces >= 1 && c.Pieces <= p.Spoiled-again {
			why += "; if it is those that are booked as spoiled, say that they are (`tandem remake --already-spoiled`)"
		}
		return Decision{}, invalid("pieces", "%s", why)
	}
	if !s.begun() {
		return Decision{}, conflict("STEP_NOT_BEGUN", "step %s of %s has not begun: nothing of it can be made again", s.ID(), j.ID)
	}
	remade := f.remake(j, s, p, c.Pieces)
	if len(j.Steps)+len(remade.GetSteps()) > 2*mostSteps {
		return Decision{}, conflict("TOO_MANY_STEPS", "job %s would have more than %d steps: hand in a new job for these pieces", j.ID, 2*mostSteps)
	}
	remade.Note = c.Note
	if !c.AlreadySpoiled {
		d.Events = append(d.Events, spoiled(p, s.ID(), c.Pieces, c.Note))
	}
	for i, join := range remade.GetJoins() { // they wait again, for the pieces that are made again
		if i == 0 || join.GetStep() != remade.GetJoins()[i-1].GetStep() {
			d.Events = append(d.Events, j.byStep[join.GetStep()].takenBack(now)...)
		}
	}
	d.Events = append(d.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_PiecesRemade{PiecesRemade: remade}})
	return d, nil
}

// remade returns how many of the panel's spoiled pieces are made again on other panels.
func (p *Panel) remade() int32 {
	var n int32
	for _, o := range p.Job.Panels {
		if o.RemakeOf == p.ID {
			n += o.Pieces
		}
	}
	return n
}

func remakePanel(s *Step, id string) (*Panel, error) {
	if id == "" && len(s.Panels) == 1 {
		return s.Panels[0], nil
	}
	for _, p := range s.Panels {
		if p.ID == id {
			return p, nil
		}
	}
	if id == "" {
		return nil, invalid("panel", "step %s works on %d panels: name the one whose pieces are spoiled", s.ID(), len(s.Panels))
	}
	return nil, Missing("panel", id)
}

// MovePanel notes where a panel lies.
type MovePanel struct {
	Job, Panel, Place string
	Slot              string // of the rack that Place is; empty: nobody said
	Note              string // why, if nobody has seen it move
}

func (c MovePanel) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	j, err := f.needJob(c.Job)
	if err != nil {
		return Decision{}, err
	}
	p, ok := j.Panel(c.Panel)
	if !ok {
		return Decision{}, Missing("panel", c.Panel)
	}
	if c.Slot != "" && !f.byDevice[c.Place].HasSlot(c.Slot) {
		return Decision{}, invalid("slot", "%s has no slot %q: name one of the floor file, or none", c.Place, c.Slot)
	}
	d := Decision{Subject: j.subject()}
	if p.Place != c.Place || p.Slot != c.Slot {
		d.Events = []*ledgerv1.Event{{Kind: &ledgerv1.Event_PanelMoved{
			PanelMoved: &ledgerv1.PanelMoved{Job: j.ID, Panel: p.ID, Place: c.Place, Slot: c.Slot, Note: c.Note},
		}}}
	}
	return d, nil
}

// OverrideWait waives the rest of a waiting or drying time. The actor takes the responsibility.
type OverrideWait struct{ Job, Step, Note string }

func (c OverrideWait) decide(f *Floor, now time.Time, m Meta) (Decision, error) {
	j, s, err := f.needStep(c.Job, c.Step)
	if err != nil {
		return Decision{}, err
	}
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	switch {
	case Blank(c.Note):
		return Decision{}, invalid("note", "say why it is safe to go on: it is kept with the record")
	case !s.Open():
		return Decision{Subject: j.subject()}, nil
	case s.inGang():
		return Decision{}, conflict("IN_GANG_RUN", "step %s of %s %s: override the wait of %s %s", s.ID(), j.ID, s.GangNote(), s.Carrier.Job.ID, s.Carrier.ID())
	case s.lost() && (s.Good == 0 || s.Waiting > 0):
		return Decision{}, conflict("NO_PIECES", "step %s of %s %s", s.ID(), j.ID, s.GangNote())
	case s.lost():
	case s.WaitWaived:
		return Decision{Subject: j.subject()}, nil
	case s.Waiting > 0:
		return Decision{}, conflict("STEP_WAITS", "step %s of %s waits for earlier steps, not for time", s.ID(), j.ID)
	case !s.Drying() && s.Spec.GetMinWait().AsDuration() == 0:
		return Decision{}, conflict("NO_WAIT", "step %s of %s has no waiting time", s.ID(), j.ID)
	}
	d := Decision{Subject: j.subject(), Events: []*ledgerv1.Event{{Kind: &ledgerv1.Event_WaitOverridden{
		WaitOverridden: &ledgerv1.WaitOverridden{Job: j.ID, Step: s.ID(), Note: c.Note},
	}}}}
	if r := s.Live; s.Drying() && r != nil && r.Device.Manual() {
		d.Events = append(d.Events, changed(r, tandemv1.JobState_JOB_STATE_COMPLETED, nil, r.mostGood(r.Spoiled), r.Spoiled, r.Start, now))
	}
	return d, nil
}

func (f *Floor) needOpenJob(id string) (*Job, error) {
	j, err := f.needJob(id)
	if err != nil {
		return nil, err
	}
	if j.open == 0 || j.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		return nil, conflict("JOB_ENDED", "job %s has ended", j.ID)
	}
	return j, nil
}
