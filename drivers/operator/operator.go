// Package operator is the driver of a machine or a bench without a data port. People work there, and their scans, which
// the daemon records, are its reports: a run begins with the daemon's word that somebody has started it, and ends with
// the daemon's Settle once somebody has reported its end. The driver only shows, by the clock, how far it should be. It
// moves nothing and stops nothing: a Stop is a message to the people there.
package operator

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	mostShown  = 0.99        // the clock alone never says that a run is done
	leastShown = time.Second // between two reports of progress, in floor time
)

// Kind is the kind of driver.
func Kind() drivers.Kind {
	return drivers.Kind{
		Name:    "operator",
		Summary: "machine or bench without a data port: people's scans are its reports",
		Manual:  true,
		New: func(env drivers.Env, given map[string]string) (drivers.Driver, error) {
			if err := drivers.ReadSettings(nil, given).Err(); err != nil {
				return nil, err
			}
			return &bench{env: env}, nil
		},
	}
}

type bench struct {
	env  drivers.Env
	runs []*run
}

type run struct {
	grant   *driverv1.Grant
	start   time.Time // zero: not begun
	stopped time.Time // zero: not told to stop
}

// Run implements drivers.Driver.
func (b *bench) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	b.runs = nil
	timer := b.env.Clock.NewTimer(0)
	defer timer.Stop()
	for {
		status, next, _ := b.Look()
		if next > 0 {
			timer.Reset(next)
		} else {
			timer.Stop()
		}
		report(status)
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C():
		case order := <-orders:
			b.Take(order)
		}
	}
}

// Look implements drivers.Stepping.
func (b *bench) Look() (*driverv1.Status, time.Duration, error) {
	now := b.env.Clock.Now()
	next := b.next(now)
	if next == 0 {
		next = -1
	}
	return b.status(now), next, nil
}

// Take implements drivers.Stepping.
func (b *bench) Take(o *driverv1.Order) {
	now := b.env.Clock.Now()
	find := func(id string) *run {
		for _, r := range b.runs {
			if r.grant.GetRun() == id {
				return r
			}
		}
		return nil
	}
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		r := find(k.Grant.GetRun())
		if r == nil {
			r = &run{}
			b.runs = append(b.runs, r)
		}
		r.grant = k.Grant
		if k.Grant.GetMayStart() && r.start.IsZero() {
			r.start = now
		}
		if t := k.Grant.GetStartTime(); k.Grant.GetMayStart() && t != nil {
			r.start = t.AsTime()
		}
	case *driverv1.Order_Stop:
		if r := find(k.Stop.GetRun()); r != nil && r.stopped.IsZero() {
			r.stopped = now
		}
	case *driverv1.Order_Settle:
		b.runs = slices.DeleteFunc(b.runs, func(r *run) bool { return r.grant.GetRun() == k.Settle.GetRun() })
	}
}

// next is when there will be progress to show; 0: nothing goes on.
func (b *bench) next(now time.Time) time.Duration {
	var next time.Duration
	for _, r := range b.runs {
		if r.live() && r.share(now) < mostShown {
			if step := max(r.expected()/100, leastShown); next == 0 || step < next {
				next = step
			}
		}
	}
	return next
}

func (r *run) live() bool { return !r.start.IsZero() && r.stopped.IsZero() }

func (r *run) setup() time.Duration    { return r.grant.GetExpectedSetup().AsDuration() }
func (r *run) expected() time.Duration { return r.setup() + r.grant.GetExpectedWork().AsDuration() }

// share is how much of a run should be done by the clock.
func (r *run) share(now time.Time) float64 {
	if r.expected() <= 0 {
		return 0
	}
	return min(max(float64(now.Sub(r.start))/float64(r.expected()), 0), mostShown)
}

func (b *bench) status(now time.Time) *driverv1.Status {
	s := &driverv1.Status{State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE}
	for _, r := range b.runs {
		s.Runs = append(s.Runs, r.status(now))
		if !r.live() {
			continue
		}
		s.State = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
		if now.Sub(r.start) >= r.setup() {
			s.Phase = tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
		} else if s.GetPhase() == tandemv1.DevicePhase_DEVICE_PHASE_IDLE {
			s.Phase = tandemv1.DevicePhase_DEVICE_PHASE_SETUP
		}
	}
	return s
}

func (r *run) status(now time.Time) *driverv1.RunStatus {
	s := &driverv1.RunStatus{
		Run: r.grant.GetRun(), Fence: r.grant.GetFence(), State: tandemv1.JobState_JOB_STATE_PENDING,
		StateReasons: []string{drivers.ReasonAwaitingStart},
	}
	if !r.start.IsZero() {
		s.State, s.StateReasons = tandemv1.JobState_JOB_STATE_PROCESSING, nil
		s.StartTime, s.Fraction = timestamppb.New(r.start), r.share(now)
	}
	if !r.stopped.IsZero() {
		s.State, s.StateReasons = tandemv1.JobState_JOB_STATE_CANCELED, []string{"job-canceled-by-operator"}
		s.EndTime = timestamppb.New(r.stopped)
	}
	return s
}
