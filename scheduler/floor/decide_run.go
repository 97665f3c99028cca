package floor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// StartWindow is how long a start stays good: a device that hears of it later waits for a person again, so that nothing
// moves on a stale start.
const StartWindow = 10 * time.Minute

// startAgainAfter is how long a device has to begin after a start. One that has not by then may have had no use for it: its file was not
// there, it was switched off. Its driver waits for another start then, and whoever stands there can give it.
const startAgainAfter = 15 * time.Second

// AskAgainAfter is how long a device that refused a step is not asked again for it.
const AskAgainAfter = 2 * time.Minute

// Grant gives a step to a device: the dispatcher's choice, checked against the rules.
type Grant struct {
	Step     *Step
	Device   *Device
	Why      *tandemv1.GrantReason
	Expected Estimate
}

func (c Grant) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	s, d := c.Step, c.Device
	if ok, why := d.Fits(s.Spec); !ok {
		return Decision{}, conflict("DEVICE_CANNOT", "%s %s", d.ID, why)
	}
	if ok, why := d.Available(); !ok {
		return Decision{}, conflict("DEVICE_NOT_AVAILABLE", "%s %s", d.ID, why)
	}
	switch {
	case s.GangNote() != "":
		return Decision{}, conflict("IN_GANG_RUN", "step %s of %s %s", s.ID(), s.Job.ID, s.GangNote())
	case s.Review:
		return Decision{}, conflict("UNRECORDED_WORK", "%s", s.reviewSummary())
	case !s.Grantable():
		return Decision{}, conflict("STEP_NOT_READY", "step %s of %s cannot start now", s.ID(), s.Job.ID)
	case now.Before(s.Ready()):
		return Decision{}, conflict("STEP_NOT_READY", "step %s of %s waits until %s", s.ID(), s.Job.ID, f.clock(s.Ready()))
	}
	fence := f.counters.GetFence() + 1
	run := &tandemv1.Run{
		Id:               fmt.Sprintf("run-%d", fence),
		Fence:            fence,
		Number:           int32(len(s.Runs)) + 1,
		Device:           d.ID,
		Job:              s.Job.ID,
		Step:             s.ID(),
		Pieces:           s.Left(),
		Reason:           c.Why,
		ExpectedDuration: durationpb.New(c.Expected.Total()),
		ModelDuration:    durationpb.New(c.Expected.Model),
	}
	if c.Expected.Person {
		run.AttendedDuration = durationpb.New(c.Expected.Attended)
	}
	out := Decision{
		Subject: "runs/" + run.GetId(),
		Events:  []*ledgerv1.Event{{Kind: &ledgerv1.Event_RunGranted{RunGranted: &ledgerv1.RunGranted{Run: run}}}},
	}
	if by := d.startsAlone(s); by != "" {
		out.Events = append(out.Events, allowed(run.GetId(), by, now))
		if d.Manual() {
			out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_RunChanged{RunChanged: &ledgerv1.RunChanged{
				Run: run.GetId(), State: tandemv1.JobState_JOB_STATE_PROCESSING, StartTime: stamp(now),
			}}})
		}
	}
	return out, nil
}

// startsAlone returns on whose word a run of the step may begin with nobody at the device, or "" if a person must start it.
func (d *Device) startsAlone(s *Step) string {
	a := d.Ability(s.Operation())
	if !d.ready(s) {
		return ""
	}
	if d.Continues(s) && d.LastRun.StartedBy != "" && !strings.HasPrefix(d.LastRun.StartedBy, unattendedPrefix) {
		return d.LastRun.StartedBy
	}
	if u := a.GetUnattendedStart(); u != nil {
		return unattendedPrefix + u.GetAllowedBy()
	}
	return ""
}

// unattendedPrefix begins Run.StartedBy where nobody stood at the device.
const unattendedPrefix = "unattended, allowed by "

func allowed(run, by string, now time.Time) *ledgerv1.Event {
	return &ledgerv1.Event{Actor: by, Kind: &ledgerv1.Event_RunAllowed{RunAllowed: &ledgerv1.RunAllowed{
		Run: run, StartBefore: stamp(now.Add(StartWindow)),
	}}}
}

// waitsForStart says whether the run is with its device and nobody has let it begin yet.
func (r *Run) waitsForStart() bool {
	return r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.MayStart && !r.Stopping
}

