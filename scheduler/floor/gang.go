package floor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// A gang run is a job of its own whose panels hold pieces of several other jobs, its members, and whose steps do the work of
// their steps. A member's step keeps its place in the member's graph, but is not granted: it shows what the gang run's step
// does, and is completed with it. One late or failed member therefore holds them all.

// share is a stretch of like pieces on a shared panel that belong to one panel of one member.
type share struct {
	index      int    // its place in the gang run's shares: the order in which the pieces leave the machine
	panel      *Panel // of the gang run
	content    int    // which of its contents
	own        *Panel // of the member
	ownContent int    // which of its contents
	pieces     int32
	spoiled    int32
}

func (h *share) good() int32 { return h.pieces - h.spoiled }

// IsGang says whether the job is a gang run.
func (j *Job) IsGang() bool { return len(j.Members) > 0 }

// active says whether a gang run still works on a member's steps.
func (j *Job) active(member *Job) bool {
	return member.Ending == tandemv1.JobState_JOB_STATE_UNSPECIFIED &&
		slices.ContainsFunc(member.Steps, func(s *Step) bool { return s.Open() && s.Carrier != nil && s.Carrier.Job == j })
}

// OnHold says whether nothing of the job may start: it is held, or it is a gang run and a member that it works for is.
func (j *Job) OnHold() bool { return j.holder() != nil }

// holder returns the job whose hold keeps this one from starting anything, or nil.
func (j *Job) holder() *Job {
	if j.Held {
		return j
	}
	for _, m := range j.Members {
		if m.Held && j.active(m) {
			return m
		}
	}
	return nil
}

// counting returns the jobs from which a job's priority and times follow: itself, or for a gang run the members that still
// want their pieces.
func (j *Job) counting() []*Job {
	if !j.IsGang() {
		return []*Job{j}
	}
	var out []*Job
	for _, m := range j.Members {
		if m.Ending == tandemv1.JobState_JOB_STATE_UNSPECIFIED {
			out = append(out, m)
		}
	}
	if len(out) == 0 {
		return j.Members
	}
	return out
}

// Priority returns the weight of the job when lateness is shared out; a gang run has the greatest of its members'.
func (j *Job) Priority() int32 {
	if !j.IsGang() {
		return j.Spec.GetPriority()
	}
	var most int32
	for _, m := range j.counting() {
		most = max(most, m.Spec.GetPriority())
	}
	return most
}

// StandardPriority is that of a job that names none.
const StandardPriority = 50

// Weight is what an hour of the job's lateness counts: 1 at the standard priority.
func (j *Job) Weight() float64 { return float64(j.Priority()) / StandardPriority }

// Due returns when the job is due, the zero time if that was not promised; a gang run is due with the earliest of its members.
func (j *Job) Due() time.Time {
	if !j.IsGang() {
		return moment(j.Spec.GetDueTime())
	}
	var first time.Time
	for _, m := range j.counting() {
		if d := moment(m.Spec.GetDueTime()); !d.IsZero() && (first.IsZero() || d.Before(first)) {
			first = d
		}
	}
	return first
}

// Release returns the time before which no step starts, the zero time if there is none; a gang run waits for the latest of
// its members.
func (j *Job) Release() time.Time {
	if !j.IsGang() {
		return moment(j.Spec.GetReleaseTime())
	}
	var last time.Time
	for _, m := range j.counting() {
		last = later(last, moment(m.Spec.GetReleaseTime()))
	}
	return last
}

// hasItems says whether the job was handed in as items: only such jobs can share panels.
func (j *Job) hasItems() bool {
	return slices.ContainsFunc(j.Panels, func(p *Panel) bool { return len(p.Spec.GetContents()) > 0 })
}

// begun says whether anything of the step may have been made, by itself or by the gang run's step that does its work.
func (s *Step) begun() bool {
	if s.Carrier != nil {
		return len(s.Carrier.Runs) > 0
	}
	return len(s.Runs) > 0
}

// lost says whether the gang run that was to do the step's work is done with it and has left it no pieces, or not enough: a
// person decides.
func (s *Step) lost() bool {
	return s.Open() && s.Carrier != nil && (s.Carrier.Ended == tandemv1.JobState_JOB_STATE_COMPLETED || s.Carrier.Job.open == 0)
}

// allRemade says whether every spoiled piece of the step's panels is made again on other panels.
func (s *Step) allRemade() bool {
	return !slices.ContainsFunc(s.Panels, func(p *Panel) bool { return p.remade() < p.Spoiled })
}

