package learn

import (
	"fmt"
	"math"
	"math/rand/v2"
	"slices"
	"testing"
	"time"
)

// A device that changed is followed before half the ring has passed, and the interval is right again by then.
func TestChangeIsFollowed(t *testing.T) {
	for i, change := range []float64{1 / 4., 1 / 1.5, 1 / 1.3, 1.3, 1.5, 4} {
		r := rand.New(rand.NewPCG(13, uint64(i)))
		var after []float64
		var s score
		for n := range 100 {
			m, k := New(nil), Key{Device: fmt.Sprint("device-", n), Operation: "print"}
			factor := bias(r, 0.2)
			old, changed := lognormal(factor, 0.12), lognormal(factor*change, 0.12)
			for range 200 {
				observe(t, m, k, old, r)
			}
			follows := 0
			for runs := 1; runs <= ringSize; runs++ {
				observe(t, m, k, changed, r)
				e := m.Estimate(k, time.Hour)
				if near := math.Abs(math.Log(e.Factor/changed.median)) < 0.1; near && follows == 0 {
					follows = runs
				} else if !near {
					follows = 0
				}
				if runs > ringSize/2 {
					s.add(e, time.Hour, changed.draw(r))
				}
			}
			if follows == 0 {
				follows = 10 * ringSize
			}
			after = append(after, float64(follows))
		}
		slices.Sort(after)
		t.Logf("x%.2f: P50 within 10 %% after %.0f runs in the middle, %.0f at 95 %%; then covered %.2f %%", change, median(after), after[94], s.covered())
		if after[94] > ringSize/2 {
			t.Errorf("x%.2f: followed after %.0f runs at 95 %%", change, after[94])
		}
		if c := s.covered(); c < 87 || c > 93 {
			t.Errorf("x%.2f: afterwards the 90 %% interval held %.2f %%", change, c)
		}
	}
}

// A device that wears is followed at a distance: recent runs count.
func TestDriftIsFollowed(t *testing.T) {
	for i, perRun := range []float64{-0.003, 0.001, 0.003} {
		r := rand.New(rand.NewPCG(17, uint64(i)))
		var s score
		for n := range 200 {
			m, k := New(nil), Key{Device: fmt.Sprint("device-", n), Operation: "print"}
			for run := range 300 {
				what := lognormal(math.Exp(perRun*float64(run-150)), 0.12)
				if run < 150 {
					observe(t, m, k, what, r)
				} else {
					s.judge(t, m, k, what, r)
				}
			}
		}
		lag := middle(s.errors)
		t.Logf("%+.1f %% a run: covered %.2f %%, P50 off by %+.2f %%", 100*perRun, s.covered(), 100*lag)
		if c := s.covered(); c < 84 || c > 95 {
			t.Errorf("%+.1f %% a run: the 90 %% interval held %.2f %%", 100*perRun, c)
		}
		if most := math.Abs(perRun) * ringSize / 2; math.Abs(lag) > most {
			t.Errorf("%+.1f %% a run: P50 is off by %.2f %%, more than half a ring", 100*perRun, 100*lag)
		}
	}
}

// A device that stays as it is seldom looks changed.
func TestSteadyIsNotCalledChanged(t *testing.T) {
	r := rand.New(rand.NewPCG(19, 0))
	asked, changed := 0, 0
	for n := range 200 {
		m, k := New(nil), Key{Device: fmt.Sprint("device-", n), Operation: "print"}
		what := gamma(1, 9)
		for range 300 {
			observe(t, m, k, what, r)
			asked++
			if m.Estimate(k, time.Hour).Basis.Changed {
				changed++
			}
		}
	}
	t.Logf("%d of %d estimates stood on less than they could", changed, asked)
	if float64(changed) > 0.01*float64(asked) {
		t.Errorf("%d of %d estimates saw a change in a steady device", changed, asked)
	}
}

// Gross errors in a tenth of the runs neither move the median nor widen the interval, however gross.
func TestGrossErrorsAreSetAside(t *testing.T) {
	var moved, wider []float64
	for n := range 300 {
		r := rand.New(rand.NewPCG(23, uint64(n)))
		clean, spoilt := New(nil), New(nil)
		k := Key{Device: "printer-1", Operation: "print"}
		what := lognormal(bias(r, 0.3), 0.15)
		wrong := 0
		for i := range ringSize {
			o, _ := what.run(r)
			if err := clean.Observe(k, o); err != nil {
				t.Fatal(err)
			}
			if i%10 == 4 {
				o.Actual *= 20
				if i%20 == 4 {
					o.Actual /= 400
				}
				wrong++
			}
			if err := spoilt.Observe(k, o); err != nil {
				t.Fatal(err)
			}
		}
		a, b := clean.Estimate(k, time.Hour), spoilt.Estimate(k, time.Hour)
		if a.Basis.SetAside != 0 || b.Basis.SetAside != wrong || b.Samples != ringSize-wrong {
			t.Fatalf("machine %d: %d set aside where %d runs were wrong, %d where none was", n, b.Basis.SetAside, wrong, a.Basis.SetAside)
		}
		if c := spoilt.Rows()[0].Counts; c.Clamped == 0 || c.Learned != ringSize {
			t.Fatalf("machine %d: counts %+v", n, c)
		}
		moved = append(moved, math.Abs(b.Factor/a.Factor-1))
		wider = append(wider, math.Log(float64(b.High)/float64(b.Low))/math.Log(float64(a.High)/float64(a.Low)))
	}
	t.Logf("P50 moved by %.2f %% in the middle, %.2f %% at most; interval x%.3f in the middle, x%.3f at most",
		100*middle(moved), 100*slices.Max(moved), middle(wider), slices.Max(wider))
	// A tenth fewer good runs alone moves the median of a sample by a fifth of its standard error or so.
	if middle(moved) > 0.01 || slices.Max(moved) > 0.04 || middle(wider) > 1.03 || slices.Max(wider) > 1.2 {
		t.Error("gross errors were believed")
	}
}

// Where a third of the runs is far off it is no accident.
func TestASecondWayOfWorkingIsKept(t *testing.T) {
	m, k := New(nil), Key{Device: "bench-1", Operation: "weed"}
	for i := range 90 {
		ratio := 1 + float64(i%7)/100
		if i%3 == 0 {
			ratio *= 5
		}
		learnRatio(t, m, k, ratio)
	}
	e := m.Estimate(k, time.Hour)
	if e.Basis.SetAside != 0 || e.High < 5*time.Hour || e.P50 > 2*time.Hour {
		t.Errorf("got %+v", e)
	}
}
