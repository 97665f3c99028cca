package learn

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// score counts where true durations fell.
type score struct {
	runs, within, overP90 int
	errors                []float64 // P50 over the true median, less one
	widths                []float64 // High over Low
}

func (s *score) add(e Estimate, predicted time.Duration, truth float64) {
	took := time.Duration(truth * float64(predicted))
	s.runs++
	if took >= e.Low && took <= e.High {
		s.within++
	}
	if took > e.P90 {
		s.overP90++
	}
}

func (s *score) covered() float64  { return 100 * float64(s.within) / float64(s.runs) }
func (s *score) exceeded() float64 { return 100 * float64(s.overP90) / float64(s.runs) }

func middle(v []float64) float64 {
	slices.Sort(v)
	return median(v)
}

// judge asks for an estimate and holds it against several next runs, only one of which is then learned from.
func (s *score) judge(t *testing.T, m *Model, k Key, what machine, r *rand.Rand) {
	t.Helper()
	const futures = 5
	e := m.Estimate(k, time.Hour)
	s.errors = append(s.errors, e.Factor/what.median-1)
	s.widths = append(s.widths, float64(e.High)/float64(e.Low))
	for range futures {
		s.add(e, time.Hour, what.draw(r))
	}
	observe(t, m, k, what, r)
}

func observe(t *testing.T, m *Model, k Key, what machine, r *rand.Rand) {
	t.Helper()
	o, _ := what.run(r)
	if err := m.Observe(k, o); err != nil {
		t.Fatal(err)
	}
}

// What the intervals promise, after 60 runs, for every kind of machine: 90 % of the next runs between Low and High, 10 % above
// P90, half below P50. Each kind: 150 machines, 120 judged estimates of each, 5 futures of each.
func TestCoverageOnceKnown(t *testing.T) {
	kinds := []struct {
		name string
		make func(*rand.Rand) machine
	}{
		{"lognormal 5 %", func(r *rand.Rand) machine { return lognormal(bias(r, 0.3), 0.05) }},
		{"lognormal 20 %", func(r *rand.Rand) machine { return lognormal(bias(r, 0.3), 0.2) }},
		{"lognormal 50 %", func(r *rand.Rand) machine { return lognormal(bias(r, 0.1), 0.5) }},
		{"gamma, 4 stages", func(r *rand.Rand) machine { return gamma(bias(r, 0.2), 4) }},
		{"gamma, 25 stages", func(r *rand.Rand) machine { return gamma(bias(r, 0.3), 25) }},
		{"tiny bias", func(*rand.Rand) machine { return lognormal(1.01, 0.1) }},
		{"four times slower", func(*rand.Rand) machine { return lognormal(4, 0.15) }},
		{"four times faster", func(*rand.Rand) machine { return lognormal(0.25, 0.15) }},
		{"two ways, stops", func(r *rand.Rand) machine { return twoWays(bias(r, 0.3), 1.7, 0.3, 0.08).withStops() }},
		{"10 % gross errors", func(r *rand.Rand) machine { return lognormal(bias(r, 0.3), 0.15).withSpoilt(0.1) }},
		{"10 % gross errors, stops", func(r *rand.Rand) machine { return gamma(bias(r, 0.2), 16).withSpoilt(0.1).withStops() }},
	}
	var all score
	for i, kind := range kinds {
		r := rand.New(rand.NewPCG(7, uint64(i)))
		var s score
		for n := range 150 {
			m, k := New(nil), Key{Device: fmt.Sprint("device-", n), Operation: "print"}
			what := kind.make(r)
			for range 60 {
				observe(t, m, k, what, r)
			}
			for range 120 {
				s.judge(t, m, k, what, r)
			}
		}
		t.Logf("%-26s covered %5.2f %%  above P90 %5.2f %%  P50 off by %+.2f %% in the middle  width x%.2f",
			kind.name, s.covered(), s.exceeded(), 100*middle(s.errors), middle(s.widths))
		if c := s.covered(); c < 87 || c > 93 {
			t.Errorf("%s: the 90 %% interval held %.2f %% of the next runs", kind.name, c)
		}
		if x := s.exceeded(); x < 8 || x > 12 {
			t.Errorf("%s: %.2f %% of the next runs took longer than P90", kind.name, x)
		}
		if e := middle(s.errors); e < -0.02 || e > 0.02 {
			t.Errorf("%s: P50 is off by %.2f %%", kind.name, 100*e)
		}
		all.runs, all.within, all.overP90 = all.runs+s.runs, all.within+s.within, all.overP90+s.overP90
	}
	t.Logf("%-26s covered %5.2f %%  above P90 %5.2f %%  of %d", "all", all.covered(), all.exceeded(), all.runs)
}

// With few runs the interval must not promise more than it keeps: it may be too wide, not too narrow. The population differs
// from what is assumed in both directions.
func TestCoverageByRuns(t *testing.T) {
	populations := []struct {
		name            string
		between         float64
		leastW, largest float64 // spread of the runs of one machine
		spoilt          float64
		fleet           int // machines of one operation that the model knows together
		from            int // runs from which on 87 % must be kept
	}{
		{"as assumed, one alone", 0.4, 0.2, 0.3, 0, 1, 0},
		{"steadier and closer than assumed", 0.15, 0.03, 0.1, 0, 1, 0},
		{"wilder than assumed", 0.6, 0.2, 0.45, 0, 1, 0},
		{"runs twice as wild as assumed", 0.4, 0.5, 0.5, 0, 1, 20},
		{"all kinds, fleet of eight", 0.35, 0.05, 0.3, 0, 8, 0},
		{"wilder, fleet of eight", 0.6, 0.2, 0.45, 0, 8, 0},
		{"10 % gross errors", 0.35, 0.1, 0.25, 0.1, 1, 0},
	}
	counts := []int{0, 1, 2, 3, 5, 10, 15, 20, 30, 50, 100, 200}
	for i, p := range populations {
		t.Logf("%s", p.name)
		r := rand.New(rand.NewPCG(11, uint64(i)))
		scores := make([]score, len(counts))
		for range 2400 / p.fleet {
			m := New(nil)
			machines := make([]machine, p.fleet)
			for j := range machines {
				machines[j] = lognormal(bias(r, p.between), p.leastW+(p.largest-p.leastW)*r.Float64()).withSpoilt(p.spoilt)
			}
			seen := 0
			for at, n := range counts {
				for ; seen < n; seen++ {
					for j, what := range machines {
						observe(t, m, Key{fmt.Sprint("device-", j), "print", ""}, what, r)
					}
				}
				for j, what := range machines {
					e := m.Estimate(Key{fmt.Sprint("device-", j), "print", ""}, time.Hour)
					scores[at].widths = append(scores[at].widths, float64(e.High)/float64(e.Low))
					for range 10 {
						scores[at].add(e, time.Hour, what.draw(r))
					}
				}
			}
		}
		for at, n := range counts {
			s := &scores[at]
			t.Logf("  %3d runs: covered %5.2f %%  above P90 %5.2f %%  width x%.2f", n, s.covered(), s.exceeded(), middle(s.widths))
			if c := s.covered(); n >= p.from && c < 87 {
				t.Errorf("%s: after %d runs the 90 %% interval held %.2f %% of the next", p.name, n, c)
			}
		}
	}
}
