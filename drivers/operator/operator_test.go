package operator_test

import (
	"context"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/drivertest"
	"tandem/drivers/operator"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func start(t *testing.T) (d *drivertest.Daemon, stop func()) {
	t.Helper()
	host, err := drivers.NewHost(operator.Kind(), drivers.Env{Device: "bench-1", Operations: []string{"weed"}, Clock: clock.Wall()}, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	d = drivertest.NewDaemon()
	go func() { ended <- host.Serve(ctx, d) }()
	synctest.Wait()
	return d, func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
}

// weed is 90 minutes of hand work after ten minutes of getting ready.
func weed(mayStart bool) *driverv1.Grant {
	return &driverv1.Grant{
		Run: "r1", Fence: 1, Operation: "weed", Pieces: 60, MayStart: mayStart,
		ExpectedSetup: durationpb.New(10 * time.Minute), ExpectedWork: durationpb.New(90 * time.Minute),
	}
}

func TestOperator(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, stop := start(t)
		defer stop()
		after := func(wait time.Duration) (*driverv1.Status, *driverv1.RunStatus) {
			time.Sleep(wait + 100*time.Millisecond) // progress may wait that long to be told
			synctest.Wait()
			return d.Last(), d.Run("r1")
		}
		d.Grant(weed(false))
		s, r := after(10 * time.Hour)
		if r.GetState() != tandemv1.JobState_JOB_STATE_PENDING || !slices.Equal(r.GetStateReasons(), []string{"x-awaiting-start"}) ||
			s.GetState() != tandemv1.DeviceState_DEVICE_STATE_IDLE {
			t.Errorf("before somebody starts it the run is %v at %v", r, s)
		}

		begin := time.Now().Add(-5 * time.Minute) // the scan was recorded while the driver was away
		g := weed(true)
		g.StartTime = timestamppb.New(begin)
		d.Grant(g)
		s, r = after(0)
		if r.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING || !r.GetStartTime().AsTime().Equal(begin) || r.GetFraction() != 0.05 ||
			s.GetPhase() != tandemv1.DevicePhase_DEVICE_PHASE_SETUP {
			t.Errorf("after the scan the run is %v at %v", r, s)
		}
		s, r = after(45 * time.Minute)
		if r.GetFraction() != 0.5 || s.GetPhase() != tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION || r.GetPiecesGood() != 0 {
			t.Errorf("after 50 of 100 minutes the run is %v at %v: people count pieces", r, s)
		}
		s, r = after(24 * time.Hour)
		if r.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING || r.GetFraction() >= 1 || s.GetState() != tandemv1.DeviceState_DEVICE_STATE_PROCESSING {
			t.Errorf("long after its time the run is %v at %v: only a person ends it", r, s)
		}
		n := len(d.Statuses())
		after(time.Minute)
		if got := len(d.Statuses()) - n; got > 7 {
			t.Errorf("%d statuses in a minute in which nothing changes", got)
		}
		d.Settle("r1", 1)
		s, r = after(0)
		if r != nil || s.GetState() != tandemv1.DeviceState_DEVICE_STATE_IDLE {
			t.Errorf("after its end is recorded the bench is %v", s)
		}
	})
}

func TestWithoutExpectation(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, stop := start(t)
		defer stop()
		d.Grant(&driverv1.Grant{Run: "r1", Fence: 1, Operation: "weed", MayStart: true})
		time.Sleep(time.Hour)
		synctest.Wait()
		if r := d.Run("r1"); r.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING || r.GetFraction() != 0 {
			t.Errorf("work that nobody has estimated is %v", r)
		}
	})
}
