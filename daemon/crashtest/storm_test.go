package crashtest

import (
	"testing"
	"time"
)

// A shop whose daemon and drivers are killed with clients asking all the time; the command storm does the same for longer.
func TestStorm(t *testing.T) {
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	s := openShop(t, "", []string{"printer-north", "cutter-1", "rack-east"}, "--log-level", "warn")
	report, err := Storm(within(t, 3*time.Minute), s, StormOptions{Kills: 25, Clients: 4, Seed: seed, Pace: 700 * time.Millisecond, Audit: 12, Tell: t.Logf})
	t.Log(report)
	if err != nil {
		t.Fatal(err)
	}
	if report.Jobs == 0 || report.Runs == 0 || report.DaemonKills == 0 || report.DriverKills == 0 {
		t.Error("nothing was tested")
	}
}
