package simulate

import (
	"errors"
	"fmt"
	"slices"
	"time"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Future is how a floor is played forward from its present state.
//
// Work under way goes on: a run that works has Left to do, one that stands still goes on once its device is repaired, and one
// that waits for a person is begun once somebody comes. A run whose outcome nobody knows is taken to be done again once
// somebody has seen to it. A run that is being stopped ends at once.
//
// A device that is paused or locked takes part again when it is expected back, and never if nobody said when; one that is late
// is given as long again as it is late. A device that stands still or is offline comes back after Repair, one that has not
// reported yet at once. Media are there and only have to be loaded. What a person must decide stays as it is: no step that is
// blocked goes on, no job that is held is released, and nothing is heard of the runs on a device that has left the floor file.
type Future struct {
	Options           // Start is the present; Ended is not called
	Until   time.Time // nothing later is played; required
	// Jobs are those to be played to their ends: the play ends with the last of them.
	Jobs []string
	// Left returns how long a run that has begun will work on; nil: what is left of what was expected of it, as in
	// [floor.Run.ExpectedEnd].
	Left func(*floor.Run) time.Duration
	// Repair returns how long it takes from now until a device that stands still or is offline is back; nil: it is back at once.
	Repair func(*floor.Device) time.Duration
	// Arrivals returns what is expected to come in, in order of time; false: nothing more. Nil: nothing comes in. What the floor
	// would refuse is left out.
	Arrivals func() (Arrival, bool)
}

var errNoTimes = errors.New("simulate: a future needs a start, and an end after it")

// Forward plays a floor forward and returns when its jobs are completed; those that are not before Until, or are canceled, are
// missing. The floor is used up: give a clone of it.
func Forward(f *floor.Floor, fu Future) (map[string]time.Time, error) {
	if fu.Start.IsZero() || !fu.Until.After(fu.Start) {
		return nil, errNoTimes
	}
	s := newSimulation(f, fu.Options)
	s.account = newAccount(f, fu.Start)
	s.future = &future{Future: fu, wanted: map[string]bool{}, ends: map[string]time.Time{}}
	for _, id := range fu.Jobs {
		if j, ok := f.Job(id); ok && j.End.IsZero() {
			s.future.wanted[id] = true
		}
	}
	s.opt.Ended = s.future.ended
	if err := s.present(); err != nil {
		return nil, fmt.Errorf("simulate: go on from the present: %w", err)
	}
	s.nextArrival()
	if err := s.run(); err != nil {
		return nil, fmt.Errorf("simulate: at %s: %w", s.now.Format(time.RFC3339), err)
	}
	return s.future.ends, nil
}

// future is a Future that is being played.
type future struct {
	Future
	wanted map[string]bool // jobs that have not ended
	ends   map[string]time.Time
}

func (u *future) over() bool { return u != nil && len(u.wanted) == 0 }

func (u *future) beyond(t time.Time) bool { return u != nil && t.After(u.Until) }

func (u *future) ended(j *floor.Job) {
	if !u.wanted[j.ID] {
		return
	}
	delete(u.wanted, j.ID)
	if j.Ending == tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		u.ends[j.ID] = j.End
	}
}

// nextArrival enters what comes in next.
func (s *simulation) nextArrival() {
	if s.future.Arrivals == nil {
		return
	}
	a, ok := s.future.Arrivals()
	if !ok {
		return
	}
	s.at(a.At, func() error {
		_ = s.do(a.taken(a.Job)) // the floor may have changed since such a job came in: it is left out then
		s.nextArrival()
		return nil
	})
}

// present brings what is under way into the play.
func (s *simulation) present() error {
	for _, d := range s.floor.Devices {
		s.status[d] = &driverv1.Status{Epoch: d.Epoch}
	}
	for _, d := range s.floor.Devices {
		if err := s.device(d); err != nil {
			return err
		}
	}
	return s.attend()
}

// device takes a device as it is: its runs, and when it is back if it is out.
func (s *simulation) device(d *floor.Device) error {
	if (d.Paused || d.LockedBy != "") && !d.Back.IsZero() {
		s.at(d.FreeFrom(s.now), func() error { return s.back(d) })
	}
	if until := d.UnloadUntil(); until.After(s.now) && len(d.Live) == 0 {
		s.full[d] = []func() error{}
		s.at(until, func() error { return s.emptied(d) })
	}
	var up time.Time // when it takes part again
	switch {
	case d.Retired:
	case d.Link == tandemv1.Link_LINK_NOT_YET_REPORTED || d.Link == tandemv1.Link_LINK_UNSPECIFIED:
		if err := s.do(floor.Greet{Device: d.ID, Status: s.observe(d)}); err != nil {
			return err
		}
	case d.Link != tandemv1.Link_LINK_ONLINE, d.State == tandemv1.DeviceState_DEVICE_STATE_STOPPED, d.State == tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED:
		up = s.now.Add(s.repair(d))
		if d.State == tandemv1.DeviceState_DEVICE_STATE_STOPPED {
			s.halted[d]++
		}
		s.at(up, func() error { return s.up(d) })
	}
	for _, r := range slices.Clone(d.Live) {
		if d.Retired && !r.Unknown() {
			continue
		}
		if err := s.goingOn(r, up); err != nil {
			return err
		}
	}
	return nil
}

