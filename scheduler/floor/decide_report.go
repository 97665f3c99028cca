package floor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// Greet is a driver's hello: everything it has in hand, in one message. After any restart it is the answer to the question
// that must be asked before anything is granted.
type Greet struct {
	Device string
	Status *driverv1.Status
}

func (c Greet) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	d, err := f.needHeard(c.Device)
	if err != nil {
		return Decision{}, err
	}
	epoch := c.Status.GetEpoch()
	if epoch < d.Epoch {
		return Decision{}, &Error{
			Kind: Stale, Reason: "OLD_EPOCH",
			Message: fmt.Sprintf("another driver of %s has started since (epoch %d, not %d)", d.ID, d.Epoch, epoch),
		}
	}
	var out Decision
	fresh, link := epoch != d.Epoch, d.Link
	if fresh || !d.Greeted || link != tandemv1.Link_LINK_ONLINE {
		link = tandemv1.Link_LINK_ONLINE
		out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_DeviceGreeted{
			DeviceGreeted: &ledgerv1.DeviceGreeted{Device: d.ID, Epoch: epoch},
		}})
	}
	for _, r := range d.Live {
		if findRun(c.Status, r) == nil && r.lostBy(fresh) {
			e := lost(r)
			e.GetRunChanged().StartVoid = fresh
			out.Events = append(out.Events, e)
		}
	}
	out.Events = append(out.Events, d.forgotten(c.Status)...)
	// A driver that says hello has not heard this daemon's answer: it may go by the clock, and the start, of one that leads no longer.
	out.Events = append(out.Events, f.reported(d, c.Status, link, now, time.Time{})...)
	return out, nil
}

// lostBy says whether a run's outcome is unknown when its device no longer has it in hand. In the same epoch a run that
// was never reported has not arrived yet: it is sent again. A device that started anew may have begun whatever it was
// allowed to begin.
func (r *Run) lostBy(newEpoch bool) bool {
	if r.Device.Manual() || r.Unknown() {
		return false
	}
	if r.State == tandemv1.JobState_JOB_STATE_PENDING {
		return newEpoch && r.MayStart
	}
	return true
}

func lost(r *Run) *ledgerv1.Event {
	return changed(r, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, []string{ReasonOutcomeUnknown}, r.Good, r.Spoiled, r.Start, time.Time{})
}

// NotGreeted is the reason for which a status is refused that comes before the first hello of a term.
const NotGreeted = "NOT_GREETED"

// Report is a driver's status: the whole truth about its device. It causes no event if nothing has changed.
type Report struct {
	Device string
	Status *driverv1.Status
}

func (c Report) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	d, err := f.needHeard(c.Device)
	if err != nil {
		return Decision{}, err
	}
	if c.Status.GetEpoch() != d.Epoch {
		return Decision{}, &Error{
			Kind: Stale, Reason: "OLD_EPOCH",
			Message: fmt.Sprintf("%s is in epoch %d, not %d: say hello first", d.ID, d.Epoch, c.Status.GetEpoch()),
		}
	}
	if !d.Greeted {
		return Decision{}, &Error{Kind: Stale, Reason: NotGreeted, Message: d.ID + " has not said hello to this daemon yet"}
	}
	var out Decision
	for _, r := range d.Live {
		if findRun(c.Status, r) == nil && r.lostBy(false) {
			out.Events = append(out.Events, lost(r))
		}
	}
	out.Events = append(out.Events, d.forgotten(c.Status)...)
	out.Events = append(out.Events, f.reported(d, c.Status, d.Link, now, observed(c.Status, now))...)
	return out, nil
}

// LoseDevice says that a driver has been silent for too long. What its device may have begun has an unknown outcome.
type LoseDevice struct{ Device string }

func (c LoseDevice) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	d, err := f.needHeard(c.Device)
	if err != nil {
		return Decision{}, err
	}
	var out Decision
	if d.Link != tandemv1.Link_LINK_OFFLINE {
		out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_DeviceChanged{DeviceChanged: &ledgerv1.DeviceChanged{
			Device: d.ID, State: d.State, Reasons: []string{"timed-out"},
			Phase: tandemv1.DevicePhase_DEVICE_PHASE_OFFLINE, Link: tandemv1.Link_LINK_OFFLINE,
		}}})
	}
	for _, r := range d.Live {
		if r.lostBy(true) {
			out.Events = append(out.Events, lost(r))
		}
	}
	return out, nil
}

func findRun(s *driverv1.Status, r *Run) *driverv1.RunStatus {
	for _, rs := range s.GetRuns() {
		if rs.GetRun() == r.ID && rs.GetFence() == r.Fence {
			return rs
		}
	}
	return nil
}

// observed is when a driver observed what it says, by its own clock, which tells it whether a start has lapsed; but not later than now.
func observed(s *driverv1.Status, now time.Time) time.Time {
	if t := s.GetObserveTime(); t.IsValid() && t.AsTime().Before(now) {
		return t.AsTime()
	}
	return now
}

