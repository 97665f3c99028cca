package line

import (
	"fmt"
	"math"
	"os"
	"os/exec"
	"strconv"
	"testing"

	"tandem/scheduler/cputime"
)

// eventsEach is what happens to a customer: it arrives, and at each of four stations its service begins and ends.
const eventsEach = 9

// BenchmarkFourStations prints how many events a second one core plays, how far the mean stay of a million customers is from
// its value, and how often the line is played in the time that SimPy takes for it in the same run.
func BenchmarkFourStations(b *testing.B) {
	customers, peer := 1_000_000, 100_000
	if testing.Short() {
		customers, peer = 50_000, 2000
	}
	var played int
	var stay float64
	begun := cputime.Process()
	for b.Loop() {
		r, err := Run(fourStations(), Options{Seed: 1, Served: customers})
		if err != nil {
			b.Fatal(err)
		}
		played += customers
		stay = r.Stay()
	}
	took := cputime.Process() - begun
	off := 100 * (stay/fourStationsStay - 1)
	limit := 1.0 // with this seed; by chance alone 0.9 is the standard error at a million, four times that for fewer
	if customers < 1_000_000 {
		limit = 3600 / math.Sqrt(float64(customers))
	}
	if math.Abs(off) > limit {
		b.Errorf("the mean stay of %d customers is %.3f, want %.3f within %.1f %%", customers, stay, fourStationsStay, limit)
	}
	rate := float64(played) / took.Seconds()
	b.ReportMetric(rate*eventsEach/1e6, "Mevents/s")
	b.ReportMetric(off, "%off")
	if its := simpyRate(b, peer); its > 0 {
		b.ReportMetric(rate/its, "xSimPy")
	}
}

// simpyRate returns how many customers SimPy plays in a second of processor time; 0 if it is not installed here.
func simpyRate(b *testing.B, customers int) float64 {
	const python = "/usr/bin/python3" // Debian's, which finds Debian's packages
	if out, err := exec.Command(python, "-c", "import SimPy").CombinedOutput(); err != nil {
		const what = "no SimPy to compare with: install Debian's package python3-simpy"
		if os.Getenv("CI") == "true" {
			b.Fatalf("%s: %v\n%s", what, err, out)
		}
		b.Logf("%s: %v", what, err)
		return 0
	}
	out, err := exec.Command(python, "testdata/tandem.py", strconv.Itoa(customers), "1").Output()
	if err != nil {
		b.Fatalf("SimPy: %v", err)
	}
	var stay, seconds float64
	if _, err := fmt.Sscan(string(out), &stay, &seconds); err != nil {
		b.Fatalf("SimPy printed %q: %v", out, err)
	}
	if off := stay/fourStationsStay - 1; math.Abs(off) > 36/math.Sqrt(float64(customers)) {
		b.Errorf("SimPy's mean stay is %.3f, want %.3f: it does not play the same line", stay, fourStationsStay)
	}
	return float64(customers) / seconds
}