// worksOn says whether the panel with that id is one of the step's.
func (s *Step) worksOn(panel string) bool {
	return slices.ContainsFunc(s.Panels, func(p *Panel) bool { return p.ID == panel })
}

// emptied says whether a shared panel has left the step nothing to work on: what is not there need not dry.
func (s *Step) emptied() bool {
	return (s.Carrier != nil || s.Job.IsGang()) && !slices.ContainsFunc(s.Panels, func(p *Panel) bool { return p.Good > 0 })
}

// inGang says whether the step's work is up to a gang run.
func (s *Step) inGang() bool { return s.Open() && s.Carrier != nil && !s.lost() }

// onSharedPanel returns the gang run that still has the pieces the step is to work on, or nil: they leave the shared panel
// when the whole of it is done.
func (s *Step) onSharedPanel() *Job {
	for _, b := range s.Before {
		if b.Carrier != nil && b.Carrier.Job.open > 0 {
			return b.Carrier.Job
		}
	}
	return nil
}

// ownWork says whether nothing about a gang run keeps the step from being given to a device.
func (s *Step) ownWork() bool { return s.Carrier == nil && s.onSharedPanel() == nil }

// carriedState is the state of a member's open step: that of the gang run's step once it has begun.
func (s *Step) carriedState(now time.Time) (tandemv1.JobState, []string) {
	switch {
	case s.lost() && s.Waiting > 0:
		return tandemv1.JobState_JOB_STATE_PENDING_HELD, []string{ReasonWaitingPredecessor}
	case s.lost():
		return tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, []string{ReasonNoPieces}
	}
	switch state, reasons := s.Carrier.State(now); state {
	case tandemv1.JobState_JOB_STATE_PROCESSING, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
		return state, append([]string{ReasonInGangRun}, reasons...)
	default:
		return tandemv1.JobState_JOB_STATE_PENDING_HELD, []string{ReasonInGangRun}
	}
}

// GangNote says what about a gang run keeps the step from being worked on by itself; "" if nothing does.
func (s *Step) GangNote() string {
	switch g := s.onSharedPanel(); {
	case s.lost() && s.Good > 0:
		return fmt.Sprintf("has lost pieces with gang run %s: make them again, override it to go on with the %d good ones, or cancel the job", s.Carrier.Job.ID, s.Good)
	case s.lost():
		return fmt.Sprintf("has lost all its pieces with gang run %s: make them again or cancel the job", s.Carrier.Job.ID)
	case s.inGang():
		return fmt.Sprintf("is done in gang run %s, as its step %s, on panel %s", s.Carrier.Job.ID, s.Carrier.ID(), strings.Join(s.sharedCodes(), " "))
	case g != nil && s.Open():
		return fmt.Sprintf("waits for the shared panel %s: gang run %s is not done with it", strings.Join(s.sharedCodes(), " "), g.ID)
	}
	return ""
}

// sharedCodes returns the codes of the shared panels on which the step's pieces lie.
func (s *Step) sharedCodes() []string {
	var out []string
	for _, p := range s.Panels {
		for _, h := range p.shares {
			if !slices.Contains(out, h.panel.Code) {
				out = append(out, h.panel.Code)
			}
		}
	}
	return out
}

// memberCodes names the members' panels whose pieces lie on a shared panel, for people who hold it in hand.
func (p *Panel) memberCodes() string {
	var names []string
	for _, h := range p.shares {
		if name := h.own.Code + " of " + h.own.Job.ID; !slices.Contains(names, name) {
			names = append(names, name)
		}
	}
	return few(names)
}

// sharedError refuses what is said of a shared panel and means the pieces of one member.
func (p *Panel) sharedError(what string) error {
	return conflict("SHARED_PANEL", "panel %s of gang run %s holds pieces of several jobs: %s by the panel of the job they belong to: %s", p.ID, p.Job.ID, what, p.memberCodes())
}

// doneFor returns the good pieces of a member's step that the gang run's step s has done.
func (s *Step) doneFor(m *Step) int32 {
	var n int32
	for _, p := range m.Panels {
		for _, h := range p.shares {
			if s.Ended == tandemv1.JobState_JOB_STATE_COMPLETED {
				n += h.good()
			} else {
				n += s.done[h.index]
			}
		}
	}
	return n
}

