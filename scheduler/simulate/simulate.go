// Package simulate plays jobs forward on a floor: the real floor and dispatch code under a virtual clock, with devices that
// take exactly as long as they are said to, or as long as a sample says. It answers "when will it be done" and "what if".
//
// The package is pure: no clock, no randomness of its own, and the same input gives the same answer.
package simulate

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
	"tandem/scheduler/simulate/agenda"
	"tandem/scheduler/ticket"
)

// Arrival is a job and when it is handed in. Panels and steps of a job that has only items are made by the floor's rules.
type Arrival struct {
	At       time.Time
	Job      *tandemv1.Job
	CutFiles []*tandemv1.CutFile
	// Carries are given if the job is a gang run of jobs that have arrived before: which of its steps do which of theirs.
	Carries []*ledgerv1.Carry
}

// taken returns the command by which the job comes onto the floor.
func (a Arrival) taken(job *tandemv1.Job) floor.Command {
	if len(a.Carries) > 0 {
		return floor.GangJobs{Job: job, Carries: a.Carries}
	}
	return floor.CreateJob{Job: job}
}

// Options are the circumstances of a simulation.
type Options struct {
	Rule  dispatch.Rule
	Start time.Time // when the floor opens; required
	// Reaction is how long a granted run waits until a person has come and started it, where one must.
	Reaction time.Duration
	// React takes the place of Reaction where it differs from run to run.
	React func(*floor.Run) time.Duration
	// Duration says how long a run takes; nil: as expected when it was granted. A drying run ends when it is dry.
	Duration func(*floor.Run) time.Duration
	// Stops says where a run of a machine that works so long stands still, in their order; nil: nowhere. Hands and racks do not.
	Stops func(r *floor.Run, work time.Duration) []Stop
	// Committed is called with the events of each moment once they have happened on the floor. Nil: not at all.
	Committed func(f *floor.Floor, at time.Time, events []*ledgerv1.Event)
	// Plan is asked for advice after each moment at which something has happened, before anything is granted; nil advice: the
	// rule alone. Nil: nobody plans.
	Plan func(f *floor.Floor, now time.Time) (*dispatch.Advice, error)
	// Stop is asked now and then; its error ends the simulation. Nil: nobody stops it.
	Stop func() error
	// RunEnded is called with each run that has ended, and how long it was changed over or set up. Nil: not at all.
	RunEnded func(r *floor.Run, changeover time.Duration)
	// Ended is called with each job that has ended. The floor forgets the job then and the result does not list it, so that
	// a simulation of a year does not grow with its jobs. Nil: all are kept and listed.
	Ended func(*floor.Job)
}

// mostEvents bounds a simulation, so that a floor that never comes to rest is an error and not a hang.
const mostEvents = 50_000_000

// stopEvery is after how many moments, or grants of one moment, it is asked whether to stop: a millisecond or so.
const stopEvery = 16

// Run plays the arrivals, in order of time, until nothing more can happen.
func Run(file *tandemv1.FloorFile, arrivals []Arrival, opt Options) (*Result, error) {
	if opt.Start.IsZero() {
		return nil, errors.New("simulate: options need a start time")
	}
	s := newSimulation(floor.New(), opt)
	if err := s.open(file); err != nil {
		return nil, fmt.Errorf("simulate: open the floor: %w", err)
	}
	s.account = newAccount(s.floor, opt.Start)
	for _, a := range arrivals {
		job := a.Job
		if len(job.GetItems()) > 0 && len(job.GetSteps()) == 0 {
			made, err := ticket.Make(file, job, a.CutFiles)
			if err != nil {
				return nil, fmt.Errorf("simulate: make %s: %w", job.GetId(), err)
			}
			job = made.Job
		}
		s.at(a.At, func() error { return s.do(a.taken(job)) })
	}
	if err := s.run(); err != nil {
		return nil, fmt.Errorf("simulate: at %s: %w", s.now.Format(time.RFC3339), err)
	}
	return s.result(), nil
}

type simulation struct {
	opt      Options
	floor    *floor.Floor
	dispatch *dispatch.Dispatch
	now      time.Time
	agenda   agenda.Agenda[func() error] // by nanoseconds since the opening
	status   map[*floor.Device]*driverv1.Status
	account  *account
	runs     map[*floor.Device]int // that have ended
	pieces   int32                 // of jobs completed
	ending   []*floor.Job          // of runs that have ended at this moment
	people   people
	full     map[*floor.Device][]func() error // devices that nobody has emptied yet, and what waits for that
	halted   map[*floor.Device]int            // devices that stand still, and how many of their runs do
	future   *future                          // the floor is played forward from its present state
}

