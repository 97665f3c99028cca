package drivers_test

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"tandem/drivers"
	"tandem/drivers/drivertest"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

var errLost = errors.New("no answer from the device")

func (r *rig) unknown(id string) {
	r.Helper()
	r.settled()
	got := r.daemon.Run(id)
	if got.GetState() != stopped || !slices.Equal(got.GetStateReasons(), []string{"x-outcome-unknown"}) {
		r.Errorf("%s is %v, want processing-stopped and x-outcome-unknown", id, got)
	}
}

func TestLostDevice(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t, capacity(4))
		for i, id := range []string{"working", "waiting", "allowed", "over"} {
			r.taken(r.daemon.Grant(grant(id, uint64(i+1), id != "waiting")))
			r.order(c)
		}
		working := &driverv1.RunStatus{Run: "working", State: processing, PiecesGood: 26, PiecesSpoiled: 1, Fraction: 0.45}
		c.report(status(working, run("waiting", pending), run("allowed", pending), run("over", completed)))
		r.settled()
		epoch := r.daemon.Last().GetEpoch()
		c.end <- errLost
		r.settled()
		s := r.daemon.Last()
		if s.GetLink() != offline || !slices.Equal(s.GetStateReasons(), []string{"connecting-to-device"}) ||
			s.GetPhase() != tandemv1.DevicePhase_DEVICE_PHASE_OFFLINE || s.GetState() != idle || s.GetEpoch() != epoch {
			t.Errorf("without its device the driver tells %v", s)
		}
		r.unknown("working")
		r.unknown("allowed")
		if got := r.daemon.Run("working"); got.GetPiecesGood() != 26 || got.GetPiecesSpoiled() != 1 || got.GetFraction() != 0.45 {
			t.Errorf("the run is no longer known as it was: %v", got)
		}
		if r.daemon.Run("waiting").GetState() != pending || r.daemon.Run("over").GetState() != completed {
			t.Errorf("runs that did not move: %v", s.GetRuns())
		}

		// Everything live is handed over again; what may have begun without its start.
		c.report(status(run("working", completed))) // a late word of the call that has ended
		c = r.call()
		for _, want := range []string{"working", "waiting", "allowed"} {
			g := r.order(c).GetGrant()
			if g.GetRun() != want || g.GetMayStart() {
				t.Errorf("the driver gets %v, want %s without its start", g, want)
			}
		}
		r.noOrder(c)
		r.unknown("working")

		// The device knows: it has gone on with one, and never heard of another.
		working.PiecesGood = 40
		c.report(status(working, run("waiting", pending), run("allowed", pending, "x-awaiting-start")))
		r.settled()
		if s := r.daemon.Last(); s.GetLink() != online || r.daemon.Run("working").GetState() != processing || r.daemon.Run("allowed").GetState() != pending {
			t.Errorf("with its device back the driver tells %v", s)
		}
		if lost, back := r.logged("device lost; trying again until it is back"), r.logged("device is back"); lost != 1 || back != 1 {
			t.Errorf("the log has %d lines that the device is lost and %d that it is back, want 1 and 1", lost, back)
		}

		// The same start sent again begins nothing, whatever else is new; a new one does.
		r.taken(r.daemon.Grant(grant("allowed", 3, true)))
		r.noOrder(c)
		other := grant("allowed", 3, true)
		other.Film = "matt"
		r.taken(r.daemon.Grant(other))
		if g := r.order(c).GetGrant(); g.GetMayStart() || g.GetFilm() != "matt" {
			t.Errorf("a grant with the same start and another film is handed over as %v", g)
		}
		r.taken(r.daemon.Grant(before(grant("allowed", 3, true), time.Now().Add(time.Minute))))
		if g := r.order(c).GetGrant(); !g.GetMayStart() {
			t.Errorf("a new start is handed over as %v", g)
		}
	})
}

func TestLostDeviceThatForgets(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		r.taken(r.daemon.Grant(grant("r1", 1, true)))
		r.order(c)
		c.report(status(&driverv1.RunStatus{Run: "r1", State: processing, PiecesGood: 26}))
		r.settled()
		c.end <- errLost
		c = r.call()
		r.order(c)
		c.report(status(run("r1", pending, "x-awaiting-start"))) // without noticing that the device has been switched off
		r.unknown("r1")
		if got := r.daemon.Run("r1").GetPiecesGood(); got != 26 {
			t.Errorf("it is known to have made %d pieces, want 26", got)
		}
		c.report(status())
		r.unknown("r1")
		// Nobody but the host can end it now.
		r.taken(r.daemon.Stop("r1", 1))
		r.settled()
		if got := r.daemon.Run("r1"); got.GetState() != canceled || got.GetPiecesGood() != 26 || got.GetEndTime() == nil {
			t.Errorf("a stop of a run that the device has forgotten makes it %v", got)
		}
	})
}