// allowedUnattended lets a run begin whose device may start it with nobody there; it returns nothing otherwise.
func (r *Run) allowedUnattended(now time.Time) []*ledgerv1.Event {
	u := r.Device.Ability(r.Step.Operation()).GetUnattendedStart()
	if u == nil || r.Device.Retired {
		return nil
	}
	out := []*ledgerv1.Event{allowed(r.ID, unattendedPrefix+u.GetAllowedBy(), now)}
	if r.Device.Manual() {
		out = append(out, changed(r, tandemv1.JobState_JOB_STATE_PROCESSING, nil, r.Good, r.Spoiled, now, time.Time{}))
	}
	return out
}

func stopping(r *Run, withdraw bool) *ledgerv1.Event {
	return &ledgerv1.Event{Kind: &ledgerv1.Event_RunStopping{RunStopping: &ledgerv1.RunStopping{Run: r.ID, Withdraw: withdraw}}}
}

func changed(r *Run, state tandemv1.JobState, reasons []string, good, bad int32, start, end time.Time) *ledgerv1.Event {
	return &ledgerv1.Event{Kind: &ledgerv1.Event_RunChanged{RunChanged: &ledgerv1.RunChanged{
		Run: r.ID, State: state, Reasons: reasons, PiecesGood: good, PiecesSpoiled: bad, StartTime: stamp(start), EndTime: stamp(end),
	}}}
}

// StartRun lets a run begin: the word of a person who stands at the device.
type StartRun struct {
	Run string
	// Override says why it is right to begin although the media on the device is another one, or too short. Kept with the run.
	Override string
}

func (c StartRun) decide(f *Floor, now time.Time, m Meta) (Decision, error) {
	r, err := f.needRun(c.Run)
	if err != nil {
		return Decision{}, err
	}
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: r.subject()}
	if r.Step.Live != r {
		return Decision{}, conflict("RUN_ENDED", "run %s has ended", r.ID)
	}
	if r.Unknown() { // who starts it waits for a machine that will not move
		return Decision{}, conflict("OUTCOME_UNKNOWN", "nobody knows how far run %s got: look, count and resolve it", r.ID)
	}
	if r.State != tandemv1.JobState_JOB_STATE_PENDING || r.MayStart && !r.StartAgain(now) {
		return out, nil
	}
	if why := r.barred(); why != "" {
		return Decision{}, conflict("NOT_READY", "run %s cannot start: %s", r.ID, why)
	}
	if r.NeedsLoad() {
		reason, why := r.Device.lacks(r.Step, r.Pieces)
		if Blank(c.Override) {
			return Decision{}, conflict(reason, "run %s cannot start: %s; or override this and say why it is right as it is", r.ID, why)
		}
		out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_MediaOverridden{
			MediaOverridden: &ledgerv1.MediaOverridden{Run: r.ID, Media: r.Device.Loaded, Note: c.Override},
		}})
	}
	out.Events = append(out.Events, allowed(r.ID, m.Actor, now))
	if r.Device.Manual() {
		out.Events = append(out.Events, changed(r, tandemv1.JobState_JOB_STATE_PROCESSING, nil, r.Good, r.Spoiled, now, time.Time{}))
	}
	return out, nil
}

// StartAgain says whether another start may be given though the last one is still good: the device has had its time and has not begun. It
// begins a run once, however many starts it gets, and none of them is taken back: it may begin with the last one yet.
func (r *Run) StartAgain(now time.Time) bool {
	return r.MayStart && r.Start.IsZero() && !r.Device.Manual() && !now.Before(r.StartBefore.Add(startAgainAfter-StartWindow))
}

// CannotStart says what keeps a granted run from beginning; "" if nothing does.
func (r *Run) CannotStart() string {
	why := r.barred()
	if why == "" && r.NeedsLoad() {
		_, why = r.Device.lacks(r.Step, r.Pieces)
	}
	return why
}

// barred says what keeps a granted run from beginning apart from what is loaded; "" if nothing does.
func (r *Run) barred() string {
	d := r.Device
	switch {
	case r.Stopping:
		return "it is being stopped"
	case r.Step.Job.OnHold():
		if h := r.Step.Job.holder(); h != r.Step.Job {
			return h.ID + ", which shares its panels, is held"
		}
		return "its job is held"
	case d.Retired:
		return d.ID + " is no longer in the floor file"
	case d.LockedBy != "":
		return d.ID + " is locked for maintenance by " + d.LockedBy
	case d.Paused:
		return d.ID + " is paused"
	case d.Manual():
		return ""
	case d.Link != tandemv1.Link_LINK_ONLINE:
		return d.ID + " is not online"
	case d.State == tandemv1.DeviceState_DEVICE_STATE_STOPPED:
		return d.ID + " is stopped: " + strings.Join(d.Reasons, ", ")
	}
	return ""
}

