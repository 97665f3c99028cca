package sim_test

import (
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"tandem/drivers/sim"
	tandemv1 "tandem/proto/tandem/v1"
)

// obstruct makes it impossible to write a machine's memory, for the superuser too: what lies in its way is a folder.
func obstruct(t *testing.T, dir string) (clear func()) {
	t.Helper()
	path := filepath.Join(dir, "machine.json.new")
	if err := os.Mkdir(path, 0o700); err != nil {
		t.Fatal(err)
	}
	return func() {
		if err := os.Remove(path); err != nil {
			t.Fatal(err)
		}
	}
}

func begunRuns(d *sim.Device) []string {
	var out []string
	_, known := d.Motions()
	for _, m := range known {
		if m.Begun {
			out = append(out, m.Run)
		}
	}
	return out
}

// A machine that cannot remember what it begins begins nothing: its driver is killed and started anew, and the same run, granted
// again with a start, begins for the first time.
func TestNothingBeginsThatCannotBeStored(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		core, lines := observer.New(zap.InfoLevel)
		s := newShop(t, nil)
		s.env.StateDir, s.env.Log = dir, zap.New(core)
		kill := s.start()
		waiting := hour("r1", 1)
		waiting.MayStart, waiting.StartBefore = false, nil
		s.give(waiting)
		clear := obstruct(t, dir)
		s.give(hour("r1", 1))
		r := s.after(20*time.Minute, "r1")
		s.expect(r, pending, 0)
		if !slices.Equal(r.GetStateReasons(), []string{"x-awaiting-start"}) || r.GetStartTime() != nil {
			t.Errorf("the run is %v, want it to wait for another start", r)
		}
		last := s.daemon.Last()
		if last.GetState() != tandemv1.DeviceState_DEVICE_STATE_STOPPED || last.GetLink() != tandemv1.Link_LINK_ONLINE ||
			!slices.Equal(last.GetStateReasons(), []string{"x-state-not-stored-error"}) {
			t.Errorf("the device is %v, want it online, stopped, and to say why", last)
		}
		if begun := begunRuns(s.device); len(begun) != 0 {
			t.Fatalf("%v has begun, and nothing remembers it", begun)
		}
		told := lines.FilterMessageSnippet("free space on the disk").All()
		if len(told) != 1 || !strings.Contains(told[0].ContextMap()["error"].(string), "machine.json") {
			t.Errorf("the log has %v, want one line that names the file and the remedy", told)
		}
		kill()

		kill = s.start() // still nothing can be stored
		s.give(hour("r1", 1))
		s.expect(s.after(time.Minute, "r1"), pending, 0)
		kill()
		clear()

		defer s.start()()
		s.give(hour("r1", 1))
		s.expect(s.after(6*time.Minute, "r1"), processing, 1)
		if begun, _ := s.device.Motions(); begun != 1 {
			t.Errorf("the machine has begun %d runs, want 1", begun)
		}
	})
}

// The driver goes on by itself once its memory can be written again; the start that came meanwhile is void, and a new one counts.
func TestStoredAgain(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, nil)
		s.env.StateDir = dir
		defer s.start()()
		clear := obstruct(t, dir)
		s.give(hour("r1", 1))
		s.expect(s.after(time.Minute, "r1"), pending, 0)
		clear()
		s.expect(s.after(2*time.Minute, "r1"), pending, 0)
		if last := s.daemon.Last(); last.GetState() != tandemv1.DeviceState_DEVICE_STATE_IDLE || len(last.GetStateReasons()) != 0 {
			t.Errorf("the device is still %v", last)
		}
		s.give(hour("r1", 1)) // a start given now is another one
		s.expect(s.after(6*time.Minute, "r1"), processing, 1)
	})
}

// What is under way goes on, and is told as it is: that it began is stored. With the next driver the machine finds itself at work.
func TestWorkGoesOnThoughItCannotBeStored(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, nil)
		s.env.StateDir = dir
		kill := s.start()
		s.give(hour("r1", 1))
		s.expect(s.after(6*time.Minute, "r1"), processing, 1)
		clear := obstruct(t, dir)
		s.device.Inject(sim.Fault{Trouble: sim.Flood, Piece: 59, For: time.Second}) // something to remember
		s.expect(s.after(10*time.Minute, "r1"), processing, 11)
		if last := s.daemon.Last(); last.GetState() != tandemv1.DeviceState_DEVICE_STATE_PROCESSING || !slices.Equal(last.GetStateReasons(), []string{"x-state-not-stored-warning"}) {
			t.Errorf("the device is %v, want it at work, with a warning", last)
		}
		s.expect(s.after(50*time.Minute, "r1"), completed, 60)
		told := s.daemon.Run("r1")
		kill()
		clear()
		kill = s.start()
		defer func() { kill() }()
		r := s.after(time.Second, "r1")
		s.expect(r, completed, 60)
		if !r.GetStartTime().AsTime().Equal(told.GetStartTime().AsTime()) || !r.GetEndTime().AsTime().Equal(told.GetEndTime().AsTime()) {
			t.Errorf("before it was told as %v, now as %v", told, r)
		}
		if begun, _ := s.device.Motions(); begun != 1 {
			t.Errorf("the machine has begun %d runs, want 1", begun)
		}
	})
}

// A reset is told even if it cannot be stored.
func TestResetIsToldThoughItCannotBeStored(t *testing.T) {
	dir := t.TempDir()
	synctest.Test(t, func(t *testing.T) {
		s := newShop(t, nil)
		s.env.StateDir = dir
		defer s.start()()
		s.give(hour("r1", 1))
		s.expect(s.after(6*time.Minute, "r1"), processing, 1)
		defer obstruct(t, dir)()
		s.device.Inject(sim.Fault{Trouble: sim.Reboot})
		time.Sleep(time.Minute)
		synctest.Wait()
		hellos := s.daemon.Hellos()
		if len(hellos) < 2 || hellos[len(hellos)-1].GetStatus().GetEpoch() <= hellos[0].GetStatus().GetEpoch() {
			t.Errorf("%d hellos, want a new epoch after the reset", len(hellos))
		}
		if run := s.daemon.Run("r1"); run != nil {
			t.Errorf("the run is still told: %v", run)
		}
	})
}
