package rack_test

import (
	"context"
	"fmt"
	"slices"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/drivertest"
	"tandem/drivers/rack"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// start starts a rack of three places and returns how to stop it.
func start(t *testing.T, daemon *drivertest.Daemon) (stop func()) {
	t.Helper()
	host, err := drivers.NewHost(rack.Kind(), drivers.Env{Device: "rack-1", Operations: []string{"dry"}, Capacity: 3, Clock: clock.Wall()}, nil)
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- host.Serve(ctx, daemon) }()
	synctest.Wait()
	return func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	}
}

func dry(run string, fence uint64, ready time.Time) *driverv1.Grant {
	return &driverv1.Grant{Run: run, Fence: fence, Operation: "dry", Pieces: 12, ReadyTime: timestamppb.New(ready)}
}

func TestRack(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := drivertest.NewDaemon()
		stop := start(t, d)
		begin := time.Now()
		for i, wait := range []time.Duration{24 * time.Hour, 6 * time.Hour, 12 * time.Hour} {
			if a := d.Grant(dry(fmt.Sprintf("r%d", i), uint64(i+1), begin.Add(wait))); a.GetRefused() != "" {
				t.Fatal(a)
			}
			synctest.Wait()
			full := slices.Contains(d.Last().GetStateReasons(), "x-rack-full-report")
			if full != (i == 2) {
				t.Errorf("with %d of 3 places taken the reasons are %q", i+1, d.Last().GetStateReasons())
			}
		}
		if s := d.Last(); s.GetState() != tandemv1.DeviceState_DEVICE_STATE_PROCESSING || d.Run("r0").GetState() != tandemv1.JobState_JOB_STATE_PROCESSING {
			t.Errorf("a rack with panels is %v", s)
		}
		time.Sleep(6*time.Hour - 1)
		synctest.Wait()
		if r := d.Run("r1"); r.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING {
			t.Errorf("before its time a panel is %v", r)
		}
		time.Sleep(time.Nanosecond)
		synctest.Wait()
		if r := d.Run("r1"); r.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED || r.GetPiecesGood() != 12 || !r.GetEndTime().AsTime().Equal(begin.Add(6*time.Hour)) {
			t.Errorf("at its time a panel is %v", r)
		}
		stop()

		// The daemon grants again what lies there, with when it began.
		d.Connect(true)
		defer start(t, d)()
		g := dry("r0", 1, begin.Add(24*time.Hour))
		g.StartTime = timestamppb.New(begin)
		d.Grant(g)
		time.Sleep(18 * time.Hour)
		synctest.Wait()
		if r := d.Run("r0"); r.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED || !r.GetStartTime().AsTime().Equal(begin) {
			t.Errorf("after a restart the panel is %v, want completed, and lying there since %v", r, begin)
		}
	})
}

func TestReadyTimeThatChanges(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := drivertest.NewDaemon()
		defer start(t, d)()
		d.Grant(dry("r1", 1, time.Now().Add(24*time.Hour)))
		d.Grant(dry("r2", 2, time.Now().Add(24*time.Hour)))
		time.Sleep(time.Hour)
		d.Grant(dry("r1", 1, time.Now())) // overridden by a person
		d.Grant(dry("r2", 2, time.Now().Add(48*time.Hour)))
		synctest.Wait()
		if r := d.Run("r1"); r.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
			t.Errorf("a panel that need not wait any more is %v", r)
		}
		time.Sleep(30 * time.Hour)
		synctest.Wait()
		if r := d.Run("r2"); r.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING {
			t.Errorf("a panel that needs longer is %v", r)
		}
	})
}

func TestNoReadyTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := drivertest.NewDaemon()
		defer start(t, d)()
		d.Grant(&driverv1.Grant{Run: "r1", Fence: 1, Operation: "dry", Pieces: 3})
		synctest.Wait()
		if r := d.Run("r1"); r.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED || r.GetPiecesGood() != 3 {
			t.Errorf("a panel that need not dry is %v", r)
		}
	})
}