func newSimulation(f *floor.Floor, opt Options) *simulation {
	return &simulation{
		opt: opt, floor: f, dispatch: dispatch.New(opt.Rule), now: opt.Start, status: map[*floor.Device]*driverv1.Status{},
		full: map[*floor.Device][]func() error{}, halted: map[*floor.Device]int{}, runs: map[*floor.Device]int{},
	}
}

// open puts the floor file in force and lets every device report.
func (s *simulation) open(file *tandemv1.FloorFile) error {
	if err := s.do(floor.BeginTerm{}); err != nil {
		return err
	}
	if err := s.do(floor.Configure{File: file}); err != nil {
		return err
	}
	for _, d := range s.floor.Devices {
		s.status[d] = &driverv1.Status{Epoch: 1}
		if err := s.do(floor.Greet{Device: d.ID, Status: s.observe(d)}); err != nil {
			return err
		}
	}
	return nil
}

// run plays the agenda. After each moment the dispatcher is asked until it has no more to grant.
func (s *simulation) run() error {
	for n := 0; ; n++ {
		if n > mostEvents {
			return fmt.Errorf("no rest after %d events", mostEvents)
		}
		if s.future.over() {
			return nil
		}
		if err := s.stop(n); err != nil {
			return err
		}
		if s.opt.Plan != nil {
			advice, err := s.opt.Plan(s.floor, s.now)
			if err != nil {
				return fmt.Errorf("plan: %w", err)
			}
			s.dispatch.Follow(advice)
		}
		if err := s.grantAll(); err != nil {
			return err
		}
		s.settle()
		s.account.moment(s)
		next := s.dispatch.Wake()
		if !next.IsZero() && !next.After(s.now) { // that was answered just now
			next = s.now.Add(time.Second)
		}
		if at, ok := s.agenda.Next(); ok && (next.IsZero() || !s.time(at).After(next)) {
			next = s.time(at)
		}
		if next.IsZero() || s.future.beyond(next) {
			return nil
		}
		if next.After(s.now) {
			s.now = next
			s.account.advance(next)
		}
		for at, ok := s.agenda.Next(); ok && !s.time(at).After(s.now); at, ok = s.agenda.Next() {
			_, do, _ := s.agenda.Take()
			if err := do(); err != nil {
				return err
			}
		}
	}
}

// stop asks whether to stop, once in a while of those who ask.
func (s *simulation) stop(n int) error {
	if n%stopEvery > 0 || s.opt.Stop == nil {
		return nil
	}
	return s.opt.Stop()
}

func (s *simulation) grantAll() error {
	for n := 1; ; n++ {
		if err := s.stop(n); err != nil {
			return err
		}
		g, ok := s.dispatch.Next(s.floor, s.now)
		if !ok {
			return nil
		}
		if err := s.do(g); err != nil {
			return err
		}
		s.account.granted(g.Step.Live, g.Expected)
		if err := s.granted(g.Step.Live); err != nil {
			return err
		}
	}
}

// granted lets the device, or first a person, take up a run, once what was on the device before is off it.
func (s *simulation) granted(r *floor.Run) error {
	return s.empty(r.Device, func() error {
		switch {
		case r.State == tandemv1.JobState_JOB_STATE_PROCESSING:
			return s.begin(r, nil) // a rack takes what it is given
		case r.MayStart && !r.Person:
			return s.begin(r, nil)
		}
		return s.person(func(leave func() error) error {
			s.at(s.now.Add(s.reaction(r)), func() error { return s.start(r, leave) })
			return nil
		})
	})
}

// start is a person who has come to the device.
func (s *simulation) start(r *floor.Run, leave func() error) error {
	if r.NeedsLoad() {
		if err := s.do(floor.LoadMedia{Device: r.Device.ID, Media: r.Step.Supply()}); err != nil {
			return err
		}
	}
	if !r.MayStart {
		if s.future != nil && r.CannotStart() != "" {
			return s.tryLater(r, leave)
		}
		if err := s.do(floor.StartRun{Run: r.ID}); err != nil {
			return err
		}
	}
	return s.begin(r, leave)
}

