package sim_test

import (
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/clock"
	"tandem/drivers/drivertest"
	"tandem/drivers/sim"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	pending    = tandemv1.JobState_JOB_STATE_PENDING
	processing = tandemv1.JobState_JOB_STATE_PROCESSING
	stopped    = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	completed  = tandemv1.JobState_JOB_STATE_COMPLETED
)

// shop is a simulated device on a bus in memory.
type shop struct {
	*testing.T
	env      drivers.Env
	settings map[string]string
	daemon   *drivertest.Daemon
	device   *sim.Device
	starts   int
	hello    *driverv1.Status // with which the last start introduced itself
}

// start starts the device's driver as a new process would, and returns how to kill it.
func (s *shop) start() (kill func()) {
	s.Helper()
	if s.starts++; s.starts > 1 {
		s.daemon.Connect(true)
	}
	host, err := drivers.NewHost(sim.Kind(), s.env, s.settings)
	if err != nil {
		s.Fatal(err)
	}
	s.device = host.Driver().(*sim.Device)
	ctx, cancel := context.WithCancel(s.Context())
	ended := make(chan error, 1)
	hellos := len(s.daemon.Hellos())
	go func() { ended <- host.Serve(ctx, s.daemon) }()
	synctest.Wait()
	if s.hello = nil; len(s.daemon.Hellos()) > hellos {
		s.hello = s.daemon.Hellos()[hellos].GetStatus()
	}
	return func() {
		cancel()
		if err := <-ended; err != nil {
			s.Error(err)
		}
	}
}

// newShop is a shop whose clock is the wall clock's.
func newShop(t *testing.T, settings map[string]string) *shop {
	return &shop{
		T: t, settings: settings, daemon: drivertest.NewDaemon(),
		env: drivers.Env{Device: "cutter-1", Operations: []string{"cut"}, Clock: clock.Wall()},
	}
}

// hour is a run of 60 pieces: five minutes of set-up, and a minute for each piece.
func hour(run string, fence uint64) *driverv1.Grant {
	return &driverv1.Grant{
		Run: run, Fence: fence, Operation: "cut", Pieces: 60, MayStart: true,
		StartBefore:   timestamppb.New(time.Now().Add(10 * time.Minute)),
		ExpectedSetup: durationpb.New(5 * time.Minute), ExpectedWork: durationpb.New(time.Hour),
	}
}

func (s *shop) give(g *driverv1.Grant) {
	s.Helper()
	if a := s.daemon.Grant(g); a.GetRefused() != "" {
		s.Fatalf("%s is refused: %s", g.GetRun(), a.GetRefused())
	}
	synctest.Wait()
}

// after lets time pass, and as much more as progress may wait to be told, and returns what is then told of a run.
func (s *shop) after(d time.Duration, run string) *driverv1.RunStatus {
	s.Helper()
	time.Sleep(d + 100*time.Millisecond)
	synctest.Wait()
	return s.daemon.Run(run)
}

func (s *shop) expect(r *driverv1.RunStatus, state tandemv1.JobState, good int32) {
	s.Helper()
	if r.GetState() != state || r.GetPiecesGood() != good {
		s.Fatalf("the run is %v, want %v with %d good pieces", r, state, good)
	}
}

func TestKilledDriverFindsItsMachineAtWork(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, nil)
		s.env.StateDir = dir
		kill := s.start()
		s.give(hour("r1", 1))
		s.expect(s.after(25*time.Minute, "r1"), processing, 20)
		kill()
		time.Sleep(6 * time.Minute)

		kill = s.start()
		h := s.hello
		if len(h.GetRuns()) != 1 || h.GetRuns()[0].GetState() != processing || h.GetRuns()[0].GetPiecesGood() != 26 || h.GetRuns()[0].GetFence() != 1 {
			t.Fatalf("the new driver says hello with %v, want r1 still at work, 26 of 60", h)
		}
		s.give(hour("r1", 1)) // the daemon asks again for what it has granted; nothing begins anew
		kill()
		time.Sleep(10 * time.Hour)

		kill = s.start()
		r := s.hello.GetRuns()[0]
		s.expect(r, completed, 60)
		if took := r.GetEndTime().AsTime().Sub(r.GetStartTime().AsTime()); took != 65*time.Minute {
			t.Errorf("the run has taken %s, want 65 min: it has ended while nobody looked", took)
		}
		s.daemon.Settle("r1", 1)
		synctest.Wait()
		kill()

		s.start()()
		if runs := s.hello.GetRuns(); len(runs) != 0 {
			t.Errorf("a settled run is remembered: %v", runs)
		}
	})
}

func TestKilledDriverBeginsNothing(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, map[string]string{"cleanup": "20m"})
		s.env.StateDir = dir
		kill := s.start()
		s.give(hour("r1", 1))
		s.expect(s.after(66*time.Minute, "r1"), completed, 60)
		s.give(hour("r2", 2)) // has its start, and waits for the machine to be cleared
		s.expect(s.after(time.Minute, "r2"), pending, 0)
		kill()
		defer s.start()()
		r := s.after(24*time.Hour, "r2")
		s.expect(r, pending, 0)
		if !slices.Equal(r.GetStateReasons(), []string{"x-awaiting-start"}) {
			t.Errorf("after its driver has been killed the run waits because of %q", r.GetStateReasons())
		}
		s.give(hour("r2", 2))
		s.expect(s.after(6*time.Minute, "r2"), processing, 1)
	})
}

