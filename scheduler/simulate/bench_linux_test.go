package simulate

import (
	"runtime"
	"testing"
	"time"

	"tandem/scheduler/cputime"
	"tandem/scheduler/floor"
)

// BenchmarkYear plays 250 working days of a floor of 20 devices, eight people and three jobs an hour through the floor and the
// dispatcher that run live. It prints runs of devices a second of processor time, and the processor time that a year takes.
func BenchmarkYear(b *testing.B) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(1))
	days := 250
	if testing.Short() {
		days = 5
	}
	file, work := twentyDevices(), workOf(days)
	b.ReportAllocs()
	runs, ended := 0, 0
	begun := cputime.Process()
	for b.Loop() {
		r, err := Run(file, work, Options{Start: opening, Reaction: 2 * time.Minute, Ended: func(*floor.Job) { ended++ }})
		if err != nil {
			b.Fatal(err)
		}
		for _, d := range r.Devices {
			runs += d.Runs
		}
	}
	took := (cputime.Process() - begun).Seconds()
	if ended != b.N*len(work) {
		b.Fatalf("%d jobs have ended, want %d", ended, b.N*len(work))
	}
	b.ReportMetric(float64(runs)/took, "runs/s")
	b.ReportMetric(float64(len(work)), "jobs")
	b.ReportMetric(took/float64(b.N)*250/float64(days), "s/year")
}
