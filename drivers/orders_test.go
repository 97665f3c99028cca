package drivers_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/drivertest"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// refused checks a refusal. A final one carries the epoch: nothing has moved and nothing will.
func (r *rig) refused(a *driverv1.Answer, kind string, final bool) {
	r.Helper()
	epoch := r.daemon.Hellos()[0].GetStatus().GetEpoch()
	if !strings.HasPrefix(a.GetRefused(), kind) || (a.GetEpoch() == epoch) != final {
		r.Errorf("the answer is %v, want refused as %q, final %t", a, kind, final)
	}
}

// done reports a run as completed and lets the daemon see it.
func (r *rig) done(c *call, id string) {
	c.report(status(run(id, completed)))
	r.settled()
}

func TestSameGrantIsTakenAndHandedOverOnce(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		r.taken(r.daemon.Grant(grant("r1", 5, false)))
		if o := r.order(c); o.GetGrant().GetRun() != "r1" || o.GetGrant().GetMayStart() {
			t.Fatalf("the driver gets %v", o)
		}
		r.pass()
		if got := r.daemon.Run("r1"); got.GetState() != pending || got.GetFence() != 5 {
			t.Errorf("a grant that was taken is %v, want pending", got)
		}
		n := len(r.daemon.Statuses())
		r.taken(r.daemon.Grant(grant("r1", 5, false)))
		r.noOrder(c)
		if len(r.daemon.Statuses()) == n {
			t.Error("a repeated grant is not answered with the present status")
		}
		r.taken(r.daemon.Grant(grant("r1", 5, true)))
		if o := r.order(c); !o.GetGrant().GetMayStart() {
			t.Errorf("with another content the driver gets %v", o)
		}
		r.refused(r.daemon.Grant(grant("r1", 6, true)), drivers.RefusedStale, false)
		r.done(c, "r1")
		r.taken(r.daemon.Grant(before(grant("r1", 5, true), time.Now().Add(time.Hour))))
		r.noOrder(c)
		if got := r.daemon.Run("r1").GetState(); got != completed {
			t.Errorf("a grant of a run that is over makes it %v", got)
		}
	})
}

func TestStaleFences(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t, func(_ *drivers.Kind, _ *drivers.Env, d *drivertest.Daemon) {
			d.Welcome(func(*driverv1.Hello) (*driverv1.Welcome, error) { return &driverv1.Welcome{MinFence: 10}, nil })
		})
		r.refused(r.daemon.Grant(grant("r1", 9, true)), drivers.RefusedStale, true)
		r.taken(r.daemon.Grant(grant("r2", 10, true)))
		r.order(c)
		r.done(c, "r2")
		r.taken(r.daemon.Settle("r2", 10))
		r.order(c)
		// A late grant of a run that is over must not bring it back; nor one that was never in hand.
		r.refused(r.daemon.Grant(grant("r2", 10, true)), drivers.RefusedStale, false)
		r.refused(r.daemon.Grant(grant("r3", 10, true)), drivers.RefusedStale, true)
		r.taken(r.daemon.Grant(grant("r4", 11, true)))
		r.order(c)
	})
}

func TestFencesOfManyPlaces(t *testing.T) {
	// The grants of a rack come again after a restart, and in any order.
	bubble(t, func(t *testing.T) {
		r, c := serve(t, capacity(3))
		for _, fence := range []uint64{9, 4, 7} {
			r.taken(r.daemon.Grant(grant(fmt.Sprintf("r%d", fence), fence, true)))
			r.order(c)
		}
		r.refused(r.daemon.Grant(grant("r10", 10, true)), drivers.RefusedBusy, true)
		c.report(status(run("r4", completed), run("r7", processing), run("r9", processing)))
		r.settled()
		r.refused(r.daemon.Grant(grant("r10", 10, true)), drivers.RefusedStale, true) // a refusal is final
		r.taken(r.daemon.Grant(grant("r11", 11, true)))
	})
}

