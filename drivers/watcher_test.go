package drivers_test

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"tandem/drivers"
	"tandem/drivers/drivertest"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// lookout is a watcher that does what a test says.
type lookout struct{ calls chan *look }

// look is one call of its Watch.
type look struct {
	report func(drivers.Seen)
	end    chan error
}

func (l *lookout) Watch(ctx context.Context, report func(drivers.Seen)) error {
	c := &look{report: report, end: make(chan error)}
	select {
	case l.calls <- c:
	case <-ctx.Done():
		return nil
	}
	select {
	case err := <-c.end:
		if errors.Is(err, errPanic) {
			panic("a fault of its own")
		}
		return err
	case <-ctx.Done():
		return nil
	}
}

// newWatchedRig starts a host with two scripted watchers beside its driver.
func newWatchedRig(t *testing.T) (*rig, [2]*lookout) {
	t.Helper()
	core, logs := observer.New(zapcore.InfoLevel)
	r := &rig{T: t, daemon: drivertest.NewDaemon(), script: &script{calls: make(chan *call)}, log: logs}
	env := drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, Log: zap.New(core)}
	host, err := drivers.NewHost(drivers.Kind{Name: "script", New: func(env drivers.Env, _ map[string]string) (drivers.Driver, error) {
		r.script.env = env
		return r.script, nil
	}}, env, nil)
	if err != nil {
		t.Fatal(err)
	}
	var watchers [2]*lookout
	for i, name := range []string{"first", "second"} {
		watchers[i] = &lookout{calls: make(chan *look)}
		kind := drivers.Kind{Name: name, NewWatcher: func(drivers.Env, map[string]string) (drivers.Watcher, error) { return watchers[i], nil }}
		if err := host.Watch(kind, nil); err != nil {
			t.Fatal(err)
		}
	}
	r.host = host
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- host.Serve(ctx, r.daemon) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	return r, watchers
}

func (r *rig) said(state tandemv1.DeviceState, reasons string) {
	r.Helper()
	time.Sleep(time.Second)
	synctest.Wait()
	if s := r.daemon.Last(); s.GetState() != state || !slices.Equal(s.GetStateReasons(), strings.Fields(reasons)) {
		r.Errorf("the last status is %v %v, want %v %s", s.GetState(), s.GetStateReasons(), state, reasons)
	}
}

// TestWatchersOfOneDevice follows a device with a driver and two watchers: one is lost and comes back.
func TestWatchersOfOneDevice(t *testing.T) {
	const (
		works  = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
		stands = tandemv1.DeviceState_DEVICE_STATE_STOPPED
	)
	bubble(t, func(t *testing.T) {
		r, watchers := newWatchedRig(t)
		driver, first, second := <-r.script.calls, <-watchers[0].calls, <-watchers[1].calls
		driver.report(status())
		second.report(drivers.Seen{State: idle, Reasons: []string{"media-low-warning"}, Supplies: []*tandemv1.Supply{{DisplayName: "Cyan"}}})
		r.said(idle, "media-low-warning")
		if s := r.daemon.Last(); len(s.GetSupplies()) != 1 || len(s.GetWatched()) != 2 || s.GetWatched()[0].GetLink() != tandemv1.Link_LINK_NOT_YET_REPORTED || s.GetWatched()[1].GetLink() != online {
			t.Errorf("supplies %v, watched %v", s.GetSupplies(), s.GetWatched())
		}

		// A fault while work goes on is shown, and no run ends.
		if a := r.daemon.Grant(grant("r1", 1, true)); a.GetRefused() != "" {
			t.Fatal(a.GetRefused())
		}
		<-driver.orders
		driver.report(status(&driverv1.RunStatus{Run: "r1", Fence: 1, State: processing}))
		first.report(drivers.Seen{State: stands, Reasons: []string{"media-jam-error"}})
		r.said(stands, "media-jam-error media-low-warning")
		if run := r.daemon.Run("r1"); run.GetState() != processing || len(run.GetStateReasons()) != 0 {
			t.Errorf("by the word of a watcher the run is %v", run)
		}

		// A watcher that is lost has no say, and one line in the log.
		first.end <- errors.New("no answer")
		first.report(drivers.Seen{State: stands}) // too late
		r.said(idle, "x-watcher-lost-warning media-low-warning")
		for range 5 {
			first = <-watchers[0].calls
			first.end <- errors.New("no answer")
		}
		first = <-watchers[0].calls
		first.end <- errPanic
		r.said(idle, "x-watcher-lost-warning media-low-warning")
		first = <-watchers[0].calls
		first.report(drivers.Seen{State: works})
		r.said(works, "media-low-warning")
		var lines []string
		for _, e := range r.log.All() {
			lines = append(lines, e.Message)
		}
		if want := []string{"watcher lost what it reads; trying again until it is back", "watcher is back"}; !slices.Equal(lines, want) {
			t.Errorf("the log has %q, want %q", lines, want)
		}

		// The driver loses its device: its link counts, and the watchers are not called anew.
		driver.end <- errors.New("no answer")
		time.Sleep(100 * time.Millisecond)
		synctest.Wait()
		if s := r.daemon.Last(); s.GetLink() != offline || s.GetWatched()[0].GetLink() != online {
			t.Errorf("without the device the link is %v, watched %v", s.GetLink(), s.GetWatched())
		}
	})
}

func TestWatchRefuses(t *testing.T) {
	env := drivers.Env{Device: "cutter-1", Operations: []string{"cut"}}
	driver := drivers.Kind{Name: "script", New: func(drivers.Env, map[string]string) (drivers.Driver, error) { return &script{}, nil }}
	watcher := drivers.Kind{Name: "lookout", NewWatcher: func(drivers.Env, map[string]string) (drivers.Watcher, error) { return &lookout{}, nil }}
	if _, err := drivers.NewHost(watcher, env, nil); err == nil || !strings.Contains(err.Error(), "only watches") {
		t.Errorf("a watcher as a driver: error %v", err)
	}
	host, err := drivers.NewHost(driver, env, nil)
	if err != nil {
		t.Fatal(err)
	}
	if err := host.Watch(driver, nil); err == nil || !strings.Contains(err.Error(), "does not watch") {
		t.Errorf("a driver as a watcher: error %v", err)
	}
	for range drivers.MaxWatchers {
		if err := host.Watch(watcher, nil); err != nil {
			t.Fatal(err)
		}
	}
	if err := host.Watch(watcher, nil); err == nil || !strings.Contains(err.Error(), "more than 4") {
		t.Errorf("one watcher too many: error %v", err)
	}
}