// carriesFor returns the member's step whose work s does on that panel of the member, or nil.
func (s *Step) carriesFor(p *Panel) *Step {
	for _, m := range s.carries {
		if m.Job == p.Job && slices.Contains(m.Panels, p) {
			return m
		}
	}
	return nil
}

// sharesInOrder calls fn for every share that the gang run's step works on, in the order in which the pieces pass the device, until
// it returns false.
func (s *Step) sharesInOrder(fn func(*share) bool) {
	for _, p := range s.Panels {
		for _, h := range p.shares {
			if !fn(h) {
				return
			}
		}
	}
}

// mayHaveBegun says whether anything of the run may have been made. Somebody may have let it begin in records that a backup has replaced.
func (r *Run) mayHaveBegun() bool {
	return !r.Start.IsZero() || r.Good+r.Spoiled > 0 || slices.Contains(r.Reasons, ReasonOutcomeUnknown) || (r.MayStart && slices.Contains(r.Reasons, ReasonResolved))
}

// spoilsShares says whether a count of spoiled pieces is news of a shared panel: whose pieces they are follows from how far the
// run has got.
func (r *Run) spoilsShares(bad int32) bool { return r.Step.Job.IsGang() && bad != r.Spoiled }

// mayHaveBegun says whether a device has the step in hand or anything of it may have been made.
func (s *Step) mayHaveBegun() bool {
	return !s.Open() || s.Live != nil || s.Blocked != "" || slices.ContainsFunc(s.Runs, (*Run).mayHaveBegun)
}

// gangBegun says whether anything of the gang run may have been made.
func (j *Job) gangBegun() bool {
	for _, s := range j.Steps {
		if s.Ended == tandemv1.JobState_JOB_STATE_COMPLETED || slices.ContainsFunc(s.Runs, (*Run).mayHaveBegun) {
			return true
		}
	}
	return false
}

// checkGang verifies what must be true of a gang run and its members.
func (j *Job) checkGang() []error {
	if !j.IsGang() || j.open == 0 {
		return nil
	}
	var errs []error
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("gang run "+j.ID+": "+format, args...))
	}
	for _, h := range j.shares {
		if h.spoiled < 0 || h.spoiled > h.pieces {
			bad("share %d of %s has %d spoiled of %d pieces", h.index, h.own.Job.ID, h.spoiled, h.pieces)
		}
	}
	sound := func(p *Panel) {
		var sum int32
		for _, h := range p.shares {
			sum += h.good()
		}
		if sum != p.Good {
			bad("panel %s of %s has %d good pieces, its shares %d", p.ID, p.Job.ID, p.Good, sum)
		}
	}
	for _, p := range j.Panels {
		sound(p)
		for _, h := range p.shares {
			sound(h.own)
		}
	}
	for _, s := range j.Steps {
		errs = append(errs, s.checkCarrier()...)
	}
	return errs
}

func (s *Step) checkCarrier() []error {
	var errs []error
	bad := func(format string, args ...any) {
		errs = append(errs, fmt.Errorf("gang step %s of %s: "+format, append([]any{s.ID(), s.Job.ID}, args...)...))
	}
	var sum int32
	s.sharesInOrder(func(h *share) bool {
		sum += s.done[h.index]
		if s.Open() && (s.done[h.index] < 0 || s.done[h.index] > h.good()) {
			bad("has done %d of the %d good pieces of share %d", s.done[h.index], h.good(), h.index)
		}
		return true
	})
	if s.Open() && sum != s.Good {
		bad("has %d good pieces, its shares %d", s.Good, sum)
	}
	for _, m := range s.carries {
		switch {
		case m.Carrier != s:
			bad("does the work of %s of %s, which does not know", m.ID(), m.Job.ID)
		case m.Live != nil || slices.ContainsFunc(m.Runs, (*Run).mayHaveBegun):
			bad("does the work of %s of %s, which has runs of its own", m.ID(), m.Job.ID)
		case m.Open() && m.Good != s.doneFor(m):
			bad("has done %d pieces of %s of %s, which counts %d", s.doneFor(m), m.ID(), m.Job.ID, m.Good)
		case m.Open() && s.Ended == tandemv1.JobState_JOB_STATE_COMPLETED && m.Good > 0:
			bad("is completed and %s of %s, with %d good pieces, is not", m.ID(), m.Job.ID, m.Good)
		case m.Ended == tandemv1.JobState_JOB_STATE_COMPLETED && s.Ended != m.Ended:
			bad("is not completed and %s of %s is", m.ID(), m.Job.ID)
		}
	}
	return errs
}
