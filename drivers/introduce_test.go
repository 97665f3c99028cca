package drivers_test

import (
	"testing"
	"time"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// Another daemon leads and asks for a hello, over a connection that has held: the driver says it at once, with what it has
// in hand, and the run goes on.
func TestIntroduce(t *testing.T) {
	t.Parallel()
	s := startServer(t, -1)
	d := newNATSDaemon(t, dial(t, s.ClientURL()), "cutter-1")
	conn := dial(t, s.ClientURL())
	hostSim(t, conn, "cutter-1", "")
	d.wait("the driver is there", func() bool { return len(d.statuses) > 0 })
	if a := d.grant(quick("r1", 1)); a.GetRefused() != "" {
		t.Fatal(a)
	}
	d.wait("the run is under way", func() bool { return d.run("r1").GetPiecesGood() > 0 })
	for range 3 {
		d.mu.Lock()
		hellos, epoch := len(d.hellos), d.last().GetEpoch()
		d.mu.Unlock()
		// Who asks knows of no epoch.
		if a := d.sendRaw([]byte(`{"introduce":{}}`)); a.GetRefused() != "" {
			t.Fatal(a)
		}
		d.wait("a hello with the run in hand", func() bool {
			if len(d.hellos) == hellos {
				return false
			}
			last := d.hellos[len(d.hellos)-1].GetStatus()
			return last.GetEpoch() == epoch && len(last.GetRuns()) == 1 && last.GetRuns()[0].GetRun() == "r1"
		})
	}
	d.wait("the run ends", func() bool { return d.run("r1").GetState() == completed })
	if conn.Stats().Reconnects > 0 {
		t.Error("the connection has not held")
	}
}

// Who has been asked for a hello by the daemon of a later term takes no start of an earlier one, whose welcome may still be on its way.
func TestIntroduceTellsOfTheTerm(t *testing.T) {
	bubble(t, func(t *testing.T) {
		r, _ := serve(t)
		r.taken(r.daemon.Order(&driverv1.Order{Term: 4, Kind: &driverv1.Order_Introduce{Introduce: &driverv1.Introduce{}}}))
		late := before(grant("r1", 1, true), time.Now().Add(time.Minute))
		a := r.daemon.Order(&driverv1.Order{Epoch: r.daemon.Last().GetEpoch(), Term: 3, Kind: &driverv1.Order_Grant{Grant: late}})
		r.refused(a, drivers.RefusedTerm, false)
	})
}
