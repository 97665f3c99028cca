package floor

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// How late is too late to be left without a word. Common practice, no source.
const (
	startWithin = 30 * time.Minute // from a run's grant to its start by a person, while somebody is there
	seenWithin  = 15 * time.Minute // from the end of a print to the scan of its panel in a rack with slots, while somebody is there
	overAtLeast = 10 * time.Minute // after the planned end; or half of what the run was to take, if that is longer
)

// Overdue returns why somebody should ask after the run, and since when it is late; "" if there is nothing to ask. What only people
// can report is late by the time that somebody is there for it: nothing is at night, when nobody is.
func (r *Run) Overdue(now time.Time) (reason string, since time.Time) {
	waited := func(from time.Time) time.Duration {
		if r.Device.people == nil {
			return now.Sub(from)
		}
		return r.Device.people.calendar.Attended(from, now)
	}
	switch {
	case r.Stopping || r.Unknown():
	case r.Step.Drying():
		if len(r.Device.Spec.GetSlots()) > 0 && r.State == tandemv1.JobState_JOB_STATE_PROCESSING && r.unseen() && waited(r.Grant) > seenWithin {
			return ReasonNotSeen, r.Grant
		}
	case r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.MayStart:
		if waited(r.Grant) > startWithin {
			return ReasonStartOverdue, r.Grant
		}
	case r.State == tandemv1.JobState_JOB_STATE_PROCESSING:
		end := r.PlannedEnd(now)
		late := now.Sub(end)
		if r.Device.Manual() && late > 0 {
			late = waited(end)
		}
		if late > max(overAtLeast, r.Expected/2) {
			return ReasonOverdue, end
		}
	}
	return "", time.Time{}
}

// unseen says whether a panel of a drying run was not scanned in its rack yet.
func (r *Run) unseen() bool {
	for _, p := range r.Step.Panels {
		if p.Place != r.Device.ID {
			return true
		}
	}
	return false
}
