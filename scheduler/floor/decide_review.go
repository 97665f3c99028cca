package floor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// RestoreLedger follows the last record of a backup: see [FenceStep]. What devices had in hand when it was made has an unknown
// outcome until they have been heard; what dries is given to a rack anew, for as long as it has to dry still, and hand work that waits
// is taken back.
type RestoreLedger struct {
	Made        time.Time // when the backup was made
	Restored    time.Time // now, by the wall clock
	NothingDone bool      // somebody says that nothing was done since
}

// beyond returns where a counter goes on that was at last when the backup was made. A backup does not know of others that were restored before
// it, itself perhaps, and of what was granted then and who led: so it is the time, in milliseconds, which those had not reached. A clock that
// is behind all that is in the backup is no help: then it is a step.
func (c RestoreLedger) beyond(last, step uint64) uint64 {
	if since := c.Restored.Sub(time.Date(2026, 1, 1, 0, 0, 0, 0, time.UTC)).Milliseconds(); since > 0 && uint64(since) > last {
		return max(uint64(since), step)
	}
	return last + step
}

func (c RestoreLedger) decide(f *Floor, _ time.Time, m Meta) (Decision, error) {
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	last := f.counters.GetFence()
	out := Decision{Events: []*ledgerv1.Event{
		{Kind: &ledgerv1.Event_TermBegan{TermBegan: &ledgerv1.TermBegan{Term: c.beyond(f.Term, TermStep)}}},
		{Kind: &ledgerv1.Event_LedgerRestored{LedgerRestored: &ledgerv1.LedgerRestored{
			LastFence: last, Fence: c.beyond(last, FenceStep), MadeTime: stamp(c.Made), RestoreTime: stamp(c.Restored), NothingDone: c.NothingDone,
		}}},
	}}
	for _, d := range f.Devices {
		for _, r := range d.Live {
			switch {
			// A driver that has been told since that it is over would not take it again.
			case d.Manual() && (r.Step.Drying() || r.State == tandemv1.JobState_JOB_STATE_PENDING):
				out.Events = append(out.Events, stopping(r, true),
					changed(r, tandemv1.JobState_JOB_STATE_CANCELED, nil, r.Good, r.Spoiled, r.Start, f.CommitTime))
			case !d.Manual() && !r.Unknown():
				out.Events = append(out.Events, lost(r))
			}
		}
	}
	return out, nil
}

// unrecordedWork returns the event for a device's word on a run that this ledger should have granted and has not; nil if it is no such
// run, or says nothing new. The second result says whether it is one.
func (f *Floor) unrecordedWork(d *Device, rs *driverv1.RunStatus) (*ledgerv1.Event, bool) {
	if !tandemv1.ValidID(rs.GetRun()) || f.runs[rs.GetRun()] != nil || !f.foreign(rs.GetFence()) {
		return nil, false
	}
	e := &ledgerv1.WorkUnrecorded{
		Device: d.ID, Run: rs.GetRun(), Fence: rs.GetFence(), State: rs.GetState(), PiecesGood: max(rs.GetPiecesGood(), 0), PiecesSpoiled: max(rs.GetPiecesSpoiled(), 0),
	}
	if tandemv1.ValidID(rs.GetJob()) && tandemv1.ValidID(rs.GetStep()) {
		e.Job, e.Step = rs.GetJob(), rs.GetStep()
	}
	switch u := f.unrecordedRun(d.ID, e.GetRun()); {
	case u != nil && (u.sameWork(e) || u.Ended() && !ended(e.GetState())): // a hello that comes late tells of it as it was
		return nil, true
	case u == nil && len(f.Unrecorded()) >= mostUnrecorded:
		return nil, false
	}
	return &ledgerv1.Event{Kind: &ledgerv1.Event_WorkUnrecorded{WorkUnrecorded: e}}, true
}

// forgotten returns the events for unrecorded work of which a device no longer knows, which has started anew, or was told that the work is over
// by a daemon whose records are lost: it stands still, and a person has to say what it has come to.
func (d *Device) forgotten(s *driverv1.Status) []*ledgerv1.Event {
	var out []*ledgerv1.Event
	for _, u := range d.unrecorded {
		listed := slices.ContainsFunc(s.GetRuns(), func(rs *driverv1.RunStatus) bool { return rs.GetRun() == u.Run })
		if u.atWork() && !u.Noted && !listed {
			out = append(out, &ledgerv1.Event{Actor: driver(d), Kind: &ledgerv1.Event_WorkUnrecorded{WorkUnrecorded: &ledgerv1.WorkUnrecorded{
				Device: d.ID, Run: u.Run, Fence: u.Fence, State: tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED,
				PiecesGood: u.Good, PiecesSpoiled: u.Spoiled, Job: u.Job, Step: u.Step,
			}}})
		}
	}
	return out
}

