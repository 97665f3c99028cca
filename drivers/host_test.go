package drivers_test

import (
	"errors"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/drivertest"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

var errPanic = errors.New("panic instead")

// bubble runs each test in virtual time of its own.
func bubble(t *testing.T, f func(t *testing.T)) {
	t.Helper()
	synctest.Test(t, f)
}

func TestHelloWaitsForTheTruth(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t)
		c := r.call()
		time.Sleep(4 * time.Second)
		if n := len(r.daemon.Hellos()); n != 0 {
			t.Fatalf("%d hellos before the driver has reported", n)
		}
		c.report(status(&driverv1.RunStatus{Run: "r7", Fence: 7, State: processing, PiecesGood: 26}))
		r.settled()
		if len(r.daemon.Hellos()) != 1 {
			t.Fatalf("%d hellos after the first report, want 1", len(r.daemon.Hellos()))
		}
		h := r.daemon.Hellos()[0]
		if h.GetKind() != "script" || !slices.Equal(h.GetOperations(), []string{"cut", "print"}) {
			t.Errorf("hello is of kind %q, operations %q", h.GetKind(), h.GetOperations())
		}
		s := h.GetStatus()
		if s.GetEpoch() != uint64(time.Now().Add(-4*time.Second).UnixNano()) || s.GetSequence() != 1 || s.GetLink() != online {
			t.Errorf("hello has %v, want the wall clock's nanoseconds as epoch, sequence 1, online", s)
		}
		if len(s.GetRuns()) != 1 || s.GetRuns()[0].GetPiecesGood() != 26 || s.GetRuns()[0].GetFence() != 7 {
			t.Errorf("hello has in hand %v, want r7 with 26 pieces", s.GetRuns())
		}
		if last := r.daemon.Last(); last.GetSequence() != 2 || last.GetEpoch() != s.GetEpoch() {
			t.Errorf("the first status is %v, want sequence 2 of the same epoch", last)
		}
	})
}

func TestHelloWithoutDevice(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t)
		r.call()
		time.Sleep(5 * time.Second)
		r.settled()
		if len(r.daemon.Hellos()) != 1 {
			t.Fatalf("%d hellos from a driver that does not reach its device, want 1", len(r.daemon.Hellos()))
		}
		s := r.daemon.Hellos()[0].GetStatus()
		if s.GetLink() != offline || !slices.Equal(s.GetStateReasons(), []string{"connecting-to-device"}) ||
			s.GetState() != tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED || s.GetPhase() != tandemv1.DevicePhase_DEVICE_PHASE_OFFLINE {
			t.Errorf("hello has %v, want offline and connecting-to-device", s)
		}
	})
}

func TestHelloUntilWelcome(t *testing.T) {
	bubble(t, func(t *testing.T) {
		var answers atomic.Int32
		r := newRig(t, func(_ *drivers.Kind, _ *drivers.Env, d *drivertest.Daemon) {
			d.Welcome(func(*driverv1.Hello) (*driverv1.Welcome, error) {
				switch n := answers.Add(1); {
				case n <= 5:
					return &driverv1.Welcome{Error: "starting"}, nil
				case n <= 7:
					return nil, nil // no answer at all
				case n <= 20:
					return nil, errors.New("bus trouble")
				}
				return &driverv1.Welcome{Period: durationpb.New(time.Second)}, nil
			})
		})
		c := r.call()
		c.report(status())
		begin := time.Now()
		for answers.Load() <= 20 {
			time.Sleep(time.Second)
		}
		r.settled()
		if took := time.Since(begin); took < 60*time.Second || took > 3*time.Minute {
			t.Errorf("21 hellos have taken %s, want a pause that grows to ten seconds", took)
		}
		if lost, back := r.logged("daemon lost; trying again until it is back"), r.logged("daemon is back"); lost != 1 || back != 1 {
			t.Errorf("the log has %d lines that the daemon is lost and %d that it is back, want 1 and 1", lost, back)
		}
		if len(r.daemon.Statuses()) != 1 {
			t.Errorf("%d statuses, want 1: none before the welcome, one at once after it", len(r.daemon.Statuses()))
		}
		for i, h := range r.daemon.Hellos() {
			if got := h.GetStatus().GetSequence(); got != uint64(i+1) {
				t.Fatalf("hello %d has sequence %d", i+1, got)
			}
		}
	})
}

