package floor

import (
	"fmt"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// PauseDevice lets a device finish what runs and gives it no more. Runs that it has not begun go back to waiting.
type PauseDevice struct{ Device, Note string }

func (c PauseDevice) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: d.subject()}
	if d.Paused && d.Note == c.Note {
		return out, nil
	}
	out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_DevicePaused{
		DevicePaused: &ledgerv1.DevicePaused{Device: d.ID, Note: c.Note},
	}})
	out.Events = append(out.Events, d.withdrawals()...)
	return out, nil
}

// withdrawals takes back what the device has been told and has not begun.
func (d *Device) withdrawals() []*ledgerv1.Event {
	var events []*ledgerv1.Event
	for _, r := range d.Live {
		if r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.Stopping {
			events = append(events, stopping(r, true))
		}
	}
	return events
}

// ResumeDevice ends a pause.
type ResumeDevice struct{ Device string }

func (c ResumeDevice) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: d.subject()}
	if d.Paused {
		out.Events = []*ledgerv1.Event{{Kind: &ledgerv1.Event_DeviceResumed{DeviceResumed: &ledgerv1.DeviceResumed{Device: d.ID}}}}
	}
	return out, nil
}

// LockDevice keeps a device out of use for maintenance. It is a note to the dispatcher and no safety function.
type LockDevice struct{ Device, Note string }

func (c LockDevice) decide(f *Floor, _ time.Time, m Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: d.subject()}
	switch d.LockedBy {
	case "":
	case m.Actor:
		return out, nil
	default:
		return Decision{}, conflict("LOCKED", "%s is locked already, by %s", d.ID, d.LockedBy)
	}
	out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_DeviceLocked{
		DeviceLocked: &ledgerv1.DeviceLocked{Device: d.ID, Note: c.Note},
	}})
	out.Events = append(out.Events, d.withdrawals()...)
	return out, nil
}

// UnlockDevice clears a maintenance lock: its setter may, or a supervisor.
type UnlockDevice struct{ Device string }

func (c UnlockDevice) decide(f *Floor, _ time.Time, m Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: d.subject()}
	if d.LockedBy == "" {
		return out, nil
	}
	if d.LockedBy != m.Actor && !f.Supervisor(m.Actor) {
		return Decision{}, &Error{
			Kind: Forbidden, Reason: "LOCK_OF_ANOTHER",
			Message: fmt.Sprintf("%s was locked by %s: only they or a supervisor may clear it", d.ID, d.LockedBy),
		}
	}
	out.Events = []*ledgerv1.Event{{Kind: &ledgerv1.Event_DeviceUnlocked{DeviceUnlocked: &ledgerv1.DeviceUnlocked{Device: d.ID}}}}
	return out, nil
}

// LoadMedia records which media or film is on a device. A run that waited only for it, and that may start unattended, may
// start now.
type LoadMedia struct{ Device, Media string }

func (c LoadMedia) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	if c.Media == "" {
		return Decision{}, invalid("media", "name the media or film that is on the device")
	}
	if known := f.file.GetMedia(); len(known) > 0 {
		found := false
		for _, m := range known {
			found = found || m.GetId() == c.Media
		}
		if !found {
			return Decision{}, invalid("media", "%q is not in the floor file's media list", shorten(c.Media))
		}
	}
	out := Decision{Subject: d.subject()}
	if d.Loaded == c.Media {
		return out, nil
	}
	for _, r := range d.Live {
		if r.State != tandemv1.JobState_JOB_STATE_PENDING && r.Step.Supply() != "" && r.Step.Supply() != c.Media {
			return Decision{}, conflict("DEVICE_BUSY", "%s has begun on %s with %s: other media cannot be loaded before %s has ended or a person has resolved it", d.ID, r.Step.Job.ID, r.Step.Supply(), r.ID)
		}
	}
	out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_MediaLoaded{
		MediaLoaded: &ledgerv1.MediaLoaded{Device: d.ID, Media: c.Media},
	}})
	for _, r := range d.Live {
		if r.waitsForStart() && !r.Step.Job.OnHold() && r.Step.Supply() == c.Media {
			out.Events = append(out.Events, r.allowedUnattended(now)...)
		}
	}
	return out, nil
}
