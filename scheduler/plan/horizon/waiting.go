package horizon

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// begun returns a run that waits for a person as one that will begin as soon as somebody is there and its device is, as it does when the
// floor is played forward, so that a plan says what a forecast says. The floor's own expectation lets a run wait as long again as it
// has waited: who chooses a device at this moment must not wait for ever for a person who does not come, but by the end of a shift such
// a plan would be of the day after. A run of which nobody knows how far it got is taken to be done again. Other runs are returned as
// they are.
func (h *Horizon) begun(r *floor.Run) *floor.Run {
	waits := r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.Stopping
	if !waits && !r.Unknown() || r.Step.Drying() {
		return r
	}
	free := *r.Device
	free.Live = nil
	begin := free.FreeFrom(h.now)
	if c := h.floor.Calendar(); r.Person && c.Limited() {
		if next := c.Next(begin); !next.IsZero() {
			begin = next
		}
	}
	out := *r
	out.Start, out.Grant = time.Time{}, h.now.Add(h.now.Sub(begin)) // so that waiting as long again is waiting until it begins
	return &out
}

// ends says when a run on a device should end.
func (h *Horizon) ends(r *floor.Run) time.Time { return h.begun(r).ExpectedEnd(h.now) }

// freeFrom says when a device should take more work.
func (h *Horizon) freeFrom(d *floor.Device) time.Time {
	out := *d
	out.Live = nil
	for _, r := range d.Live {
		out.Live = append(out.Live, h.begun(r))
	}
	return out.FreeFrom(h.now)
}
