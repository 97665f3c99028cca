package floor

import (
	"slices"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/duration"
)

// Job is what a customer ordered.
type Job struct {
	ID     string
	Code   string
	Number uint64        // order of intake
	Spec   *tandemv1.Job // as handed in and normalised: inputs only, steps and panels as first submitted
	Panels []*Panel
	Steps  []*Step
	byStep map[string]*Step

	Held     bool
	HoldNote string
	Ending   tandemv1.JobState // canceled or aborted once that is decided; unspecified before
	Create   time.Time
	End      time.Time // zero until every step has ended
	Revision uint64
	open     int // steps that have not ended
	booking  *booking

	Members []*Job   // of a gang run: the jobs whose steps it does
	shares  []*share // of a gang run: whose pieces lie where
	gang    *Job     // the gang run that does steps of this job, or did
}

// Panel is a physical segment of web or sheet.
type Panel struct {
	Job       *Job
	ID        string
	Code      string
	Pieces    int32
	Good      int32
	Spoiled   int32
	Place     string
	Slot      string // of the rack that Place is; empty: nobody said
	PlaceTime time.Time
	RemakeOf  string
	Spec      *tandemv1.Panel // inputs only: size and what lies on it
	shares    []*share        // of a gang run's panel, or of a member's: what of it is shared
}

// Step is one operation on one or more panels.
type Step struct {
	Job      *Job
	Index    int            // its place in Job.Steps
	Spec     *tandemv1.Step // inputs only
	Class    *Class
	Panels   []*Panel
	Before   []*Step
	Next     []*Step
	RemakeOf string

	Waiting    int               // steps before it that are not completed
	Free       time.Time         // when the last of them was completed; intake or release time if there are none
	Ended      tandemv1.JobState // completed, canceled or aborted; unspecified before
	Blocked    string            // reason why a person must decide; empty: nobody need
	Review     bool              // it may have been done without a record: a person must say
	WaitWaived bool
	Good       int32
	Spoiled    int32
	Start      time.Time
	End        time.Time
	Runs       []*Run
	Live       *Run
	refused    map[string]time.Time // device id -> not asked again before

	Carrier     *Step   // the gang run's step that does this one's work, or did
	carries     []*Step // of a gang run: the steps whose work it does
	done, given []int32 // of a gang run, for each share: good pieces done; pieces its last run was given
}

// Run is one grant of a step to a device.
type Run struct {
	ID      string
	Fence   uint64
	Number  int32
	Device  *Device
	Step    *Step
	Pieces  int32
	State   tandemv1.JobState
	Reasons []string
	Good    int32
	Spoiled int32

	Grant, Start, End time.Time
	Expected          time.Duration // set-up, changeover and work, as estimated when granted
	Model             time.Duration // the same as the model alone says
	Person            bool          // somebody was needed to begin it, as estimated when granted
	Attended          time.Duration // for which they were to stay
	Stopped           time.Duration // it stood still between start and end
	stoppedSince      time.Time     // it stands still; zero: it does not
	Lot               *Lot          // it is made from; nil: none that is kept account of, or none long enough yet
	LotLength         int64         // it takes from that lot, micrometres: reserved while it lives, used once it has ended
	Earlier           []*tandemv1.LotUse
	Override          string // who let it begin with other media, or too short, and why
	MayStart          bool
	StartedBy         string
	StartBefore       time.Time // zero: a start does not go stale
	startVoid         bool      // a start that may be on its way is refused: the device has begun a new epoch without the run
	Stopping          bool
	Withdraw          bool
	Why               *tandemv1.GrantReason
	Registrations     []*tandemv1.Registration // of its panels, in the order in which they were read
}

// Step returns the step with that id.
func (j *Job) Step(id string) (*Step, bool) {
	s, ok := j.byStep[id]
	return s, ok
}

// Panel returns the panel with that id.
func (j *Job) Panel(id string) (*Panel, bool) {
	for _, p := range j.Panels {
		if p.ID == id {
			return p, true
		}
	}
	return nil, false
}

// ID returns the step's id, unique in its job.
func (s *Step) ID() string { return s.Spec.GetId() }

// Operation returns what the step does.
func (s *Step) Operation() string { return s.Spec.GetOperation() }

// Drying says whether the step is a drying time.
func (s *Step) Drying() bool { return s.Operation() == dry }