// leaveAlone says whether a device is to go on with a run that the ledger does not have: it was told to, and it has begun.
func (f *Floor) leaveAlone(d *Device, rs *driverv1.RunStatus) bool {
	u := f.unrecordedRun(d.ID, rs.GetRun())
	return u != nil && !u.Noted && u.begun() && !d.Manual()
}

// ReviewOutcome is what a person found.
type ReviewOutcome int

// What a person may have found.
const (
	ReviewNotDone ReviewOutcome = iota + 1 // as the ledger has it
	ReviewDone                             // all pieces
	ReviewKeep                             // some of them
)

// ReviewStep is a person's word on a step that may have been done without a record. With an empty step it is about all of the job,
// and they were not done. What was done becomes a run, so that counts and material are booked as ever.
type ReviewStep struct {
	Job, Step string
	Outcome   ReviewOutcome
	Good      int32  // for ReviewKeep
	Device    string // that did it; empty: the one that reports it, or the only one that can
	Note      string
}

func (c ReviewStep) decide(f *Floor, now time.Time, m Meta) (Decision, error) {
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	j, err := f.needJob(c.Job)
	if err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: j.subject()}
	out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_WorkReviewed{WorkReviewed: &ledgerv1.WorkReviewed{Job: j.ID, Step: c.Step, Note: c.Note}}})
	if c.Step == "" {
		return out, c.checkWhole(f, j)
	}
	_, s, err := f.needStep(c.Job, c.Step)
	if err != nil {
		return Decision{}, err
	}
	if s.Live != nil && s.Review {
		return Decision{}, conflict("RUN_LIVES", "%s has step %s of %s as %s: wait until it has ended, or resolve it", s.Live.Device.ID, s.ID(), j.ID, s.Live.ID)
	}
	if !s.waitsForReview() {
		return Decision{}, f.nothingToReview(s)
	}
	if err := f.stillAtWork(s); err != nil {
		return Decision{}, err
	}
	switch c.Outcome {
	case ReviewNotDone:
		return out, nil
	case ReviewDone, ReviewKeep:
	default:
		return Decision{}, invalid("outcome", "say not done, done or keep")
	}
	d, err := c.device(f, s)
	if err != nil {
		return Decision{}, err
	}
	done, err := c.done(f, s, d, now, m)
	out.Events = append(out.Events, done...)
	return out, err
}

// nothingToReview says why no word on the step is called for, and what is to be said instead.
func (f *Floor) nothingToReview(s *Step) error {
	why := fmt.Sprintf("step %s of %s does not wait for a review", s.ID(), s.Job.ID)
	if s.inGang() {
		g := s.Carrier.Job
		why += fmt.Sprintf(": it is done in gang run %s, say what became of step %s there", g.ID, s.Carrier.ID())
		if !g.gangBegun() {
			why += fmt.Sprintf("; or, if the jobs did it each by itself, cancel %s first", g.ID)
		}
	}
	if reports := f.unrecordedOf(s); len(reports) > 0 {
		why += fmt.Sprintf("; `tandem review --run %s` takes note of what %s reports", reports[0].Run, reports[0].Device)
	}
	return conflict("NOTHING_TO_REVIEW", "%s", why)
}

// checkWhole refuses what cannot be said of all steps at once.
func (c ReviewStep) checkWhole(f *Floor, j *Job) error {
	if c.Outcome != ReviewNotDone {
		return invalid("step", "name the step: only that none was done can be said of all steps at once")
	}
	waits := false
	for _, s := range j.Steps {
		if s.Review && s.Open() {
			waits = true
			if err := f.stillAtWork(s); err != nil {
				return err
			}
		}
	}
	if !waits {
		return conflict("NOTHING_TO_REVIEW", "no step of %s waits for a review", j.ID)
	}
	return nil
}

// stillAtWork refuses a word on what is not over; so is a gang run's step as long as a device is at the work of one of its members alone.
func (f *Floor) stillAtWork(s *Step) error {
	for _, t := range append([]*Step{s}, s.carries...) {
		if err := f.atWorkOn(t); err != nil {
			return err
		}
	}
	return nil
}

// atWorkOn refuses what cannot be as long as a device is at unrecorded work that it says is the step.
func (f *Floor) atWorkOn(s *Step) error {
	for _, u := range f.unrecordedOf(s) {
		if f.goesOn(u) {
			return conflict("STILL_AT_WORK", "%s is still at work on %s of %s (run %s): wait until it has ended, or stop it at the device", u.Device, s.ID(), s.Job.ID, u.Run)
		}
	}
	return nil
}

