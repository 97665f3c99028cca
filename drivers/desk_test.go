package drivers

import (
	"fmt"
	"strings"
	"testing"

	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func grantOf(run string, fence uint64) *driverv1.Order {
	return &driverv1.Order{Epoch: 1, Kind: &driverv1.Order_Grant{Grant: &driverv1.Grant{Run: run, Fence: fence, Operation: "cut"}}}
}

// TestOrderGivenAgainWhileItIsHandedOver holds the moment between the driver's taking an order and the desk's noting so.
func TestOrderGivenAgainWhileItIsHandedOver(t *testing.T) {
	d := newDesk(Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 1, Clock: clock.Wall()}, false, 1)
	d.welcome(1, &driverv1.Welcome{})
	if a := d.take(grantOf("r1", 1)); a.GetRefused() != "" {
		t.Fatal(a)
	}
	being := d.next()
	again := grantOf("r1", 1)
	again.GetGrant().MayStart = true
	if a := d.take(again); a.GetRefused() != "" {
		t.Fatal(a)
	}
	d.handed(being)
	next := d.next()
	if !next.order.GetGrant().GetMayStart() {
		t.Fatalf("the start that came meanwhile is lost: next is %v", next.order)
	}
	d.handed(next)
	if next := d.next(); next.order != nil {
		t.Errorf("after everything is handed over there is still %v", next.order)
	}
}

func TestGoneRunsAreBounded(t *testing.T) {
	var g goneRuns
	for i := range 3 * mostGone {
		g.add(fmt.Sprint(i), never)
		g.add(fmt.Sprint(i), never)
	}
	if len(g.fates) != mostGone || len(g.order) != mostGone {
		t.Errorf("%d runs are remembered, want %d", len(g.fates), mostGone)
	}
	for i := 2 * mostGone; i < 3*mostGone; i++ {
		if g.fate(fmt.Sprint(i)) != never {
			t.Fatalf("run %d of the last %d is not remembered", i, mostGone)
		}
	}
	g.add("x", forgotten)
	g.add("x", never)
	if g.fate("x") != forgotten {
		t.Error("a run that was in hand counts as one that never was")
	}
	g.add("x", settled)
	if g.fate("x") != settled {
		t.Error("a run that is settled does not count as settled")
	}
}

// BenchmarkReport is what a report costs whose only news is progress, as a flooding driver sends it.
func BenchmarkReport(b *testing.B) {
	d := newDesk(Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 1, Clock: clock.Wall()}, false, 1)
	d.welcome(1, &driverv1.Welcome{})
	d.take(grantOf("r1", 1))
	life := d.begin()
	r := &driverv1.RunStatus{Run: "r1", State: tandemv1.JobState_JOB_STATE_PROCESSING}
	s := &driverv1.Status{State: tandemv1.DeviceState_DEVICE_STATE_PROCESSING, Runs: []*driverv1.RunStatus{r}}
	b.ReportAllocs()
	for b.Loop() {
		r.PiecesGood++
		d.report(life, s)
	}
}

// TestNothingIsToldInAnEpochThatNobodyHasGreeted holds the moment between a device's reset and its hello.
func TestNothingIsToldInAnEpochThatNobodyHasGreeted(t *testing.T) {
	d := newDesk(Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 1, Clock: clock.Wall()}, false, 1)
	d.reset(2)
	if d.publish(1) != nil || d.greet(1) != nil {
		t.Error("the status of a new epoch is told as that of the old one")
	}
	if s := d.greet(2); s.GetEpoch() != 2 || s.GetSequence() != 1 {
		t.Errorf("the new epoch begins with %v", s)
	}
}

// A daemon that no longer leads gives orders until it notices: none of them is taken once the device has heard the next one.
func TestOrdersOfAnOlderTermAreRefused(t *testing.T) {
	for name, hear := range map[string]func(d *desk){
		"by a welcome":   func(d *desk) { d.welcome(1, &driverv1.Welcome{Term: 5}) },
		"by an order":    func(d *desk) { d.take(&driverv1.Order{Epoch: 1, Term: 5, Kind: grantOf("r2", 2).GetKind()}) },
		"and not by one": func(d *desk) { d.take(&driverv1.Order{Epoch: 1, Kind: grantOf("r2", 2).GetKind()}) },
	} {
		t.Run(name, func(t *testing.T) {
			d := newDesk(Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 2, Clock: clock.Wall()}, false, 1)
			d.welcome(1, &driverv1.Welcome{Term: 4})
			d.take(grantOf("r1", 1))
			hear(d)
			stop := &driverv1.Order{Epoch: 1, Term: 4, Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: "r1", Fence: 1}}}
			a := d.take(stop)
			if refused, want := a.GetRefused() != "", name != "and not by one"; refused != want || a.GetEpoch() != 0 == want {
				t.Errorf("a stop of term 4 is answered with %v", a)
			}
			stop.Term = 5
			if a := d.take(stop); a.GetRefused() != "" {
				t.Errorf("a stop of term 5 is answered with %v", a)
			}
		})
	}
}

// A daemon that has come to lead sets the driver's clock with its welcome: until then nobody here can tell whether a start is stale,
// and no grant of it is taken. The driver says hello again.
func TestGrantsOfATermThatHasNotWelcomed(t *testing.T) {
	d := newDesk(Env{Device: "cutter-1", Operations: []string{"cut"}, Capacity: 2, Clock: clock.Wall()}, false, 1)
	d.welcome(1, &driverv1.Welcome{Term: 4})
	start := grantOf("r1", 1)
	start.Term = 4
	if a := d.take(start); a.GetRefused() != "" {
		t.Fatalf("a grant of the term that has welcomed the driver is answered with %v", a)
	}
	start.Term = 5
	start.GetGrant().MayStart = true
	if a := d.take(start); !strings.HasPrefix(a.GetRefused(), RefusedUnwelcomed) || a.GetEpoch() != 0 {
		t.Errorf("a start of a daemon that has not welcomed the driver is answered with %v", a)
	}
	if !d.helloAsked {
		t.Error("the driver does not say hello to that daemon")
	}
	d.welcome(1, &driverv1.Welcome{Term: 5})
	if a := d.take(start); a.GetRefused() != "" {
		t.Errorf("after its welcome the start is answered with %v", a)
	}
}