// Open says whether the step has yet to end.
func (s *Step) Open() bool { return s.Ended == tandemv1.JobState_JOB_STATE_UNSPECIFIED }

// Left returns the pieces the step still has to do: the good ones on its panels less those it has done.
func (s *Step) Left() int32 {
	if !s.Open() {
		return 0
	}
	left := -s.Good
	for _, p := range s.Panels {
		left += p.Good
	}
	return max(left, 0)
}

// Whole returns the pieces that the step's lengths and duration are given for: those laid out on the panels it was made
// for, without the ones that a remake has brought in.
func (s *Step) Whole() int32 {
	var n int32
	for i, p := range s.Panels {
		if s.RemakeOf == "" && p.RemakeOf == "" || s.RemakeOf != "" && i == 0 {
			n += p.Pieces
		}
	}
	return n
}

// Demand returns what the pieces left ask of a device. An empty one leaves out what was worked out for each device.
func (s *Step) Demand(device string) duration.Demand { return s.partDemand(s.Left(), device) }

// partDemand returns what n of the step's pieces ask of a device.
func (s *Step) partDemand(n int32, device string) duration.Demand {
	d := duration.Demand{
		Pieces:       s.Whole(),
		Panels:       int32(len(s.Panels)),
		Mode:         s.Spec.GetMode(),
		WidthUm:      s.Spec.GetWidthUm(),
		LengthUm:     s.Spec.GetLengthUm(),
		PathLengthUm: s.Spec.GetPathLengthUm(),
		Contour:      s.Spec.GetContourWork()[device].AsDuration(),
	}
	if !s.Drying() {
		d.Fixed = s.Spec.GetDuration().AsDuration()
	}
	return d.Scale(n, s.Whole())
}

// Supply returns the media or film that must be loaded on the device: the laminate film if the step names one, else the
// media of a step that begins a panel. Later steps find the media under the print.
func (s *Step) Supply() string {
	if film := s.Spec.GetFilm(); film != "" {
		return film
	}
	for _, b := range s.Before {
		for _, p := range b.Panels {
			if slices.Contains(s.Panels, p) {
				return ""
			}
		}
	}
	return s.Spec.GetMedia()
}

// Ready returns the earliest start that release and waiting times allow. It means something once Waiting is 0.
func (s *Step) Ready() time.Time {
	ready := s.Free
	if !s.WaitWaived {
		ready = ready.Add(s.Spec.GetMinWait().AsDuration())
	}
	return later(ready, s.Job.Release())
}

// DryUntil returns when a drying step may end: its duration after the end of the step before, wherever the panel lies.
func (s *Step) DryUntil() time.Time {
	if s.WaitWaived {
		return s.Free
	}
	return s.Free.Add(s.Spec.GetDuration().AsDuration())
}

// Grantable says whether the step may be given to a device as soon as its Ready time has come.
func (s *Step) Grantable() bool {
	return s.Open() && s.Live == nil && s.Blocked == "" && !s.Review && s.Waiting == 0 && s.Left() > 0 && s.ownWork() &&
		!s.Job.OnHold() && s.Job.Ending == tandemv1.JobState_JOB_STATE_UNSPECIFIED
}

// RefusedUntil returns when the device may be asked again; the zero time if it has not refused.
func (s *Step) RefusedUntil(device string) time.Time { return s.refused[device] }

// State returns the step's state and the reasons for it at the given time.
func (s *Step) State(now time.Time) (tandemv1.JobState, []string) {
	switch {
	case s.Ended == tandemv1.JobState_JOB_STATE_COMPLETED && s.Spoiled > 0:
		return s.Ended, []string{ReasonCompletedErrors}
	case s.Ended == tandemv1.JobState_JOB_STATE_COMPLETED:
		return s.Ended, []string{ReasonCompletedOK}
	case s.Ended == tandemv1.JobState_JOB_STATE_CANCELED:
		return s.Ended, []string{ReasonCanceledByOperator}
	case s.Ended == tandemv1.JobState_JOB_STATE_ABORTED:
		return s.Ended, []string{ReasonAbortedBySystem}
	case s.Live != nil:
		return s.Live.State, s.Live.reasons()
	case s.Carrier != nil:
		return s.carriedState(now)
	case s.Blocked != "":
		return tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, []string{s.Blocked}
	}
	return s.waitingState(now)
}

