package faultsim

import (
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// The days of fixed seeds, and of some by chance: nothing is lost, nothing is run twice, and all is done once the faults have
// stopped. A seed that fails is played again by the command hunt, which also plays many more.
func TestDays(t *testing.T) {
	const fixed, more = 200, 2 * time.Second
	for seed := uint64(1); seed <= fixed && !t.Failed(); seed++ {
		play(t, seed)
	}
	first := rand.Uint64() >> 16
	n := uint64(0)
	for end := time.Now().Add(more); time.Now().Before(end) && !t.Failed(); n++ {
		play(t, first+n)
	}
	t.Logf("seeds 1 to %d, and %d from %d", fixed, n, first)
}

func play(t *testing.T, seed uint64) {
	t.Helper()
	if o := Play(MakePlan(seed), nil); o.Violation != "" {
		t.Errorf("seed %d: %s\ngo run ./daemon/faultsim/hunt -from %d -shrink", seed, o.Violation, seed)
	}
}

// The same seed gives the same day, to the letter.
func TestTheSameSeedTwice(t *testing.T) {
	for seed := uint64(1); seed <= 20; seed++ {
		day := func() string {
			var all strings.Builder
			Play(MakePlan(seed), func(s string) { all.WriteString(s + "\n") })
			return all.String()
		}
		// The text of protobuf messages differs between two processes, not within one.
		if a, b := day(), day(); a != b {
			x, y := strings.Split(a, "\n"), strings.Split(b, "\n")
			for i := range min(len(x), len(y)) {
				if x[i] != y[i] {
					t.Fatalf("seed %d, line %d:\n%s\nand then\n%s", seed, i, x[i], y[i])
				}
			}
			t.Fatalf("seed %d has %d lines and then %d", seed, len(x), len(y))
		}
	}
}

// Every kind of act and every point of death is met by the days of the first seeds, and they are days with work.
func TestDaysAreFull(t *testing.T) {
	met, runs, jobs := map[string]int{}, 0, 0
	for seed := uint64(1); seed <= 150; seed++ {
		o := Play(MakePlan(seed), func(s string) {
			for _, p := range points {
				if strings.HasSuffix(s, " dies "+p) {
					met[p]++
				}
			}
			if strings.Contains(s, " * ") {
				met[strings.Fields(s)[4]]++
			}
		})
		runs, jobs = runs+o.Runs, jobs+o.Jobs
	}
	for _, p := range points {
		if met[p] == 0 {
			t.Errorf("no daemon has died %s", p)
		}
	}
	for _, w := range weights {
		if met[string(w.kind)] == 0 {
			t.Errorf("no act was a %s", w.kind)
		}
	}
	if runs < 5*150 || jobs < 2*150 {
		t.Errorf("%d jobs and %d runs of machines in 150 days", jobs, runs)
	}
}

func TestShrink(t *testing.T) {
	p := MakePlan(1)
	p.Acts = append(p.Acts, Act{Kind: "unknown"}) // does nothing
	failed := Outcome{Plan: p, Violation: Play(p, nil).Violation}
	if small := Shrink(failed, 200); len(small.Plan.Acts) != 0 || small.Plan.Loss != 0 {
		t.Errorf("what breaks on any day is shrunk to %v", small.Plan)
	}
}