// begin lets a run go; leave lets go the person who stays with it for a while, if there is one.
func (s *simulation) begin(r *floor.Run, leave func() error) error {
	if r.State != tandemv1.JobState_JOB_STATE_PROCESSING {
		if err := s.report(r, tandemv1.JobState_JOB_STATE_PROCESSING); err != nil {
			return err
		}
	}
	work := s.end(r).Sub(s.now)
	if whole := r.Attended >= r.Expected; leave != nil && !whole {
		s.at(s.now.Add(min(r.Attended, work)), leave)
		leave = nil
	}
	s.work(r, work, s.stops(r, work), s.ended(r, leave))
	return nil
}

// ended returns what happens at the end of a run.
func (s *simulation) ended(r *floor.Run, leave func() error) func() error {
	return func() error {
		if leave != nil {
			if err := leave(); err != nil {
				return err
			}
		}
		if r.Device.Manual() && !r.Step.Drying() {
			if err := s.do(floor.FinishRun{Run: r.ID}); err != nil {
				return err
			}
		} else if err := s.report(r, tandemv1.JobState_JOB_STATE_COMPLETED); err != nil {
			return err
		}
		s.runEnded(r)
		return s.unload(r)
	}
}

func (s *simulation) end(r *floor.Run) time.Time {
	if r.Step.Drying() {
		return r.Step.DryUntil()
	}
	if s.opt.Duration != nil {
		return s.now.Add(s.opt.Duration(r))
	}
	return s.now.Add(r.Expected)
}

// report sends the status of a run's device in which the run has just reached that state.
func (s *simulation) report(r *floor.Run, state tandemv1.JobState) error {
	st := s.observe(r.Device)
	rs := &driverv1.RunStatus{Run: r.ID, Fence: r.Fence, State: state, StartTime: timestamppb.New(s.now)}
	if !r.Start.IsZero() {
		rs.StartTime = timestamppb.New(r.Start)
	}
	if state == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED {
		rs.StateReasons = []string{reasonFault}
	}
	if state == tandemv1.JobState_JOB_STATE_COMPLETED {
		rs.PiecesGood, rs.EndTime = r.Pieces-r.Spoiled, timestamppb.New(s.now)
	}
	if at := slices.IndexFunc(st.GetRuns(), func(o *driverv1.RunStatus) bool { return o.GetRun() == r.ID }); at >= 0 {
		st.Runs[at] = rs
	} else {
		st.Runs = append(st.Runs, rs)
	}
	return s.send(r.Device, st, state == tandemv1.JobState_JOB_STATE_PROCESSING || len(st.GetRuns()) > 1)
}

func (s *simulation) send(d *floor.Device, st *driverv1.Status, busy bool) error {
	st.State, st.Phase = tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_IDLE
	switch {
	case s.halted[d] > 0:
		st.State, st.Phase = tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
	case busy:
		st.State, st.Phase = tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	}
	return s.do(floor.Report{Device: d.ID, Status: st})
}

// observe returns what a device would say of itself now.
func (s *simulation) observe(d *floor.Device) *driverv1.Status {
	st := s.status[d]
	st.Sequence++
	st.State, st.Phase, st.Link = tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_IDLE, tandemv1.Link_LINK_ONLINE
	st.Runs = st.GetRuns()[:0]
	for _, r := range d.Live {
		switch r.State {
		case tandemv1.JobState_JOB_STATE_PROCESSING, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
			st.Runs = append(st.Runs, &driverv1.RunStatus{Run: r.ID, Fence: r.Fence, State: r.State, StateReasons: r.Reasons, StartTime: timestamppb.New(r.Start)})
		default:
		}
	}
	return st
}

// do decides and applies a command at the present moment.
func (s *simulation) do(c floor.Command) error { return s.doAs("simulation", c) }

func (s *simulation) doAs(actor string, c floor.Command) error {
	d, err := s.floor.Decide(s.now, floor.Meta{Actor: actor}, c)
	if err != nil {
		return fmt.Errorf("%T: %w", c, err)
	}
	if len(d.Events) == 0 {
		return nil
	}
	revision := s.floor.Revision + 1
	for _, e := range d.Events {
		s.floor.Apply(revision, s.now, e)
	}
	if s.opt.Committed != nil {
		s.opt.Committed(s.floor, s.now, d.Events)
	}
	return nil
}

func (s *simulation) at(t time.Time, do func() error) {
	if t.Before(s.now) {
		t = s.now
	}
	s.agenda.Add(int64(t.Sub(s.opt.Start)), do)
}

// time returns the time that an entry of the agenda stands for.
func (s *simulation) time(at int64) time.Time { return s.opt.Start.Add(time.Duration(at)) }
