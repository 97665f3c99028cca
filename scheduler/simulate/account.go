package simulate

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Spent is how a device spent its time, summed over its places: together they are its capacity times the time from the
// opening to the end of the last run.
type Spent struct {
	Busy       time.Duration // it worked
	Changeover time.Duration // it was changed over or set up for a run
	Starved    time.Duration // it had nothing to do
	Blocked    time.Duration // it had something to do, or to be rid of, and waited for a person, a place or media
	Closed     time.Duration // nobody was there to run it
}

// Total returns the sum.
func (s Spent) Total() time.Duration { return s.Busy + s.Changeover + s.Starved + s.Blocked + s.Closed }

// account keeps how devices spend their time. Runs are split when they end; what lies between them is told apart from moment
// to moment.
type account struct {
	devices []*deviceAccount
	by      map[*floor.Device]*deviceAccount
	since   time.Time
	shares  map[*floor.Run]float64 // of changeover and set-up in what a live run was expected to take
	last    time.Time              // end of the last run
}

type deviceAccount struct {
	device *floor.Device
	spent  Spent // runs that have ended, and the time between runs up to the end of the last run of all
	since  Spent // the time between runs after that
	idle   int   // places without a run in hand, since the last moment
	held   int   // places with a run that waits for a person
	state  idleState
}

// idleState is why the places of a device that are idle are so.
type idleState int

const (
	starved idleState = iota
	blocked
	closed
)

func newAccount(f *floor.Floor, now time.Time) *account {
	a := &account{by: map[*floor.Device]*deviceAccount{}, since: now, last: now, shares: map[*floor.Run]float64{}}
	for _, d := range f.Devices {
		da := &deviceAccount{device: d, idle: d.Capacity}
		a.devices = append(a.devices, da)
		a.by[d] = da
	}
	return a
}

// granted notes how a run's time is to be split. Changeover and set-up take the same share of it if it takes longer.
func (a *account) granted(r *floor.Run, e floor.Estimate) {
	if t := e.Total(); t > 0 {
		a.shares[r] = float64(e.Changeover+e.Setup) / float64(t)
	}
}

// ended books a run and returns how much of it was changeover and set-up.
func (a *account) ended(r *floor.Run) time.Duration {
	took := r.End.Sub(r.Start)
	change := time.Duration(float64(took) * a.shares[r])
	delete(a.shares, r)
	d := a.by[r.Device]
	d.spent.Changeover += change
	d.spent.Busy += took - change
	if r.End.After(a.last) {
		a.last = r.End
	}
	return change
}

// advance books the time up to now in which nothing has changed.
func (a *account) advance(now time.Time) {
	dt := now.Sub(a.since)
	if dt <= 0 {
		return
	}
	a.since = now
	for _, d := range a.devices {
		idle, held := time.Duration(d.idle)*dt, time.Duration(d.held)*dt
		switch d.state {
		case starved:
			d.since.Starved += idle
			d.since.Blocked += held
		case blocked:
			d.since.Blocked += idle + held
		case closed:
			d.since.Closed += idle + held
		}
	}
}

// moment notes what the devices do now, after all that happens at this time has happened.
func (a *account) moment(s *simulation) {
	settled := !a.last.Before(a.since) // a run has ended at this time: the time before it counts
	for _, d := range a.devices {
		if settled {
			d.spent.Starved += d.since.Starved
			d.spent.Blocked += d.since.Blocked
			d.spent.Closed += d.since.Closed
			d.since = Spent{}
		}
		d.held = 0
		for _, r := range d.device.Live {
			if r.State == tandemv1.JobState_JOB_STATE_PENDING {
				d.held++
			}
		}
		d.idle = max(d.device.Capacity-len(d.device.Live), 0)
		if d.idle+d.held > 0 {
			d.state = s.idleState(d.device)
		}
	}
}

// idleState says why a device does not do more than it does.
func (s *simulation) idleState(d *floor.Device) idleState {
	if s.floor.Calendar().Operators(s.now) == 0 {
		return closed
	}
	if _, full := s.full[d]; full {
		return blocked
	}
	return starved
}