func orNothing(s string) string {
	if s == "" {
		return "nothing known loaded"
	}
	return s + " loaded"
}

// StartHere grants a step to a device and starts it there: the choice of a person who stands at the device with the panel.
type StartHere struct {
	Step   *Step
	Device *Device
}

func (c StartHere) decide(f *Floor, now time.Time, m Meta) (Decision, error) {
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	if reason, why := c.Device.lacks(c.Step, c.Step.Left()); reason != "" {
		return Decision{}, conflict(reason, "%s", why)
	}
	why := &tandemv1.GrantReason{Rule: "started by hand at the device by " + m.Actor}
	out, err := Grant{Step: c.Step, Device: c.Device, Why: why, Expected: c.Device.Estimate(c.Step, now)}.decide(f, now, m)
	if err != nil || len(out.Events) > 1 {
		return out, err
	}
	run := out.Events[0].GetRunGranted().GetRun().GetId()
	out.Events = append(out.Events, allowed(run, m.Actor, now))
	if c.Device.Manual() {
		out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_RunChanged{RunChanged: &ledgerv1.RunChanged{
			Run: run, State: tandemv1.JobState_JOB_STATE_PROCESSING, StartTime: stamp(now),
		}}})
	}
	return out, nil
}

// FinishRun records the end of a run on a manual device.
type FinishRun struct {
	Run     string
	Spoiled int32
}

func (c FinishRun) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	r, err := f.needRun(c.Run)
	if err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: r.subject()}
	switch {
	case r.Step.Live != r && c.Spoiled > r.Spoiled:
		// It stays as it is, and whoever counted the pieces must not be told that they are booked.
		return Decision{}, conflict("RUN_ENDED", "run %s had ended already, with %d spoiled pieces: have the other %d of %s / %s made again",
			r.ID, r.Spoiled, c.Spoiled-r.Spoiled, r.Step.Job.ID, r.Step.ID())
	case r.Step.Live != r:
		return out, nil
	case !r.Device.Manual():
		return Decision{}, conflict("DEVICE_REPORTS", "%s reports the end of its runs itself", r.Device.ID)
	case r.State != tandemv1.JobState_JOB_STATE_PROCESSING:
		return Decision{}, conflict("NOT_STARTED", "run %s has not been started", r.ID)
	case r.Step.Drying() && now.Before(r.Step.DryUntil()):
		return Decision{}, conflict("NOT_DRY", "still drying until %s", f.clock(r.Step.DryUntil()))
	case c.Spoiled > r.Spoiled && r.Step.Job.IsGang() && len(r.Step.Panels) > 0:
		return Decision{}, r.Step.Panels[0].sharedError("book spoiled pieces")
	case c.Spoiled < 0 || c.Spoiled > r.Pieces:
		return Decision{}, invalid("pieces_spoiled", "%d of %d pieces cannot be spoiled", c.Spoiled, r.Pieces)
	}
	out.Events = []*ledgerv1.Event{changed(r, tandemv1.JobState_JOB_STATE_COMPLETED, nil, r.mostGood(c.Spoiled), c.Spoiled, r.Start, now)}
	return out, nil
}

// mostGood returns the pieces the run has done well if it is done and has spoiled bad of them: those that somebody has
// booked as spoiled since the grant are no longer there.
func (r *Run) mostGood(bad int32) int32 {
	return max(min(r.Pieces, r.Good+r.Spoiled+r.Step.Left())-bad, 0)
}

// RefuseRun records that a driver would not take a run; nothing has moved.
type RefuseRun struct{ Run, Reason string }

func (c RefuseRun) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	r, err := f.needRun(c.Run)
	if err != nil {
		return Decision{}, err
	}
	// Drying counts from the end of the step before, wherever the panels lie: a rack that will not watch them has moved nothing.
	untouched := r.State == tandemv1.JobState_JOB_STATE_PENDING || r.Step.Drying() && r.State == tandemv1.JobState_JOB_STATE_PROCESSING
	if r.Step.Live != r || !untouched {
		return Decision{}, nil
	}
	return Decision{Events: []*ledgerv1.Event{{
		Actor: driver(r.Device),
		Kind:  &ledgerv1.Event_RunRefused{RunRefused: &ledgerv1.RunRefused{Run: r.ID, Reason: shorten(c.Reason)}},
	}}}, nil
}

