package floor

import (
	"fmt"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// PauseDevice lets a device finish what runs and gives it no more. Runs that it has not begun go back to waiting. Work is
// planned with it from the time at which it is expected back, if that is given.
type PauseDevice struct {
	Device, Note string
	Back         time.Time
}

func (c PauseDevice) decide(f *Floor, now time.Time, _ Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	if err := f.checkBack(c.Back, now); err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: d.subject()}
	if d.Paused && d.Note == c.Note && d.Back.Equal(c.Back) {
		return out, nil
	}
	out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_DevicePaused{
		DevicePaused: &ledgerv1.DevicePaused{Device: d.ID, Note: c.Note, BackTime: stamp(c.Back)},
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

// longestOut is the farthest that a device can be expected back: a slip of the pen would keep work waiting for it.
const longestOut = 366 * 24 * time.Hour

// checkBack refuses a time at which a device cannot be expected back.
func (f *Floor) checkBack(back, now time.Time) error {
	switch {
	case back.IsZero():
	case !back.After(now):
		return invalid("back_time", "%s has passed; give a time to come, or leave it out if nobody knows", f.clock(back))
	case back.Sub(now) > longestOut:
		return invalid("back_time", "%s is more than a year away; leave it out if nobody knows", f.clock(back))
	}
	return nil
}

// LockDevice keeps a device out of use for maintenance. It is a note to the dispatcher and no safety function. Work is planned
// with it from the time at which it is expected back, if that is given; its setter may set that anew.
type LockDevice struct {
	Device, Note string
	Back         time.Time
}

func (c LockDevice) decide(f *Floor, now time.Time, m Meta) (Decision, error) {
	d, err := f.needDevice(c.Device)
	if err != nil {
		return Decision{}, err
	}
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	if err := f.checkBack(c.Back, now); err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: d.subject()}
	switch d.LockedBy {
	case "":
	case m.Actor:
		if c.Back.IsZero() || d.Back.Equal(c.Back) {
			return out, nil
		}
	default:
		return Decision{}, conflict("LOCKED", "%s is locked already, by %s", d.ID, d.LockedBy)
	}
	out.Events = append(out.Events, &ledgerv1.Event{Kind: &ledgerv1.Event_DeviceLocked{
		DeviceLocked: &ledgerv1.DeviceLocked{Device: d.ID, Note: c.Note, BackTime: stamp(c.Back)},
	}})
	out.Events = append(out.Events, d.withdrawals()...)
	return out, nil
}

// UnlockDevice clears a maintenance lock: its setter may, or a supervisor, also once the device has left the floor file.
type UnlockDevice struct{ Device string }

func (c UnlockDevice) decide(f *Floor, _ time.Time, m Meta) (Decision, error) {
	d, ok := f.Device(c.Device)
	if !ok || d.Retired && d.LockedBy == "" {
		return Decision{}, Missing("device", c.Device)
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