func TestBusyUntilTheEnd(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		r.taken(r.daemon.Grant(grant("r1", 1, true)))
		r.order(c)
		a := r.daemon.Grant(grant("r2", 2, true))
		r.refused(a, drivers.RefusedBusy, true)
		if !strings.Contains(a.GetRefused(), "r1") {
			t.Errorf("the answer %q does not say with what", a.GetRefused())
		}
		r.done(c, "r1")
		// A refusal is final: the daemon may have given the run to another device meanwhile.
		r.refused(r.daemon.Grant(grant("r2", 2, true)), drivers.RefusedStale, true)
		r.taken(r.daemon.Grant(grant("r3", 3, true)))
		r.order(c)
		c.report(status(run("r3", processing))) // the driver has dropped r1; the host has not
		r.settled()
		if got := r.daemon.Run("r1").GetState(); got != completed {
			t.Errorf("a run that ended and was not settled is %v", got)
		}
		r.taken(r.daemon.Settle("r1", 1))
		r.pass()
		if got := r.daemon.Run("r1"); got != nil {
			t.Errorf("a settled run is still told: %v", got)
		}
	})
}

func TestMalformedOrders(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		change := func(f func(*driverv1.Grant)) *driverv1.Order {
			g := grant("r1", 1, true)
			f(g)
			return &driverv1.Order{Kind: &driverv1.Order_Grant{Grant: g}}
		}
		for want, o := range map[string]*driverv1.Order{
			"no grant, stop, settle or introduce": {},
			"grant.run":                           change(func(g *driverv1.Grant) { g.Run = "r1.>" }),
			"grant.run \"\"":                      {Kind: &driverv1.Order_Grant{}},
			"grant.fence":                         change(func(g *driverv1.Grant) { g.Fence = 0 }),
			"grant.job":                           change(func(g *driverv1.Grant) { g.Job = "../job" }),
			"grant.step":                          change(func(g *driverv1.Grant) { g.Step = strings.Repeat("s", 64) }),
			"grant.operation":                     change(func(g *driverv1.Grant) { g.Operation = "=cut()" }),
			"grant.pieces":                        change(func(g *driverv1.Grant) { g.Pieces = -1 }),
			"length":                              change(func(g *driverv1.Grant) { g.LengthUm = math.MinInt64 }),
			"expected time":                       change(func(g *driverv1.Grant) { g.ExpectedWork = durationpb.New(-1) }),
			"stop.run":                            {Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: strings.Repeat("x", 1000)}}},
			"settle.run":                          {Kind: &driverv1.Order_Settle{}},
		} {
			a := r.daemon.Order(o)
			if !strings.HasPrefix(a.GetRefused(), drivers.RefusedMalformed) || !strings.Contains(a.GetRefused(), want) || len(a.GetRefused()) > 400 {
				t.Errorf("%v is answered with %v, want malformed: %s", o, a, want)
			}
		}
		a := r.daemon.Send(drivers.Request{Err: errors.New("no JSON")})
		if !strings.Contains(a.GetRefused(), "no JSON") || a.GetEpoch() != 0 {
			t.Errorf("what cannot be read is answered with %v", a)
		}
		r.refused(r.daemon.Grant(&driverv1.Grant{Run: "r1", Fence: 1, Operation: "engrave"}), drivers.RefusedOperation, true)
		r.noOrder(c)
		r.settled()
		if runs := r.daemon.Last().GetRuns(); len(runs) != 0 {
			t.Errorf("after orders that were refused there is in hand %v", runs)
		}
	})
}

func TestOtherEpoch(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		epoch := r.daemon.Last().GetEpoch()
		for _, other := range []uint64{1, epoch - 1, epoch + 1, math.MaxUint64} {
			for _, o := range []*driverv1.Order{
				{Epoch: other, Kind: &driverv1.Order_Grant{Grant: grant("r1", 1, true)}},
				{Epoch: other, Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: "r1", Fence: 1}}},
				{Epoch: other, Kind: &driverv1.Order_Settle{Settle: &driverv1.Settle{Run: "r1", Fence: 1}}},
			} {
				if a := r.daemon.Order(o); !strings.HasPrefix(a.GetRefused(), drivers.RefusedEpoch) || a.GetEpoch() != epoch {
					t.Errorf("%v is answered with %v, want refused by epoch %d", o, a, epoch)
				}
			}
		}
		r.noOrder(c)
		r.taken(r.daemon.Grant(grant("r1", 1, true)))
		if got := r.daemon.Last().GetEpoch(); got != epoch {
			t.Errorf("a driver that is welcome has changed its epoch to %d", got)
		}
	})
}