func TestDeviceReset(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t, capacity(3))
		for i, id := range []string{"working", "waiting", "over"} {
			r.taken(r.daemon.Grant(grant(id, uint64(i+1), id != "waiting")))
			r.order(c)
		}
		c.report(status(run("working", processing), run("waiting", pending), run("over", completed)))
		r.settled()
		epoch, hellos := r.daemon.Last().GetEpoch(), len(r.daemon.Hellos())
		c.end <- fmt.Errorf("switched off and on: %w", drivers.ErrDeviceReset)
		c = r.call()
		time.Sleep(time.Second)
		renewed := r.daemon.Order(&driverv1.Order{}).GetEpoch()
		a := r.daemon.Order(&driverv1.Order{Epoch: renewed, Kind: &driverv1.Order_Grant{Grant: grant("early", 9, true)}})
		if !strings.HasPrefix(a.GetRefused(), drivers.RefusedUnwelcomed) {
			t.Errorf("before the welcome in the new epoch %d a grant is answered with %v", renewed, a)
		}
		if len(r.daemon.Hellos()) != hellos {
			t.Fatal("the hello of the new epoch does not wait for the driver's report")
		}
		c.report(status())
		r.settled()
		if len(r.daemon.Hellos()) != hellos+1 {
			t.Fatalf("%d hellos of the new epoch, want 1", len(r.daemon.Hellos())-hellos)
		}
		s := r.daemon.Hellos()[hellos].GetStatus()
		if s.GetEpoch() <= epoch || s.GetSequence() != 1 {
			t.Errorf("the new epoch is %d after %d, sequence %d", s.GetEpoch(), epoch, s.GetSequence())
		}
		var in []string
		for _, run := range s.GetRuns() {
			in = append(in, run.GetRun())
		}
		if !slices.Equal(in, []string{"waiting", "over"}) {
			t.Errorf("in the new epoch the driver has in hand %v, want waiting and over", in)
		}
		if g := r.order(c).GetGrant(); g.GetRun() != "waiting" {
			t.Errorf("the driver gets %v, want what was waiting", g)
		}
		// It may have begun, so a refusal must not say that it has not; and it must not begin again.
		a = r.daemon.Order(&driverv1.Order{Epoch: s.GetEpoch(), Kind: &driverv1.Order_Grant{Grant: grant("working", 1, true)}})
		if a.GetRefused() == "" || a.GetEpoch() != 0 {
			t.Errorf("the grant of a run that was lost is answered with %v", a)
		}
		// If the device does remember, its word counts.
		c.report(status(run("waiting", pending), &driverv1.RunStatus{Run: "working", Fence: 1, State: completed}))
		r.settled()
		if got := r.daemon.Run("working").GetState(); got != completed {
			t.Errorf("a run that the device remembers is %v", got)
		}
	})
}

// A device that says after the end of a start's time that it waits has not begun, and will not by that start: the daemon takes it for
// lapsed, and so does the driver when the device forgets its work. Before that end it may have begun since.
func TestDeviceResetAfterAStartHasLapsed(t *testing.T) {
	for name, test := range map[string]struct {
		said time.Duration // after the start was given, which is good for a minute
		kept bool
	}{"lapsed": {2 * time.Minute, true}, "not yet": {30 * time.Second, false}} {
		t.Run(name, func(t *testing.T) {
			bubble(t, func(t *testing.T) {
				r, c := serve(t)
				r.taken(r.daemon.Grant(before(grant("r1", 1, true), time.Now().Add(time.Minute))))
				r.order(c)
				time.Sleep(test.said)
				c.report(status(run("r1", pending, drivers.ReasonAwaitingStart)))
				r.settled()
				c.end <- fmt.Errorf("switched off and on: %w", drivers.ErrDeviceReset)
				c = r.call()
				time.Sleep(time.Second)
				c.report(status())
				r.settled()
				hellos := r.daemon.Hellos()
				if kept := len(hellos[len(hellos)-1].GetStatus().GetRuns()) == 1; kept != test.kept {
					t.Errorf("in the new epoch the run is in hand: %t, want %t", kept, test.kept)
				}
			})
		})
	}
}