func TestWithoutStateDirTheMachineDies(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, nil)
		kill := s.start()
		s.give(hour("r1", 1))
		s.expect(s.after(25*time.Minute, "r1"), processing, 20)
		kill()
		s.start()()
		if runs := s.hello.GetRuns(); len(runs) != 0 {
			t.Errorf("a machine without a memory tells of %v", runs)
		}
	})
}

func TestFaults(t *testing.T) {
	t.Run("offline", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			s := newShop(t, map[string]string{"faults": "offline@5:10m"})
			defer s.start()()
			s.give(hour("r1", 1))
			s.expect(s.after(10*time.Minute+time.Second, "r1"), stopped, 4)
			if last := s.daemon.Last(); last.GetLink() != tandemv1.Link_LINK_OFFLINE || !slices.Contains(s.daemon.Run("r1").GetStateReasons(), "x-outcome-unknown") {
				t.Errorf("a machine that cannot be reached is told as %v", last)
			}
			r := s.after(11*time.Minute, "r1") // the host tries again at least every half minute
			s.expect(r, processing, 16)
			if s.daemon.Last().GetEpoch() != s.hello.GetEpoch() {
				t.Error("a machine that was out of reach has begun a new epoch: it has not forgotten anything")
			}
		})
	})
	t.Run("reboot", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			s := newShop(t, map[string]string{"faults": "reboot@5"})
			defer s.start()()
			s.give(hour("r1", 1))
			if r := s.after(12*time.Minute, "r1"); r != nil {
				t.Errorf("after a reboot the run is still told: %v", r)
			}
			hellos := s.daemon.Hellos()
			if len(hellos) < 2 || hellos[len(hellos)-1].GetStatus().GetEpoch() <= hellos[0].GetStatus().GetEpoch() {
				t.Errorf("%d hellos, want a new epoch after the reboot", len(hellos))
			}
			s.give(hour("r2", 2))
			s.expect(s.after(66*time.Minute, "r2"), completed, 60) // the fault was of the first run
		})
	})
	t.Run("flood", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			s := newShop(t, map[string]string{"faults": "flood@5:10s"})
			defer s.start()()
			s.give(hour("r1", 1))
			time.Sleep(10*time.Minute - time.Second)
			synctest.Wait()
			n := len(s.daemon.Statuses())
			s.after(12*time.Second, "r1")
			if got := len(s.daemon.Statuses()) - n; got < 150 || got > 210 {
				t.Errorf("%d statuses in ten seconds of flood, want about 20 a second", got)
			}
			n = len(s.daemon.Statuses())
			s.expect(s.after(30*time.Second, "r1"), processing, 5)
			if got := len(s.daemon.Statuses()) - n; got > 5 {
				t.Errorf("%d statuses in half a minute after the flood", got)
			}
		})
	})
	t.Run("of a person's making", func(t *testing.T) {
		synctest.Test(t, func(t *testing.T) {
			s := newShop(t, map[string]string{"help-after": "0s"})
			defer s.start()()
			g := hour("r1", 1)
			g.MayStart = false
			s.give(g)
			s.expect(s.after(time.Hour, "r1"), pending, 0)
			s.device.Start() // at the machine
			s.expect(s.after(10*time.Minute+30*time.Second, "r1"), processing, 5)
			s.device.Inject(sim.Fault{Trouble: sim.Stop})
			synctest.Wait()
			if last := s.daemon.Last(); last.GetState() != tandemv1.DeviceState_DEVICE_STATE_STOPPED || !slices.Equal(last.GetStateReasons(), []string{"media-jam-error"}) {
				t.Errorf("after a jam the device is %v", last)
			}
			s.expect(s.after(time.Hour, "r1"), stopped, 5)
			s.device.Help()
			s.expect(s.after(30*time.Second, "r1"), processing, 6) // the half piece that was left
			s.device.Inject(sim.Fault{Trouble: sim.Spoil, Pieces: 2})
			s.device.Inject(sim.Fault{Trouble: sim.Stop, Piece: 10})
			r := s.after(4*time.Minute, "r1")
			s.expect(r, stopped, 8)
			if r.GetPiecesSpoiled() != 2 {
				t.Errorf("%d pieces are spoiled, want 2", r.GetPiecesSpoiled())
			}
		})
	})
}