// reported compares a status with what the ledger holds and returns the differences. The link is the one that the events
// before leave behind; starts that were to begin before a time have lapsed if their runs still wait.
func (f *Floor) reported(d *Device, s *driverv1.Status, before tandemv1.Link, now, lapsed time.Time) []*ledgerv1.Event {
	var events []*ledgerv1.Event
	link := s.GetLink()
	if link == tandemv1.Link_LINK_UNSPECIFIED || link == tandemv1.Link_LINK_NOT_YET_REPORTED {
		link = tandemv1.Link_LINK_ONLINE
	}
	reasons := cleanReasons(s.GetStateReasons())
	if d.State != s.GetState() || !slices.Equal(d.Reasons, reasons) || d.Phase != s.GetPhase() || before != link {
		events = append(events, &ledgerv1.Event{Kind: &ledgerv1.Event_DeviceChanged{DeviceChanged: &ledgerv1.DeviceChanged{
			Device: d.ID, State: s.GetState(), Reasons: reasons, Phase: s.GetPhase(), Link: link,
		}}})
	}
	heard := map[string]bool{}
	for _, rs := range s.GetRuns() {
		if heard[rs.GetRun()] { // the first word about a run counts
			continue
		}
		heard[rs.GetRun()] = true
		r := f.runs[rs.GetRun()]
		if r != nil && r.Device == d && r.Fence == rs.GetFence() && r.Step.Live == r {
			events = append(events, r.registered(rs)...)
			if e := r.reported(rs, reasons, now, lapsed); e != nil {
				events = append(events, e)
				if empty := r.ranOut(e.GetRunChanged()); empty != nil {
					events = append(events, empty)
				}
				if r.waitsAfterAll(e.GetRunChanged()) {
					events = append(events, stopping(r, true))
				}
			}
		} else if e, unrecorded := f.unrecordedWork(d, rs); unrecorded {
			if e != nil {
				events = append(events, e)
			}
		} else if e := d.stray(r, rs); e != nil {
			events = append(events, e)
		}
	}
	for _, e := range events {
		e.Actor = driver(d)
	}
	return events
}

// waitsAfterAll says whether a run that devices had when a backup was made turns out to wait still. It may have been given up since, and its
// work done elsewhere, without a word to this device: it is taken back, and the step waits for a person's word.
func (r *Run) waitsAfterAll(e *ledgerv1.RunChanged) bool {
	return e.GetState() == tandemv1.JobState_JOB_STATE_PENDING && r.Unknown() && r.Step.Review && !r.Stopping
}

// reported returns the event for a device's word on its live run, or nil if it says nothing new. What the device says of
// itself tells whether the run stands still, or was given up, for want of material.
func (r *Run) reported(rs *driverv1.RunStatus, device []string, now, lapsed time.Time) *ledgerv1.Event {
	const (
		pending   = tandemv1.JobState_JOB_STATE_PENDING
		completed = tandemv1.JobState_JOB_STATE_COMPLETED
	)
	state, reasons := rs.GetState(), cleanReasons(rs.GetStateReasons())
	if empty := reasonWith(device, mediaEmpty); empty != "" && r.Step.Supply() != "" && cameToAStand(state) && reasonWith(reasons, mediaEmpty) == "" {
		reasons = append(reasons, empty)
	}
	// Counts never go back within a run, and never over what was asked.
	bad := min(max(rs.GetPiecesSpoiled(), r.Spoiled), r.Pieces)
	good := min(max(rs.GetPiecesGood(), r.Good), r.Pieces-bad)
	start := r.startAsReported(rs, now)
	if r.Device.Manual() {
		good = min(good, r.mostGood(bad)) // nobody counts there
	}
	switch {
	case state == pending && r.MayStart && !r.StartBefore.IsZero() && lapsed.After(r.StartBefore) && slices.Contains(reasons, ReasonAwaitingStart):
		return &ledgerv1.Event{Kind: &ledgerv1.Event_RunLapsed{RunLapsed: &ledgerv1.RunLapsed{Run: r.ID}}}
	case state == pending && (r.State == pending || r.Device.Manual()):
		return nil
	case state == completed && r.Step.Drying() && now.Before(r.Step.DryUntil()):
		return nil // a rack whose clock is fast: drying time is a floor
	case ended(state):
		takenBack := r.Stopping && r.State == pending && state == tandemv1.JobState_JOB_STATE_CANCELED
		if r.Device.Manual() && !r.Step.Drying() && !takenBack {
			return nil // its end is a person's word
		}
		return changed(r, state, reasons, good, bad, start, bounded(moment(rs.GetEndTime()), later(r.Grant, start), now))
	case state == tandemv1.JobState_JOB_STATE_UNSPECIFIED || state == tandemv1.JobState_JOB_STATE_PENDING_HELD:
		return nil
	case state == r.State && slices.Equal(reasons, r.Reasons) && (state == tandemv1.JobState_JOB_STATE_PROCESSING && !r.spoilsShares(bad) || good == r.Good && bad == r.Spoiled):
		return nil // progress alone is telemetry
	case r.Device.Manual():
		return nil
	}
	return changed(r, state, reasons, good, bad, start, time.Time{})
}