func TestStatusEveryPeriod(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, _ := serve(t)
		time.Sleep(95 * time.Second)
		// One at the welcome, then one in ten seconds.
		statuses := r.daemon.Statuses()
		if len(statuses) < 10 || len(statuses) > 11 {
			t.Errorf("%d statuses of an idle device in 95 s with a period of 10 s", len(statuses))
		}
		for i, s := range statuses[1:] {
			if s.GetSequence() <= statuses[i].GetSequence() {
				t.Fatalf("sequence %d follows %d", s.GetSequence(), statuses[i].GetSequence())
			}
			if !s.GetObserveTime().AsTime().Equal(s.At) {
				t.Fatalf("published at %v, observed at %v", s.At, s.GetObserveTime().AsTime())
			}
		}
	})
}

func TestHelloOnEveryConnect(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		r.taken(r.daemon.Grant(grant("r1", 1, true)))
		r.order(c)
		c.report(status(run("r1", processing)))
		r.settled()
		epoch := r.daemon.Last().GetEpoch()
		r.daemon.Connect(false)
		time.Sleep(time.Minute)
		n := len(r.daemon.Statuses())
		c.report(status(run("r1", completed)))
		time.Sleep(time.Minute)
		if got := len(r.daemon.Statuses()); got != n {
			t.Errorf("%d statuses without a bus", got-n)
		}
		r.daemon.Welcome(func(*driverv1.Hello) (*driverv1.Welcome, error) { return nil, nil }) // no answer
		r.daemon.Connect(true)
		r.settled()
		h := r.daemon.Hellos()[len(r.daemon.Hellos())-1].GetStatus()
		if h.GetEpoch() != epoch || len(h.GetRuns()) != 1 || h.GetRuns()[0].GetState() != completed {
			t.Errorf("after a loss the hello has %v, want the same epoch and r1 completed", h)
		}
		// Before the welcome a new run is refused for now only, and one in hand is not.
		if a := r.daemon.Grant(grant("r2", 2, true)); !strings.HasPrefix(a.GetRefused(), drivers.RefusedUnwelcomed) || a.GetEpoch() != 0 {
			t.Errorf("before the welcome a grant is answered with %v", a)
		}
		r.taken(r.daemon.Grant(grant("r1", 1, true)))
		r.daemon.Welcome(nil)
		time.Sleep(10 * time.Second)
		r.taken(r.daemon.Grant(grant("r2", 2, true)))
		if lost, back := r.logged("daemon lost; trying again until it is back"), r.logged("daemon is back"); lost != 1 || back != 1 {
			t.Errorf("the log has %d lines that the daemon is lost and %d that it is back, want 1 and 1", lost, back)
		}
	})
}

func TestLateWelcomeDoesNotCount(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t, func(_ *drivers.Kind, _ *drivers.Env, d *drivertest.Daemon) {
			d.Welcome(func(*driverv1.Hello) (*driverv1.Welcome, error) {
				time.Sleep(3 * time.Second)
				return new(driverv1.Welcome), nil
			})
		})
		r.call().report(status())
		time.Sleep(time.Second)
		r.daemon.Welcome(func(*driverv1.Hello) (*driverv1.Welcome, error) { return nil, nil })
		r.daemon.Connect(false)
		r.daemon.Connect(true) // perhaps to another daemon
		time.Sleep(3 * time.Second)
		if a := r.daemon.Grant(grant("r1", 1, true)); !strings.HasPrefix(a.GetRefused(), drivers.RefusedUnwelcomed) {
			t.Errorf("a welcome from before the loss counts: a grant is answered with %v", a)
		}
		if len(r.daemon.Statuses()) != 0 {
			t.Error("a welcome from before the loss counts: statuses are sent")
		}
	})
}

func TestHelloAgainFindsANewDaemon(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, _ := serve(t)
		time.Sleep(31 * time.Second)
		if n := len(r.daemon.Hellos()); n != 2 {
			t.Errorf("%d hellos in 31 s, want a second one after 30 s", n)
		}
		r.daemon.Welcome(func(*driverv1.Hello) (*driverv1.Welcome, error) {
			return &driverv1.Welcome{Error: "no such device"}, nil
		})
		time.Sleep(31 * time.Second)
		n := len(r.daemon.Statuses())
		time.Sleep(time.Minute)
		if got := len(r.daemon.Statuses()); got != n {
			t.Errorf("%d statuses to a daemon that does not accept the driver any more", got-n)
		}
	})
}

func TestClosedBus(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, _ := serve(t)
		r.daemon.CloseBus()
		r.settled()
		if err := r.stop(); !errors.Is(err, drivers.ErrBusClosed) {
			t.Errorf("the host returns %v, want ErrBusClosed", err)
		}
	})
}