func TestEpochThatTheDaemonKnowsIsOvertaken(t *testing.T) {
	bubble(t, func(t *testing.T) {
		known := uint64(time.Now().Add(24 * time.Hour).UnixNano()) // the wall clock has been set back by a day since
		r := newRig(t, func(_ *drivers.Kind, _ *drivers.Env, d *drivertest.Daemon) {
			d.Welcome(func(h *driverv1.Hello) (*driverv1.Welcome, error) {
				if h.GetStatus().GetEpoch() <= known {
					return &driverv1.Welcome{Error: "epoch is old"}, nil
				}
				return new(driverv1.Welcome), nil
			})
		})
		c := r.call()
		c.report(status())
		r.settled()
		for _, garbled := range []uint64{math.MaxUint64, 1 << 63} {
			r.daemon.Order(&driverv1.Order{Epoch: garbled})
			r.settled()
			if got := r.daemon.Hellos()[len(r.daemon.Hellos())-1].GetStatus().GetEpoch(); got > known {
				t.Fatalf("the driver follows a garbled epoch to %d", got)
			}
		}
		r.daemon.Order(&driverv1.Order{Epoch: known, Kind: &driverv1.Order_Grant{Grant: grant("r1", 1, true)}})
		r.settled()
		if got := r.daemon.Last().GetEpoch(); got != known+1 {
			t.Errorf("the epoch is %d, want one more than %d", got, known)
		}
	})
}

func TestStop(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		// The answer tells the daemon that the run never came, and then it must not come later either.
		r.refused(r.daemon.Stop("r1", 1), drivers.RefusedNotInHand, true)
		r.refused(r.daemon.Grant(grant("r1", 1, true)), drivers.RefusedStale, true)

		r.taken(r.daemon.Grant(grant("r2", 2, true)))
		r.order(c)
		r.refused(r.daemon.Stop("r2", 1), drivers.RefusedNotInHand, false)
		for range 3 {
			r.taken(r.daemon.Stop("r2", 2))
		}
		if o := r.order(c); o.GetStop().GetRun() != "r2" || o.GetStop().GetFence() != 2 {
			t.Errorf("the driver gets %v", o)
		}
		r.noOrder(c)
		c.report(status(run("r2", canceled)))
		r.settled()
		r.taken(r.daemon.Stop("r2", 2))
		r.noOrder(c)
	})
}

func TestStopOvertakesAStart(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		r.taken(r.daemon.Grant(grant("r1", 1, true)))
		r.taken(r.daemon.Stop("r1", 1))
		if o := r.order(c); o.GetGrant().GetMayStart() {
			t.Error("a run that is to be stopped is handed over with its start")
		}
		if o := r.order(c); o.GetStop() == nil {
			t.Errorf("after the grant the driver gets %v, want the stop", o)
		}
	})
}

func TestSettle(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		r.taken(r.daemon.Settle("r0", 1))
		if o := r.order(c); o.GetSettle().GetRun() != "r0" {
			t.Errorf("the driver gets %v", o)
		}
		r.taken(r.daemon.Grant(grant("r1", 2, true)))
		r.order(c)
		r.taken(r.daemon.Settle("r1", 1)) // of an older grant
		c.report(status(run("r1", completed)))
		r.settled()
		if r.daemon.Run("r1") == nil {
			t.Fatal("the settle of another fence has settled the run")
		}
		r.taken(r.daemon.Settle("r1", 2))
		r.order(c)
		// A driver that has not understood lists it again: it is told again, and the daemon hears nothing of it.
		c.report(status(&driverv1.RunStatus{Run: "r1", Fence: 2, State: completed}))
		if o := r.order(c); o.GetSettle().GetRun() != "r1" {
			t.Errorf("the driver gets %v, want the settle again", o)
		}
		r.pass()
		if got := r.daemon.Run("r1"); got != nil {
			t.Errorf("a settled run is told again: %v", got)
		}
	})
}

