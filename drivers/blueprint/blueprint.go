// Package blueprint is a driver to copy. Its device is a plain clock that needs as long as the daemon expects, so what is
// left is what every driver has. Replace what is marked YOURS; see the package comment of drivers for the steps.
//
// It never moves anything. A driver that does begins a run where "YOURS: start" stands, and nothing there is a safety
// function: the machine's own guards and its emergency stop are.
package blueprint

import (
	"context"
	"fmt"
	"time"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// Kind is the kind of driver. Add yours to the list in drivers/all.
func Kind() drivers.Kind {
	return drivers.Kind{
		Name:     "blueprint",
		Summary:  "a driver to copy",
		Settings: settings(),
		Example:  map[string]string{"pace": "1.5"},
		New:      newDevice,
	}
}

func settings() []drivers.Setting {
	return []drivers.Setting{
		{Name: "pace", Default: "1", Help: "how long a run takes, as a factor of what the daemon expects: 0.1 to 10"},
	}
}

// device holds what the driver knows. Only Run's goroutine touches it, so there is nothing to lock.
type device struct {
	env  drivers.Env
	pace float64

	grant *driverv1.Grant     // the run in hand; nil: none
	run   *driverv1.RunStatus // how far it is
	end   time.Time           // YOURS: the device says when it has finished
}

// newDevice checks settings. It opens nothing: Run does, so that a device that is switched off is no reason not to start.
func newDevice(env drivers.Env, given map[string]string) (drivers.Driver, error) {
	v := drivers.ReadSettings(settings(), given)
	d := &device{env: env, pace: v.Float("pace", 0.1, 10)}
	if env.Capacity > 1 {
		return nil, fmt.Errorf("capacity is %d: this device holds one run", env.Capacity)
	}
	return d, v.Err()
}

// Run is one loop: report, then wait for whatever comes first.
func (d *device) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	// YOURS: connect, and return the error if that fails; the host calls again after a pause. Then ask the device what
	// it is doing: it may have gone on while this driver was dead.
	timer := d.env.Clock.NewTimer(0)
	defer timer.Stop()
	for {
		now := d.env.Clock.Now()
		d.look(now)
		report(d.status())
		timer.Stop()
		if d.run.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING {
			timer.Reset(d.end.Sub(now))
		}
		select {
		case <-ctx.Done():
			return nil // leave the device as it is
		case order := <-orders:
			d.order(order)
		case <-timer.C(): // YOURS: the device has said something
		}
	}
}

// order does what it is told, once: the same order may come again. Whatever it does not know it ignores.
func (d *device) order(o *driverv1.Order) {
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		if d.run == nil || d.run.GetRun() != k.Grant.GetRun() {
			d.run = &driverv1.RunStatus{Run: k.Grant.GetRun(), State: tandemv1.JobState_JOB_STATE_PENDING}
		}
		d.grant = k.Grant
		if k.Grant.GetMayStart() && d.run.GetState() == tandemv1.JobState_JOB_STATE_PENDING {
			d.start()
		}
	case *driverv1.Order_Stop:
		if d.run != nil && d.run.GetRun() == k.Stop.GetRun() && !drivers.Ended(d.run.GetState()) {
			d.run.State = tandemv1.JobState_JOB_STATE_CANCELED // YOURS: stop, and report this when it stands
		}
	case *driverv1.Order_Settle:
		if d.run.GetRun() == k.Settle.GetRun() {
			d.grant, d.run = nil, nil
		}
	}
}

// start begins the run in hand.
func (d *device) start() {
	// YOURS: start the device. CAUTION: from here on it may move.
	expected := d.grant.GetExpectedSetup().AsDuration() + d.grant.GetExpectedWork().AsDuration()
	d.run.State = tandemv1.JobState_JOB_STATE_PROCESSING
	d.end = d.env.Clock.Now().Add(time.Duration(float64(expected) * d.pace))
	if ready := d.grant.GetReadyTime(); ready != nil && ready.AsTime().After(d.end) {
		d.end = ready.AsTime()
	}
}

// look sees what the device has done.
func (d *device) look(now time.Time) {
	if d.run.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING && !now.Before(d.end) {
		d.run.State = tandemv1.JobState_JOB_STATE_COMPLETED
		d.run.PiecesGood = d.grant.GetPieces()
	}
}

// status is the whole truth about the device.
func (d *device) status() *driverv1.Status {
	s := &driverv1.Status{State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE}
	if d.run == nil {
		return s
	}
	d.run.StateReasons = nil
	switch state := d.run.GetState(); {
	case state == tandemv1.JobState_JOB_STATE_PENDING:
		d.run.StateReasons = []string{drivers.ReasonAwaitingStart}
	case !drivers.Ended(state):
		s.State, s.Phase = tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	}
	s.Runs = []*driverv1.RunStatus{d.run}
	return s
}
