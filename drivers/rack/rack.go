// Package rack is the driver of places where panels lie and dry. There is no machine: people carry the panels, and time
// does the work. A panel is done when the floor's clock has reached its ready time. That is the least time and no proof:
// whoever takes a panel off checks by touch and smell. After a restart the daemon sends its grants again, so nothing is
// kept here.
package rack

import (
	"context"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// Kind is the kind of driver.
func Kind() drivers.Kind {
	return drivers.Kind{
		Name:    "rack",
		Summary: "drying places: a panel is done when its drying time is over",
		Manual:  true,
		New: func(env drivers.Env, given map[string]string) (drivers.Driver, error) {
			if err := drivers.ReadSettings(nil, given).Err(); err != nil {
				return nil, err
			}
			return &rack{env: env}, nil
		},
	}
}

type rack struct {
	env    drivers.Env
	panels []*panel
}

// panel is what one run has brought: one panel, or some that lie together.
type panel struct {
	grant  *driverv1.Grant
	status *driverv1.RunStatus
}

// Run implements drivers.Driver.
func (r *rack) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	r.panels = nil
	timer := r.env.Clock.NewTimer(0)
	defer timer.Stop()
	for {
		status, next, _ := r.Look()
		if next < 0 {
			timer.Stop()
		} else {
			timer.Reset(next)
		}
		report(status)
		select {
		case <-ctx.Done():
			return nil
		case <-timer.C():
		case order := <-orders:
			r.Take(order)
		}
	}
}

// Look implements drivers.Stepping.
func (r *rack) Look() (*driverv1.Status, time.Duration, error) {
	now := r.env.Clock.Now()
	wait := time.Duration(-1)
	if next := r.dry(now); !next.IsZero() {
		wait = next.Sub(now)
	}
	return r.status(), wait, nil
}

// Take implements drivers.Stepping.
func (r *rack) Take(o *driverv1.Order) {
	now := r.env.Clock.Now()
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		if p := r.find(k.Grant.GetRun()); p != nil {
			p.grant = k.Grant // its ready time may be another now
			return
		}
		start := k.Grant.GetStartTime()
		if start == nil {
			start = timestamppb.New(now)
		}
		r.panels = append(r.panels, &panel{grant: k.Grant, status: &driverv1.RunStatus{
			Run: k.Grant.GetRun(), Fence: k.Grant.GetFence(), State: tandemv1.JobState_JOB_STATE_PROCESSING, StartTime: start,
		}})
	case *driverv1.Order_Stop: // a person takes it off
		if p := r.find(k.Stop.GetRun()); p != nil && !drivers.Ended(p.status.GetState()) {
			p.end(tandemv1.JobState_JOB_STATE_CANCELED, now)
		}
	case *driverv1.Order_Settle:
		r.panels = slices.DeleteFunc(r.panels, func(p *panel) bool { return p.status.GetRun() == k.Settle.GetRun() })
	}
}

func (r *rack) find(run string) *panel {
	i := slices.IndexFunc(r.panels, func(p *panel) bool { return p.status.GetRun() == run })
	if i < 0 {
		return nil
	}
	return r.panels[i]
}

// dry ends what is dry, and returns when the next panel will be; zero: none is drying.
func (r *rack) dry(now time.Time) (next time.Time) {
	for _, p := range r.panels {
		ready := p.grant.GetReadyTime()
		switch {
		case drivers.Ended(p.status.GetState()):
		case ready == nil || !now.Before(ready.AsTime()):
			p.status.PiecesGood = p.grant.GetPieces()
			p.end(tandemv1.JobState_JOB_STATE_COMPLETED, now)
		case next.IsZero() || ready.AsTime().Before(next):
			next = ready.AsTime()
		}
	}
	return next
}

func (p *panel) end(state tandemv1.JobState, now time.Time) {
	p.status.State, p.status.EndTime, p.status.StateReasons = state, timestamppb.New(now), nil
}

func (r *rack) status() *driverv1.Status {
	s := &driverv1.Status{State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE}
	drying := 0
	for _, p := range r.panels {
		s.Runs = append(s.Runs, p.status)
		if !drivers.Ended(p.status.GetState()) {
			p.status.StateReasons = []string{"x-drying"}
			drying++
		}
	}
	if drying > 0 {
		s.State, s.Phase = tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	}
	if drying >= max(r.env.Capacity, 1) {
		s.StateReasons = []string{"x-rack-full-report"}
	}
	return s
}