// People have taken something from a rack and put the next thing there, and the daemon has heard of both. Its word that the
// first is over may come after the next grant, which is only too early then.
func TestManualDeviceIsBusyForTheMomentOnly(t *testing.T) {
	for _, test := range []struct {
		change []option
		final  bool
	}{{nil, true}, {[]option{manual}, false}} {
		bubble(t, func(t *testing.T) {
			r, c := serve(t, test.change...)
			r.taken(r.daemon.Grant(grant("r1", 1, true)))
			r.order(c)
			c.report(status(run("r1", processing)))
			r.settled()
			r.refused(r.daemon.Grant(grant("r2", 2, true)), drivers.RefusedBusy, test.final)
			r.taken(r.daemon.Settle("r1", 1))
			r.order(c)
			c.report(status())
			r.settled()
			if test.final {
				r.refused(r.daemon.Grant(grant("r2", 2, true)), drivers.RefusedStale, true)
				return
			}
			r.taken(r.daemon.Grant(grant("r2", 2, true)))
			if o := r.order(c); o.GetGrant().GetRun() != "r2" {
				t.Errorf("the driver gets %v", o)
			}
		})
	}
}

func TestStaleStartIsNoStart(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		limit := time.Now().Add(10 * time.Minute)
		r.taken(r.daemon.Grant(before(grant("r1", 1, true), limit)))
		time.Sleep(10 * time.Minute)
		if o := r.order(c); !o.GetGrant().GetMayStart() { // at the very limit
			t.Errorf("a start in time is handed over as %v", o)
		}
		r.taken(r.daemon.Settle("r1", 1))
		r.order(c)

		time.Sleep(time.Nanosecond)
		r.taken(r.daemon.Grant(before(grant("r2", 2, true), limit)))
		if o := r.order(c); o.GetGrant().GetMayStart() {
			t.Error("a start that comes too late is handed over as a start")
		}
		r.taken(r.daemon.Grant(before(grant("r2", 2, true), time.Now().Add(time.Minute))))
		if o := r.order(c); !o.GetGrant().GetMayStart() {
			t.Error("a new start is not handed over as one")
		}
	})
	bubble(t, func(t *testing.T) { // a driver that takes no orders for a while
		r, c := serve(t)
		r.taken(r.daemon.Grant(before(grant("r1", 1, true), time.Now().Add(time.Minute))))
		time.Sleep(2 * time.Minute)
		if o := r.order(c); o.GetGrant().GetMayStart() {
			t.Error("a start that has waited too long is handed over as a start")
		}
	})
	bubble(t, func(t *testing.T) { // people have begun long ago when a manual device's driver starts anew
		r, c := serve(t, manual)
		g := before(grant("r1", 1, true), time.Now().Add(-time.Hour))
		g.StartTime = timestamppb.New(time.Now().Add(-2 * time.Hour))
		r.taken(r.daemon.Grant(g))
		if o := r.order(c); !o.GetGrant().GetMayStart() {
			t.Error("a recorded start is handed over as none")
		}
	})
}

func TestDeafDriverIsGivenABoundedNumberOfOrders(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, c := serve(t)
		for i := range 1000 {
			r.taken(r.daemon.Settle(fmt.Sprintf("r%d", i), 1))
		}
		a := r.daemon.Grant(grant("last", 2000, true))
		r.refused(a, drivers.RefusedBusy, false)
		n := 0
		for {
			select {
			case <-c.orders:
				n++
				continue
			case <-time.After(time.Second):
			}
			break
		}
		if n > 500 {
			t.Errorf("%d orders were kept for a driver that takes none", n)
		}
		r.taken(r.daemon.Grant(grant("last", 2000, true)))
	})
}