func (s *Step) waitingState(now time.Time) (tandemv1.JobState, []string) {
	const held = tandemv1.JobState_JOB_STATE_PENDING_HELD
	var reasons []string
	if s.Job.OnHold() {
		reasons = append(reasons, ReasonHoldUntilSpecified)
	}
	if s.Review {
		reasons = append(reasons, ReasonUnrecorded)
	}
	if s.onSharedPanel() != nil {
		reasons = append(reasons, ReasonInGangRun)
	}
	if s.Waiting > 0 {
		reasons = append(reasons, ReasonWaitingPredecessor)
	} else if now.Before(s.Ready()) {
		reasons = append(reasons, ReasonWaitingTime)
	}
	if len(reasons) > 0 {
		return held, reasons
	}
	if most := s.Spec.GetMaxWait().AsDuration(); most > 0 && now.After(s.Free.Add(most)) {
		reasons = append(reasons, ReasonWaitTooLong)
	}
	switch {
	case s.Left() == 0:
		reasons = append(reasons, ReasonNoPieces)
	case len(s.Class.Fits) == 0:
		reasons = append(reasons, ReasonNotSupported)
	case s.Drying():
		reasons = append(reasons, ReasonRackFull)
	default:
		reasons = append(reasons, ReasonNotReady)
	}
	return tandemv1.JobState_JOB_STATE_PENDING, reasons
}

// reasons of a live run: what its device said, and what the ledger adds.
func (r *Run) reasons() []string {
	out := slices.Clone(r.Reasons)
	add := func(reason string) {
		if !slices.Contains(out, reason) {
			out = append(out, reason)
		}
	}
	switch r.State {
	case tandemv1.JobState_JOB_STATE_PENDING:
		add(ReasonQueuedInDevice)
		if !r.MayStart {
			add(ReasonAwaitingStart)
		}
		if r.mediaMismatch() {
			add(ReasonMediaMismatch)
		}
		if r.lotTooShort() {
			add(ReasonLotTooShort)
		}
		if r.bladeMismatch() {
			add(ReasonBladeMismatch)
		}
	case tandemv1.JobState_JOB_STATE_PROCESSING:
		if r.Step.Operation() == "print" {
			add(ReasonPrinting)
		}
		if r.Step.Drying() {
			add(ReasonDrying)
		}
	default: // what the device said is all
	}
	if r.misregistered() != nil {
		add(ReasonRegistrationFailed)
	}
	if r.Stopping {
		add(ReasonToStopPoint)
	}
	return out
}

// Unknown says whether nobody knows how far the run got.
func (r *Run) Unknown() bool {
	return r.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && slices.Contains(r.Reasons, ReasonOutcomeUnknown)
}

// State returns the job's state and the reasons for it. Rules: decided endings first; completed when every step is;
// processing while any step is; stopped when a step is stopped and none is processing; held while nothing may run; else
// pending.
func (j *Job) State(now time.Time) (tandemv1.JobState, []string) {
	if j.open == 0 {
		if j.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED {
			return j.Ending, []string{endReason(j.Ending)}
		}
		for _, s := range j.Steps {
			if s.Spoiled > 0 {
				return tandemv1.JobState_JOB_STATE_COMPLETED, []string{ReasonCompletedErrors}
			}
		}
		return tandemv1.JobState_JOB_STATE_COMPLETED, []string{ReasonCompletedOK}
	}
	if j.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		return tandemv1.JobState_JOB_STATE_PROCESSING, []string{ReasonToStopPoint}
	}
	var best tandemv1.JobState
	var reasons []string
	for _, s := range j.Steps {
		if !s.Open() {
			continue
		}
		state, why := s.State(now)
		if jobRank[state] > jobRank[best] {
			best, reasons = state, why
		}
	}
	return best, reasons
}

// jobRank orders the states of open steps by what the job as a whole is said to be.
var jobRank = map[tandemv1.JobState]int{
	tandemv1.JobState_JOB_STATE_PENDING_HELD:       1,
	tandemv1.JobState_JOB_STATE_PENDING:            2,
	tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED: 3,
	tandemv1.JobState_JOB_STATE_PROCESSING:         4,
}

func endReason(s tandemv1.JobState) string {
	if s == tandemv1.JobState_JOB_STATE_ABORTED {
		return ReasonAbortedBySystem
	}
	return ReasonCanceledByOperator
}