// back lets a device that was out take part again.
func (s *simulation) back(d *floor.Device) error {
	if by := d.LockedBy; by != "" {
		if err := s.doAs(by, floor.UnlockDevice{Device: d.ID}); err != nil {
			return err
		}
	}
	return s.do(floor.ResumeDevice{Device: d.ID})
}

// up lets a device that stood still or was offline report again.
func (s *simulation) up(d *floor.Device) error {
	if s.halted[d]--; s.halted[d] <= 0 {
		delete(s.halted, d)
	}
	st := s.observe(d)
	if d.Link != tandemv1.Link_LINK_ONLINE {
		return s.do(floor.Greet{Device: d.ID, Status: st})
	}
	return s.send(d, st, len(st.GetRuns()) > 0)
}

func (s *simulation) repair(d *floor.Device) time.Duration {
	if s.future.Repair == nil {
		return 0
	}
	return max(s.future.Repair(d), 0)
}

// goingOn takes up a run where it is; up is when its device takes part again, the zero time if it does.
func (s *simulation) goingOn(r *floor.Run, up time.Time) error {
	switch {
	case r.Unknown():
		if up.IsZero() {
			up = s.now.Add(s.repair(r.Device))
		}
		if r.MayStart && r.Start.IsZero() { // until then its device may hear of the start, and nobody can say what became of it
			up = later(up, r.StartBefore.Add(time.Second))
		}
		s.at(up, func() error {
			if r.Step.Live != r {
				return nil
			}
			return s.do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN, Note: "seen to"})
		})
		return nil
	case r.Stopping && (!r.Device.Manual() || r.State != tandemv1.JobState_JOB_STATE_PROCESSING):
		s.at(later(s.now, up), func() error {
			return s.report(r, tandemv1.JobState_JOB_STATE_CANCELED)
		})
		return nil
	case r.State == tandemv1.JobState_JOB_STATE_PENDING:
		if up.IsZero() {
			return s.granted(r)
		}
		s.at(up, func() error { return s.granted(r) })
		return nil
	}
	leave := s.stays(r)
	left := s.left(r)
	stops := s.stops(r, left)
	switch {
	case r.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
		if up.IsZero() {
			up = s.now.Add(s.repair(r.Device))
		}
		s.halted[r.Device]++
		s.at(up, func() error {
			if r.Step.Live != r {
				return nil
			}
			if err := s.goOn(r); err != nil {
				return err
			}
			s.work(r, left, stops, s.ended(r, leave))
			return nil
		})
	case !up.IsZero(): // its device has not said that it has stopped: it may work on
		s.at(later(s.now.Add(left), up.Add(time.Second)), s.ended(r, leave))
	default:
		s.work(r, left, stops, s.ended(r, leave))
	}
	return nil
}

// stays keeps the person with a run who is there, and returns how they leave with its end; nil if nobody stays until then.
func (s *simulation) stays(r *floor.Run) func() error {
	if !r.Person || !s.floor.Calendar().Limited() {
		return nil
	}
	until := r.Start.Add(r.Attended)
	whole := r.Attended >= r.Expected
	if !whole && !until.After(s.now) {
		return nil
	}
	s.people.out++
	leave := func() error {
		s.people.out--
		return s.attend()
	}
	if whole {
		return leave
	}
	s.at(until, leave)
	return nil
}

// left returns how long a run that has begun will work on.
func (s *simulation) left(r *floor.Run) time.Duration {
	switch {
	case r.Step.Drying():
		return max(r.Step.DryUntil().Sub(s.now), 0)
	case s.future.Left != nil:
		return max(s.future.Left(r), 0)
	}
	return r.ExpectedEnd(s.now).Sub(s.now)
}

// tryLater lets somebody who cannot start a run go, and come again.
func (s *simulation) tryLater(r *floor.Run, leave func() error) error {
	const wait = 10 * time.Minute
	again := s.now.Add(wait)
	switch d := r.Device; {
	case r.Step.Job.OnHold(), d.Retired, !d.Expected() && (d.Paused || d.LockedBy != ""):
		return leave() // nobody has said that this ends
	case d.Paused || d.LockedBy != "":
		again = later(again, d.FreeFrom(s.now))
	}
	s.at(again, func() error {
		if r.Step.Live != r || r.State != tandemv1.JobState_JOB_STATE_PENDING {
			return nil
		}
		return s.granted(r)
	})
	return leave()
}

// emptied lets go on what has waited for a device to be empty.
func (s *simulation) emptied(d *floor.Device) error {
	waiting := s.full[d]
	delete(s.full, d)
	for _, do := range waiting {
		if err := do(); err != nil {
			return err
		}
	}
	return nil
}

func later(a, b time.Time) time.Time {
	if a.After(b) {
		return a
	}
	return b
}
