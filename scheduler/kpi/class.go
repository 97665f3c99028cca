package kpi

import (
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// Class is what a device does with a moment of its time. Each moment has one.
type Class int

// The classes, in the order in which reports show them.
const (
	Production  Class = iota // makes pieces
	Setup                    // is made ready for a run
	Cleanup                  // is cleared after a run
	Delay                    // stands still in a run
	Waiting                  // has been given work that nobody has begun
	Idle                     // is ready and has nothing to do
	Down                     // stands still without a run: a fault, or a supply that is missing
	Paused                   // is kept from work by a person
	Maintenance              // maintenance or calibration
	Offline                  // does not answer
	NotReported              // has not been heard since a daemon began, or nobody was there to hear it
	Absent                   // was not in the floor file
	// Classes is how many there are.
	Classes
)

var classNames = [Classes]string{
	"production", "setup", "cleanup", "delay", "waiting", "idle", "down", "paused", "maintenance", "offline", "not-reported", "absent",
}

// String returns the class's name on screens and in files.
func (c Class) String() string { return classNames[c] }

// Work says whether the device is worked with.
func (c Class) Work() bool { return c == Production || c == Setup || c == Cleanup }

// Silent says whether nobody knows what the device did.
func (c Class) Silent() bool { return c == Offline || c == NotReported }

// Change is all that the ledger knows of a device from a time on.
type Change struct {
	At      time.Time
	Link    tandemv1.Link
	State   tandemv1.DeviceState
	Phase   tandemv1.DevicePhase
	Reasons []string
	Paused  bool
	// Locked is who has locked it for maintenance. Broken says that it stood still at that moment: it is repaired, not maintained.
	Locked string
	Broken bool
	Note   string // why it is paused or locked
	Absent bool   // it is not in the floor file
}

// class returns what the device does after the change, while a run is under way on it, or one waits on it to be begun.
func (c *Change) class(underWay, waits bool) Class {
	phase := c.Phase
	if phase == tandemv1.DevicePhase_DEVICE_PHASE_UNSPECIFIED {
		phase = phaseOf(c.State)
	}
	switch {
	case c.Absent:
		return Absent
	case c.Link == tandemv1.Link_LINK_OFFLINE:
		return Offline
	case c.Link != tandemv1.Link_LINK_ONLINE, phase == tandemv1.DevicePhase_DEVICE_PHASE_UNSPECIFIED:
		return NotReported
	case phase == tandemv1.DevicePhase_DEVICE_PHASE_OFFLINE:
		return Offline
	case phase == tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION:
		return Production
	case phase == tandemv1.DevicePhase_DEVICE_PHASE_SETUP:
		return Setup
	case phase == tandemv1.DevicePhase_DEVICE_PHASE_CLEANUP:
		return Cleanup
	case c.Locked != "" && c.Broken:
		return Down
	case c.Locked != "", phase == tandemv1.DevicePhase_DEVICE_PHASE_NON_PRODUCTIVE:
		return Maintenance
	case underWay:
		return Delay
	case phase == tandemv1.DevicePhase_DEVICE_PHASE_STOPPED:
		return Down
	case c.Paused:
		return Paused
	case waits:
		return Waiting
	}
	return Idle
}

// phaseOf is the phase of a device whose driver tells none.
func phaseOf(s tandemv1.DeviceState) tandemv1.DevicePhase {
	switch s {
	case tandemv1.DeviceState_DEVICE_STATE_IDLE:
		return tandemv1.DevicePhase_DEVICE_PHASE_IDLE
	case tandemv1.DeviceState_DEVICE_STATE_PROCESSING:
		return tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	case tandemv1.DeviceState_DEVICE_STATE_STOPPED:
		return tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
	case tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED:
	}
	return tandemv1.DevicePhase_DEVICE_PHASE_UNSPECIFIED
}

// why returns why the device stands still: its reasons of the severest kind, or what a person has said.
func (c *Change) why() string {
	severest := func(suffix string) string {
		var out []string
		for _, r := range c.Reasons {
			if strings.HasSuffix(r, suffix) {
				out = append(out, r)
			}
		}
		return strings.Join(out, " ")
	}
	if c.Paused || c.Locked != "" {
		if c.Note != "" {
			return c.Note
		}
	}
	// RFC 8011 section 5.4.12: a reason without a suffix is an error.
	var plain []string
	for _, r := range c.Reasons {
		if !strings.HasSuffix(r, "-warning") && !strings.HasSuffix(r, "-report") {
			plain = append(plain, r)
		}
	}
	if len(plain) > 0 {
		return strings.Join(plain, " ")
	}
	if w := severest("-warning"); w != "" {
		return w
	}
	return severest("-report")
}