// goesOn says whether unrecorded work is under way, as far as anybody can tell: of what a silent device had in hand a person says what it
// has come to, as of any run, for it may never be heard again. One that has left the floor file is not waited for.
func (f *Floor) goesOn(u *Unrecorded) bool {
	d := f.byDevice[u.Device]
	silent := d == nil || d.Link == tandemv1.Link_LINK_OFFLINE || d.Retired && d.Link != tandemv1.Link_LINK_ONLINE
	return u.atWork() && !silent
}

// device finds out which one did it.
func (c ReviewStep) device(f *Floor, s *Step) (*Device, error) {
	id := c.Device
	if reports := f.unrecordedOf(s); id == "" && len(reports) > 0 {
		id = reports[0].Device
	}
	if id == "" {
		var can []string
		for _, d := range s.Class.Fits {
			can = append(can, d.ID)
		}
		if len(can) != 1 {
			return nil, invalid("device", "say which device did it: %s", few(can))
		}
		id = can[0]
	}
	d, err := f.needDevice(id)
	if err != nil {
		return nil, err
	}
	if ok, why := d.Fits(s.Spec); !ok {
		return nil, invalid("device", "%s %s", d.ID, why)
	}
	return d, nil
}

// done returns the run that stands for what was done, granted and resolved in one.
func (c ReviewStep) done(f *Floor, s *Step, d *Device, now time.Time, m Meta) ([]*ledgerv1.Event, error) {
	switch {
	case s.Waiting > 0:
		var names []string
		for _, b := range s.Before {
			if b.Ended != tandemv1.JobState_JOB_STATE_COMPLETED {
				names = append(names, b.ID())
			}
		}
		return nil, conflict("REVIEW_BEFORE", "say first what became of %s, which comes before %s", strings.Join(names, ", "), s.ID())
	case s.Live != nil || s.Blocked != "" || !s.ownWork() || s.Left() == 0:
		return nil, conflict("NOTHING_TO_REVIEW", "step %s of %s has nothing left to do by itself", s.ID(), s.Job.ID)
	}
	outcome, good := ledgerv1.RunResolved_OUTCOME_DONE, s.Left()
	if c.Outcome == ReviewKeep {
		outcome, good = ledgerv1.RunResolved_OUTCOME_KEEP, c.Good
		if good < 1 || good > s.Left() {
			return nil, invalid("pieces_good", "%d is not between 1 and %d, the pieces that %s had left", good, s.Left(), s.ID())
		}
	}
	fence := f.counters.GetFence() + 1
	run := &tandemv1.Run{
		Id: fmt.Sprintf("run-%d", fence), Fence: fence, Number: int32(len(s.Runs)) + 1, Device: d.ID, Job: s.Job.ID, Step: s.ID(), Pieces: s.Left(),
		Reason:           &tandemv1.GrantReason{Rule: "done before the ledger was restored, on the word of " + m.Actor},
		ExpectedDuration: durationpb.New(0), ModelDuration: durationpb.New(0),
	}
	return []*ledgerv1.Event{
		{Kind: &ledgerv1.Event_RunGranted{RunGranted: &ledgerv1.RunGranted{Run: run}}},
		{Kind: &ledgerv1.Event_RunChanged{RunChanged: &ledgerv1.RunChanged{
			Run: run.GetId(), State: tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, Reasons: []string{ReasonOutcomeUnknown},
		}}},
		{Kind: &ledgerv1.Event_RunResolved{RunResolved: &ledgerv1.RunResolved{Run: run.GetId(), Outcome: outcome, PiecesGood: good, Note: c.Note}}},
	}, nil
}

// NoteUnrecorded says that a person has taken note of unrecorded work whose step is not in the ledger, or is settled otherwise.
type NoteUnrecorded struct{ Run, Note string }

func (c NoteUnrecorded) decide(f *Floor, _ time.Time, m Meta) (Decision, error) {
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	for _, u := range f.Unrecorded() {
		if u.Run != c.Run {
			continue
		}
		if f.goesOn(u) {
			return Decision{}, conflict("STILL_AT_WORK", "%s is still at work on run %s: wait until it has ended, or stop it at the device", u.Device, u.Run)
		}
		return Decision{Subject: "devices/" + u.Device, Events: []*ledgerv1.Event{{Kind: &ledgerv1.Event_WorkReviewed{
			WorkReviewed: &ledgerv1.WorkReviewed{Run: u.Run, Note: c.Note},
		}}}}, nil
	}
	return Decision{}, Missing("run", c.Run)
}