// StopRefused records that a driver, asked to stop a run, does not have it in hand: it never arrived, and never will.
type StopRefused struct{ Run string }

func (c StopRefused) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	r, err := f.needRun(c.Run)
	if err != nil {
		return Decision{}, err
	}
	if r.Step.Live != r || !r.Stopping || r.State != tandemv1.JobState_JOB_STATE_PENDING {
		return Decision{}, nil
	}
	e := changed(r, tandemv1.JobState_JOB_STATE_CANCELED, nil, r.Good, r.Spoiled, r.Start, now)
	e.Actor = driver(r.Device)
	return Decision{Events: []*ledgerv1.Event{e}}, nil
}

func driver(d *Device) string { return "driver:" + d.ID }

// ResolveRun is a person's word on a run whose outcome nobody else knows, or that stands still for good.
type ResolveRun struct {
	Run     string
	Outcome ledgerv1.RunResolved_Outcome
	Good    int32 // for OUTCOME_KEEP
	Note    string
}

func (c ResolveRun) decide(f *Floor, now time.Time, m Meta) (Decision, error) {
	r, err := f.needRun(c.Run)
	if err != nil {
		return Decision{}, err
	}
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	s := r.Step
	if !r.resolvable() {
		return Decision{}, conflict("NOTHING_TO_RESOLVE", "run %s is %s: there is nothing to resolve", r.ID, Keyword(r.State))
	}
	if r.mayStillBegin(now) {
		return Decision{}, conflict("MAY_STILL_BEGIN", "run %s has been let begin and %s may hear of it until %s: keep clear of it, and say what became of it after that",
			r.ID, r.Device.ID, f.clock(r.StartBefore))
	}
	keep := c.Good
	switch c.Outcome {
	case ledgerv1.RunResolved_OUTCOME_DONE:
		keep = r.mostGood(r.Spoiled)
	case ledgerv1.RunResolved_OUTCOME_KEEP:
		if keep < 0 || keep > r.Pieces-r.Spoiled {
			return Decision{}, invalid("pieces_good", "%d is not between 0 and %d, the pieces of run %s that are not spoiled", keep, r.Pieces-r.Spoiled, r.ID)
		}
	case ledgerv1.RunResolved_OUTCOME_AGAIN:
		keep = 0
	case ledgerv1.RunResolved_OUTCOME_ABANDON:
		keep = r.Good
	default:
		return Decision{}, invalid("outcome", "say done, keep, again or abandon")
	}
	out := Decision{Subject: s.Job.subject()}
	out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_RunResolved{
		RunResolved: &ledgerv1.RunResolved{Run: r.ID, Outcome: c.Outcome, PiecesGood: keep, Note: c.Note, MayHaveBegun: r.Unknown() && !r.MayStart},
	}})
	if c.Outcome == ledgerv1.RunResolved_OUTCOME_ABANDON && s.Job.Ending == tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		end := f.endJob(s.Job, now, c.Note, true)
		end = slices.DeleteFunc(end, func(e *ledgerv1.Event) bool {
			return e.GetRunStopping().GetRun() == r.ID || e.GetRunChanged().GetRun() == r.ID
		})
		out.Events = append(out.Events, end...)
	}
	return out, nil
}

// mayStillBegin says whether a start is under way that nobody can call back: the run has been let begin, and its device, which
// has not been heard to begin, would still take the start as good.
func (r *Run) mayStillBegin(now time.Time) bool {
	return r.Step.Live == r && r.MayStart && !r.startVoid && r.Start.IsZero() && !r.Device.Manual() && !now.After(r.StartBefore)
}

// resolvable says whether a person's word on the run is called for: it stands still, or its device cannot be asked, or it waits on one
// that has left the floor file, or it ended in a way that left its step blocked.
func (r *Run) resolvable() bool {
	s, d := r.Step, r.Device
	if s.Live == r {
		waits := d.Retired && (d.Manual() || r.State == tandemv1.JobState_JOB_STATE_PENDING)
		return r.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED || d.Link != tandemv1.Link_LINK_ONLINE || waits
	}
	return s.Blocked != "" && len(s.Runs) > 0 && s.Runs[len(s.Runs)-1] == r
}