// TestSyncedClock starts a driver whose clock is told by the daemon, after its machine has gone on at a simulated
// floor's time. Before it is told, the wall clock must not be taken for the floor's.
func TestSyncedClock(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		begin, floor := time.Now(), time.Date(1990, 1, 1, 6, 0, 0, 0, time.UTC) // long before the wall clock's time
		s := newShop(t, nil)
		s.env.Clock, s.env.StateDir = nil, dir
		s.daemon.Welcome(func(*driverv1.Hello) (*driverv1.Welcome, error) {
			return &driverv1.Welcome{Now: timestamppb.New(floor.Add(60 * time.Since(begin))), TimeScale: 60}, nil
		})
		kill := s.start()
		g := hour("r1", 1)
		g.StartBefore = timestamppb.New(floor.Add(time.Hour))
		s.give(g)
		s.expect(s.after(25*time.Second, "r1"), processing, 20)
		kill()
		time.Sleep(6 * time.Second)
		defer s.start()()
		if r := s.hello.GetRuns()[0]; r.GetState() != processing {
			t.Errorf("before the clock is told the run is %v", r)
		}
		s.expect(s.daemon.Run("r1"), processing, 26)
		r := s.after(35*time.Second, "r1")
		s.expect(r, completed, 60)
		if end := r.GetEndTime().AsTime(); !end.Equal(floor.Add(65 * time.Minute)) {
			t.Errorf("the run has ended at %v by the floor's clock", end)
		}
	})
}

// A driver that starts anew hears orders before it has been told the floor's time, by which its machine may have finished long ago: they
// wait until then, or a late stop would be obeyed in the past.
func TestOrdersWaitForTheFloorsTime(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		floor := time.Date(2050, 1, 1, 6, 0, 0, 0, time.UTC)
		orders := make(chan *driverv1.Order)
		var last *driverv1.Status
		begin := func(c clock.Clock) (kill func()) {
			d, err := sim.New(drivers.Env{Device: "cutter-1", Clock: c, StateDir: dir}, nil)
			if err != nil {
				t.Fatal(err)
			}
			ctx, cancel := context.WithCancel(t.Context())
			ended := make(chan error, 1)
			go func() { ended <- d.Run(ctx, orders, func(s *driverv1.Status) { last = s }) }()
			return func() {
				cancel()
				if err := <-ended; err != nil {
					t.Error(err)
				}
			}
		}
		told := clock.NewSynced()
		told.Set(floor, 60)
		kill := begin(told)
		g := hour("r1", 1)
		g.StartBefore = nil
		orders <- &driverv1.Order{Kind: &driverv1.Order_Grant{Grant: g}}
		synctest.Wait()
		if s := last.GetRuns()[0].GetState(); s != processing {
			t.Fatalf("granted, the run is %v", s)
		}
		kill()
		untold := clock.NewSynced()
		defer begin(untold)()
		stop := &driverv1.Order{Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: "r1", Fence: 1}}}
		select {
		case orders <- stop:
			t.Error("an order is taken before the floor's time is known")
		case <-time.After(time.Second):
		}
		untold.Set(floor.Add(3*time.Hour), 60)
		orders <- stop
		synctest.Wait()
		if r := last.GetRuns()[0]; r.GetState() != completed || r.GetPiecesGood() != 60 {
			t.Errorf("stopped two hours after its end, the run is %v", r)
		}
	})
}

func TestForeignMemory(t *testing.T) {
	for _, body := range []string{
		"no JSON", `{"job":{"run":"r1","fence":1,"units":0}}`, `{"loaded":{"run":"../r1","fence":1,"units":1}}`,
		`{"ended":[{"run":"r1","fence":1,"units":1,"done":2}]}`, `{"job":{"run":"r1","fence":1,"units":99999999}}`,
		`{"job":{"run":"r1","fence":1,"units":1,"read":1}}`, `{"job":{"run":"r1","fence":1,"units":1,"readings":[{"panel":"P0015","marks":[1,2,3]}]}}`,
	} {
		dir := t.TempDir()
		if err := os.WriteFile(filepath.Join(dir, "machine.json"), []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
		d, err := sim.New(drivers.Env{Device: "cutter-1", Clock: clock.Wall(), StateDir: dir}, nil)
		if err != nil {
			t.Fatal(err)
		}
		err = d.Run(t.Context(), nil, func(s *driverv1.Status) { t.Errorf("with the memory %s it reports %v", body, s) })
		if err == nil || !strings.Contains(err.Error(), "machine.json") {
			t.Errorf("with the memory %s Run returns %v", body, err)
		}
	}
}

func TestSettings(t *testing.T) {
	for want, settings := range map[string]map[string]string{
		"pace is":                   {"pace": "0"},
		"noise is":                  {"noise": "NaN"},
		"help-after is":             {"help-after": "soon"},
		"seed is":                   {"seed": "-1"},
		"piece-time is":             {"piece-time": "-1s"},
		"mark-wait is":              {"mark-wait": "soon"},
		"fault \"burn@3\"":          {"faults": "stop@1, burn@3"},
		`did you mean "help-after"`: {"help_after": "1s"},
	} {
		if _, err := sim.New(drivers.Env{Device: "d"}, settings); err == nil || !strings.Contains(err.Error(), want) {
			t.Errorf("settings %v: error %v, want %q", settings, err, want)
		}
	}
	if _, err := sim.New(drivers.Env{Device: "d", Capacity: 2}, nil); err == nil || !strings.Contains(err.Error(), "capacity") {
		t.Errorf("with two places: error %v", err)
	}
}