func TestDriverThatDoesNotReturn(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		c.deaf = true
		err := r.stop()
		if err == nil || !strings.Contains(err.Error(), "has not returned") {
			t.Errorf("the host returns %v", err)
		}
		c.end <- nil
	})
}

func TestClockFromWelcome(t *testing.T) {
	floor := time.Date(2031, 5, 6, 7, 0, 0, 0, time.UTC)
	welcome := func(scale float64) option {
		return func(_ *drivers.Kind, _ *drivers.Env, d *drivertest.Daemon) {
			d.Welcome(func(*driverv1.Hello) (*driverv1.Welcome, error) {
				return &driverv1.Welcome{Now: timestamppb.New(floor), TimeScale: scale}, nil
			})
		}
	}
	bubble(t, func(t *testing.T) {
		r, c := serve(t, welcome(60))
		if now := r.script.env.Clock.Now(); !now.Equal(floor) {
			t.Fatalf("the driver's clock shows %v after the welcome, want %v", now, floor)
		}
		time.Sleep(10 * time.Second)
		if now, want := r.script.env.Clock.Now(), floor.Add(10*time.Minute); !now.Equal(want) {
			t.Errorf("and %v ten seconds later, want %v", now, want)
		}
		r.taken(r.daemon.Grant(grant("r1", 1, true)))
		r.order(c)
		c.report(status(run("r1", processing)))
		r.settled()
		if start := r.daemon.Run("r1").GetStartTime().AsTime(); !start.Equal(floor.Add(10 * time.Minute)) {
			t.Errorf("the run has begun at %v by the floor's clock", start)
		}
	})
	bubble(t, func(t *testing.T) { // 0 is what a daemon sends that says nothing
		r, _ := serve(t, welcome(0))
		time.Sleep(10 * time.Second)
		if now, want := r.script.env.Clock.Now(), floor.Add(10*time.Second); !now.Equal(want) {
			t.Errorf("without a scale the clock shows %v, want %v", now, want)
		}
	})
	bubble(t, func(t *testing.T) {
		r := newRig(t, welcome(-1))
		r.call().report(status())
		time.Sleep(time.Minute)
		if len(r.daemon.Statuses()) != 0 || r.logged("daemon lost; trying again until it is back") != 1 {
			t.Error("a welcome with a clock that runs backwards is accepted")
		}
	})
	bubble(t, func(t *testing.T) { // a clock that was given is left alone
		own := clock.Scaled(floor.Add(time.Hour), 1)
		r, _ := serve(t, welcome(60), func(_ *drivers.Kind, env *drivers.Env, _ *drivertest.Daemon) { env.Clock = own })
		time.Sleep(10 * time.Second)
		if now, want := r.script.env.Clock.Now(), floor.Add(time.Hour+10*time.Second); !now.Equal(want) {
			t.Errorf("a clock that was given shows %v, want %v", now, want)
		}
	})
}

func TestPeriodIsBounded(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, _ := serve(t, func(_ *drivers.Kind, _ *drivers.Env, d *drivertest.Daemon) {
			d.Welcome(func(*driverv1.Hello) (*driverv1.Welcome, error) {
				return &driverv1.Welcome{Period: durationpb.New(1)}, nil
			})
		})
		time.Sleep(10 * time.Second)
		if n := len(r.daemon.Statuses()); n > 210 {
			t.Errorf("%d statuses in 10 s with a period of a nanosecond, want at most 20 a second", n)
		}
	})
}

func TestNewHostChecks(t *testing.T) {
	kind := drivers.Kind{Name: "script", New: func(drivers.Env, map[string]string) (drivers.Driver, error) {
		return &script{}, nil
	}}
	ok := drivers.Env{Device: "cutter-1", Operations: []string{"cut"}}
	for want, change := range map[string]func(*drivers.Env){
		"device id":       func(e *drivers.Env) { e.Device = "cutter.*" },
		"operations":      func(e *drivers.Env) { e.Operations = nil },
		`operation "Cut"`: func(e *drivers.Env) { e.Operations = []string{"Cut"} },
		"capacity -1":     func(e *drivers.Env) { e.Capacity = -1 },
		"capacity 65":     func(e *drivers.Env) { e.Capacity = 65 },
	} {
		env := ok
		change(&env)
		if _, err := drivers.NewHost(kind, env, nil); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("error %v, want one about %s", err, want)
		}
	}
	if _, err := drivers.NewHost(kind, ok, nil); err != nil {
		t.Error(err)
	}
}
