package forecast_test

import (
	"flag"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"tandem/scheduler/forecast"
)

var (
	weeks = flag.Int("weeks", 0, "weeks of TestCoverage with forecasts, after two to learn from; 0: a short slice")
	seeds = flag.Int("seeds", 1, "worlds of TestCoverage for each load")
	plays = flag.Int("plays", 60, "plays of each forecast in TestCoverage")
)

// score sums up forecasts.
type score struct {
	n, in50, in90    int
	never            int     // without a date
	loss, naive      float64 // pinball, minutes, over those that have a naive one
	compared         int
	risk, late       float64
	brier            float64
	naive50, naive90 int
}

func pinball(u float64, end, said time.Time) float64 {
	d := end.Sub(said).Minutes()
	return max(u*d, (u-1)*d)
}

func (s *score) add(m *made) {
	if m.p90.IsZero() {
		s.never++
		return
	}
	s.n++
	count := func(n *int, said time.Time) {
		if !m.end.After(said) {
			*n++
		}
	}
	count(&s.in50, m.p50)
	count(&s.in90, m.p90)
	s.risk += m.risk
	late := 0.0
	if m.end.After(m.due) {
		late = 1
	}
	s.late += late
	s.brier += (m.risk - late) * (m.risk - late)
	if m.earlyNaive {
		return
	}
	s.compared++
	count(&s.naive50, m.naive50)
	count(&s.naive90, m.naive90)
	s.loss += pinball(0.5, m.end, m.p50) + pinball(0.9, m.end, m.p90)
	s.naive += pinball(0.5, m.end, m.naive50) + pinball(0.9, m.end, m.naive90)
}

func (s *score) share(n int) float64 { return float64(n) / float64(max(s.n, 1)) }

func (s *score) String() string {
	return fmt.Sprintf("%5d jobs  p50 %4.1f %%  p90 %4.1f %%  pinball %5.1f min, naive %5.1f min (%4.1f %% in its p90)  late %4.1f %%, said %4.1f %%  no date %d",
		s.n, 100*s.share(s.in50), 100*s.share(s.in90), s.loss/float64(max(s.compared, 1)), s.naive/float64(max(s.compared, 1)),
		100*float64(s.naive90)/float64(max(s.compared, 1)), 100*s.late/float64(max(s.n, 1)), 100*s.risk/float64(max(s.n, 1)), s.never)
}

// Nine of ten jobs are done by the date that was promised at intake, and by the one that was told later; half are done by the
// median. The weeks that are forecast are played by a world with its own chances: devices with a bias of their own, faults, people
// who come late, and jobs that keep coming in and overtake.
//
// The whole table: go test ./scheduler/forecast -run TestCoverage -v -weeks 6 -seeds 4
func TestCoverage(t *testing.T) {
	for _, load := range []struct {
		name   string
		perDay float64
		people bool
	}{
		{"half full, people as it takes", 12, false},
		{"busy, people as it takes", 20, false},
		{"nearly full, people as it takes", 26, false},
		{"busy, three people from six to ten", 16, true},
	} {
		if *weeks == 0 && load.perDay != 20 {
			continue
		}
		t.Run(strings.ReplaceAll(load.name, " ", "-"), func(t *testing.T) {
			var intake, later score
			learned := 2
			last := max(*weeks, 1)
			for seed := range *seeds {
				w := &world{
					truth: newTruth(uint64(seed+1), load.perDay), file: workshop(load.people),
					from: opening.AddDate(0, 0, 7*learned), opt: forecast.Options{Samples: *plays, Seed: 7},
				}
				first, second, err := w.play(learned + last)
				if err != nil {
					t.Fatal(err)
				}
				for _, m := range first {
					intake.add(m)
				}
				for _, m := range second {
					later.add(m)
				}
			}
			t.Logf("at intake %v", &intake)
			t.Logf("later     %v", &later)
			for what, s := range map[string]*score{"at intake": &intake, "later": &later} {
				for _, q := range []struct {
					u  float64
					in int
				}{{0.5, s.in50}, {0.9, s.in90}} {
					// Three standard errors, widened by what jobs of one week have in common: a fault delays many.
					bound := 3 * math.Sqrt(q.u*(1-q.u)/float64(s.n)) * 1.5
					if got := s.share(q.in); math.Abs(got-q.u) > bound {
						t.Errorf("%s: %.3f of %d jobs are done by the date of %.1f, want that within %.3f", what, got, s.n, q.u, bound)
					}
				}
				if s.loss >= s.naive {
					t.Errorf("%s: a loss of %.1f min, not better than what a naive forecast loses, %.1f", what, s.loss, s.naive)
				}
				if s.never > 0 {
					t.Errorf("%s: %d jobs have no date", what, s.never)
				}
			}
		})
	}
}