func TestRunThatHasOutlivedItsDriver(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t)
		c := r.call()
		c.report(status(&driverv1.RunStatus{Run: "r5", Fence: 5, State: processing, PiecesGood: 26}))
		r.settled()
		r.refused(r.daemon.Grant(grant("r4", 4, true)), drivers.RefusedStale, true)
		r.refused(r.daemon.Grant(grant("r6", 6, true)), drivers.RefusedBusy, true)
		r.taken(r.daemon.Grant(grant("r5", 5, true)))
		if g := r.order(c).GetGrant(); g.GetRun() != "r5" {
			t.Errorf("the driver gets %v, want the grant of what it has in hand", g)
		}
		c.report(status(&driverv1.RunStatus{Run: "r5", State: completed}))
		r.settled()
		if got := r.daemon.Run("r5"); got.GetState() != completed || got.GetFence() != 5 {
			t.Errorf("it ends as %v", got)
		}
	})
}

func TestRunThatADriverDrops(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t, capacity(2))
		r.taken(r.daemon.Grant(grant("working", 1, true)))
		r.taken(r.daemon.Grant(grant("waiting", 2, false)))
		r.order(c)
		r.order(c)
		c.report(status(run("working", processing), run("waiting", pending)))
		c.report(status())
		r.unknown("working")
		if got := r.daemon.Run("waiting").GetState(); got != pending {
			t.Errorf("a run that has not begun is %v", got)
		}
		if g := r.order(c).GetGrant(); g.GetRun() != "waiting" {
			t.Errorf("the driver gets %v, want again what it has dropped", g)
		}
		r.noOrder(c)
	})
}

func TestDriverFaultsDoNotSpread(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		c.end <- errPanic
		c = r.call()
		c.end <- nil // without a reason
		c = r.call()
		c.report(status())
		r.settled()
		if got := r.daemon.Last().GetLink(); got != online {
			t.Errorf("after a fault of the driver the link is %v", got)
		}
		lines := r.log.FilterMessage("device lost; trying again until it is back").All()
		if len(lines) != 1 || !strings.Contains(fmt.Sprint(lines[0].ContextMap()["error"]), "a fault of its own") {
			t.Errorf("the log has %v", lines)
		}
	})
}

func TestPausesGrow(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t)
		var pauses []time.Duration
		for range 10 {
			c := r.call()
			c.end <- errLost
			begin := time.Now()
			c = r.call()
			pauses = append(pauses, time.Since(begin))
			c.end <- errLost
		}
		if pauses[0] > time.Second || pauses[9] < 20*time.Second || pauses[9] > 30*time.Second {
			t.Errorf("pauses between calls are %v, want them to grow from half a second to half a minute", pauses)
		}
	})
}

func TestPausesStartAnewWhenTheDeviceWasBack(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r := newRig(t)
		for range 10 {
			r.call().end <- errLost
		}
		c := r.call()
		c.report(status())
		c.end <- errLost
		begin := time.Now()
		r.call()
		if took := time.Since(begin); took > time.Second {
			t.Errorf("after a device was back the first pause is %s", took)
		}
	})
}

func TestNoHelloAgainForALostDevice(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		c.end <- errLost
		time.Sleep(10 * time.Minute)
		if n := len(r.daemon.Hellos()); n != 1 {
			t.Errorf("%d hellos, want the first alone: the daemon takes a hello for a device that is there", n)
		}
	})
}

func TestEpochGrowsOverRestarts(t *testing.T) {
	dir := t.TempDir()
	var last uint64
	start := func(want func(epoch uint64) bool) {
		t.Helper()
		bubble(t, func(t *testing.T) { // each bubble begins at the same wall clock time: it has been set back
			t.Helper()
			r, _ := serve(t, func(_ *drivers.Kind, env *drivers.Env, _ *drivertest.Daemon) { env.StateDir = dir })
			epoch := r.daemon.Last().GetEpoch()
			if !want(epoch) {
				t.Errorf("after epoch %d comes %d", last, epoch)
			}
			last = epoch
		})
	}
	start(func(epoch uint64) bool { return epoch > 0 })
	start(func(epoch uint64) bool { return epoch == last+1 })
	start(func(epoch uint64) bool { return epoch == last+1 })
	for _, garbage := range []string{"", "x", "-5", "18446744073709551615"} {
		if err := drivers.SaveState(dir, "epoch", []byte(garbage)); err != nil {
			t.Fatal(err)
		}
		start(func(epoch uint64) bool { return epoch > 0 && epoch < 1<<62 })
	}
}