// cameToAStand says whether a run stands still, or has ended, before it was done.
func cameToAStand(s tandemv1.JobState) bool {
	return s == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED || s == tandemv1.JobState_JOB_STATE_ABORTED || s == tandemv1.JobState_JOB_STATE_CANCELED
}

// ranOut returns the event that books the run's lot as empty, if its device says so with this change: again only after it
// has gone on.
func (r *Run) ranOut(c *ledgerv1.RunChanged) *ledgerv1.Event {
	if c == nil || r.Lot == nil || r.Lot.Remaining == 0 || !cameToAStand(c.GetState()) || reasonWith(c.GetReasons(), mediaEmpty) == "" {
		return nil
	}
	known := r.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && reasonWith(r.Reasons, mediaEmpty) != ""
	if known && c.GetPiecesGood()+c.GetPiecesSpoiled() == r.made() {
		return nil
	}
	return measured(r.Lot, 0, fmt.Sprintf("%s reports that it is empty", r.Device.ID))
}

// startAsReported returns when the run began: once known it stands. A run that ended early without a sign of a beginning
// never began, and nothing it would have worked on has moved.
func (r *Run) startAsReported(rs *driverv1.RunStatus, now time.Time) time.Time {
	begun := rs.GetStartTime() != nil || rs.GetPiecesGood() > 0 || rs.GetPiecesSpoiled() > 0
	switch s := rs.GetState(); {
	case !r.Start.IsZero():
		return r.Start
	case s == tandemv1.JobState_JOB_STATE_PENDING:
		return time.Time{}
	case !begun && (s == tandemv1.JobState_JOB_STATE_CANCELED || s == tandemv1.JobState_JOB_STATE_ABORTED):
		return time.Time{}
	}
	return bounded(moment(rs.GetStartTime()), r.Grant, now)
}

// stray returns the event for a device's word on a run that is not, or no longer, its own; nil if it needs no record.
func (d *Device) stray(r *Run, rs *driverv1.RunStatus) *ledgerv1.Event {
	state := rs.GetState()
	settled := r != nil && r.Device == d && r.Fence == rs.GetFence()
	// The repeated report of an end we know, or of a run about to hear that it was taken back.
	if settled && (state == r.State || state == tandemv1.JobState_JOB_STATE_PENDING || d.Manual()) {
		return nil
	}
	id := rs.GetRun()
	if !tandemv1.ValidID(id) || len(d.strays) >= mostStrays || slices.Contains(d.strays, strayKey(id, state)) {
		return nil
	}
	return &ledgerv1.Event{Kind: &ledgerv1.Event_StrayReported{StrayReported: &ledgerv1.StrayReported{
		Device: d.ID, Run: id, State: state, PiecesGood: rs.GetPiecesGood(),
	}}}
}

func strayKey(run string, state tandemv1.JobState) string { return run + " " + Keyword(state) }

// Disputed returns the runs that a device says it has completed although, by the ledger, they ended otherwise: on a person's word, as
// a rule, while it could not be asked. What it has made is in no count. They are named until the device starts anew.
func (f *Floor) Disputed(d *Device) []*Run {
	var out []*Run
	for _, key := range d.strays {
		id, _, _ := strings.Cut(key, " ")
		r := f.runs[id]
		if r != nil && r.Device == d && r.State != tandemv1.JobState_JOB_STATE_COMPLETED && key == strayKey(id, tandemv1.JobState_JOB_STATE_COMPLETED) {
			out = append(out, r)
		}
	}
	return out
}

func ended(s tandemv1.JobState) bool {
	return s == tandemv1.JobState_JOB_STATE_COMPLETED || s == tandemv1.JobState_JOB_STATE_ABORTED || s == tandemv1.JobState_JOB_STATE_CANCELED
}

// bounded returns t if it lies between from and to, the nearer bound if not, and to if t is not known.
func bounded(t, from, to time.Time) time.Time {
	switch {
	case t.IsZero() || t.After(to):
		return to
	case t.Before(from):
		return from
	}
	return t
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}

// cleanReasons keeps what looks like a keyword, so that a hostile driver can neither fill the ledger nor write to a
// terminal. "none" means no reason.
func cleanReasons(in []string) []string {
	const most = 16
	var out []string
	for _, r := range in {
		if tandemv1.ValidID(r) && r != "none" && !slices.Contains(out, r) && len(out) < most {
			out = append(out, r)
		}
	}
	return out
}
