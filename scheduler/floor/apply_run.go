package floor

import (
	"slices"
	"strings"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func (f *Floor) applyRunGranted(g *tandemv1.Run, at time.Time) {
	s, d := f.mustStep(g.GetJob(), g.GetStep()), f.mustDevice(g.GetDevice())
	r := &Run{
		ID: g.GetId(), Fence: g.GetFence(), Number: g.GetNumber(), Device: d, Step: s, Pieces: g.GetPieces(),
		State: tandemv1.JobState_JOB_STATE_PENDING, Grant: at, Why: g.GetReason(),
		Expected: g.GetExpectedDuration().AsDuration(), Model: g.GetModelDuration().AsDuration(),
		Person: g.GetAttendedDuration() != nil, Attended: g.GetAttendedDuration().AsDuration(),
	}
	f.counters.Fence = max(f.counters.GetFence(), r.Fence)
	f.runs[r.ID] = r
	s.Runs = append(s.Runs, r)
	s.Live = r
	s.giveShares()
	d.Live = append(d.Live, r)
	f.reserve(d)
	f.touchRun(r)
}

func (f *Floor) applyRunChanged(c *ledgerv1.RunChanged, at time.Time) {
	r := f.mustRun(c.GetRun())
	s := r.Step
	f.count(r, c.GetPiecesGood(), c.GetPiecesSpoiled(), r.Device.Manual(), at)
	r.State, r.Reasons, r.startVoid = c.GetState(), c.GetReasons(), r.startVoid || c.GetStartVoid()
	r.stands(r.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && !r.Unknown(), at)
	if c.GetState() != tandemv1.JobState_JOB_STATE_PENDING && c.GetStartTime() != nil && r.Start.IsZero() {
		f.begin(r, moment(c.GetStartTime()))
	}
	if !r.firm() {
		f.reserve(r.Device) // it was firm if nobody knew how far it had got, and its device says now that it waits
	}
	if ended(r.State) {
		end := bounded(moment(c.GetEndTime()), r.Grant, at)
		made := r.made()
		if r.State == tandemv1.JobState_JOB_STATE_COMPLETED {
			made = r.Pieces // those that somebody has booked as spoiled since were made too
		}
		f.book(r, made)
		f.detach(r, end)
		f.learn(r)
		f.afterRun(s, r, end)
	}
	f.touchRun(r)
}

// begin notes that a run is under way: its panels lie on the device now.
func (f *Floor) begin(r *Run, at time.Time) {
	r.Start = at
	if r.Step.Start.IsZero() {
		r.Step.Start = at
	}
	d := r.Device
	d.LastRun, d.full, d.unload = r, time.Time{}, 0
	if mode := r.Step.Spec.GetMode(); mode != "" {
		d.Mode = mode
	}
	f.beginMaterial(r)
	r.Step.beginCarried(at)
	if d.Manual() && r.Step.Drying() {
		return // ink dries wherever the panel lies; a scan says that it lies in the rack
	}
	for _, p := range r.Step.Panels {
		f.takenOff(p, d.ID)
		p.moved(d.ID, "", at)
	}
}

// count books what a run has done since it was last counted. What it spoiled is taken off its panels in their order, and off the shared
// ones if a gang run goes on beside it. People count what they see to be good, devices what has passed them.
func (f *Floor) count(r *Run, good, bad int32, byPerson bool, at time.Time) {
	s := r.Step
	if s.Job.IsGang() {
		f.countShares(r, good, bad, byPerson)
		return
	}
	s.Good = max(s.Good+good-r.Good, 0) // pieces booked as spoiled since are off it already
	newly := bad - r.Spoiled
	s.Spoiled += newly
	for _, p := range s.Panels {
		take := min(newly, p.Good)
		p.Good -= take
		p.Spoiled += take
		newly -= take
		if take > 0 {
			f.spoilShares(p, nil, take, at)
		}
	}
	r.Good, r.Spoiled = good, bad
}

// detach ends a run: the device has room again and the step has no live run.
func (f *Floor) detach(r *Run, end time.Time) {
	r.End, r.Step.Live = end, nil
	r.stands(false, end)
	d := r.Device
	if !r.Start.IsZero() {
		d.Idle = later(d.Idle, end)
		d.full, d.unload = d.toUnload(r.Step.Operation(), end)
	}
	d.Live = slices.DeleteFunc(d.Live, func(o *Run) bool { return o == r })
	if d.Retired && len(d.Live) == 0 {
		d.takeOff(f.Revision)
		f.forgetRetired(d)
	}
	f.reserve(d)
}

// afterRun decides what a step is once its run has ended: completed, waiting for another run, blocked until a person
// decides, or ended with its job.
func (f *Floor) afterRun(s *Step, r *Run, end time.Time) {
	short := r.Good+r.Spoiled < r.Pieces && s.Left() > 0
	switch {
	case r.misregistered() != nil && s.Job.Ending == tandemv1.JobState_JOB_STATE_UNSPECIFIED:
		r.blockMisregistered()
	case r.State == tandemv1.JobState_JOB_STATE_COMPLETED && !short:
		f.endStep(s, tandemv1.JobState_JOB_STATE_COMPLETED, end)
	case s.Job.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED:
		f.endStep(s, s.Job.Ending, end)
	case r.State == tandemv1.JobState_JOB_STATE_COMPLETED:
		s.Blocked = ReasonShortCount
	case r.State == tandemv1.JobState_JOB_STATE_CANCELED && r.Withdraw && s.Left() > 0:
		r.Reasons = []string{ReasonWithdrawn}
	case r.outOfMaterial() && s.Left() > 0: // what is left waits for another lot
	case r.State == tandemv1.JobState_JOB_STATE_CANCELED:
		s.Blocked = ReasonCanceledAtDevice
	default:
		s.Blocked = ReasonAbortedBySystem
		if len(r.Reasons) > 0 {
			s.Blocked = r.Reasons[0]
		}
	}
}

// applyRunResolved ends a run on a person's word. Its device, should it come back with another story, is heard as a stray.
func (f *Floor) applyRunResolved(e *ledgerv1.RunResolved, at time.Time) {
	r := f.mustRun(e.GetRun())
	s := r.Step
	made := r.made() // that material is gone, whether the pieces count or not
	f.count(r, e.GetPiecesGood(), r.Spoiled, true, at)
	r.Reasons = []string{ReasonResolved}
	if e.GetMayHaveBegun() {
		r.Reasons = append(r.Reasons, ReasonOutcomeUnknown)
	}
	r.State = tandemv1.JobState_JOB_STATE_ABORTED
	if e.GetOutcome() == ledgerv1.RunResolved_OUTCOME_DONE {
		r.State = tandemv1.JobState_JOB_STATE_COMPLETED
	}
	if s.Live == r {
		if made = max(made, r.made()); r.State == tandemv1.JobState_JOB_STATE_COMPLETED {
			made = r.Pieces
		}
		f.book(r, made)
		f.detach(r, at)
	}
	s.Blocked, s.Review = "", false // a person has looked
	switch {
	case e.GetOutcome() == ledgerv1.RunResolved_OUTCOME_DONE, s.Left() == 0 && e.GetOutcome() == ledgerv1.RunResolved_OUTCOME_KEEP:
		f.endStep(s, tandemv1.JobState_JOB_STATE_COMPLETED, at)
	case s.Job.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED:
		f.endStep(s, s.Job.Ending, at)
	}
	f.touchRun(r)
}

// applyRunRefused takes a run back that never began. The device is not asked again for a while.
func (f *Floor) applyRunRefused(e *ledgerv1.RunRefused, at time.Time) {
	r := f.mustRun(e.GetRun())
	s := r.Step
	r.State = tandemv1.JobState_JOB_STATE_ABORTED
	r.Reasons = []string{"refused: " + strings.ToValidUTF8(e.GetReason(), "?")}
	f.book(r, r.made())
	f.detach(r, at)
	if s.refused == nil {
		s.refused = map[string]time.Time{}
	}
	s.refused[r.Device.ID] = at.Add(AskAgainAfter)
	switch {
	case s.Job.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED:
		f.endStep(s, s.Job.Ending, at)
	case r.misregistered() != nil:
		r.blockMisregistered()
	}
	f.touchRun(r)
}
