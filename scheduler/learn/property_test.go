package learn

import (
	"fmt"
	"math/rand/v2"
	"reflect"
	"slices"
	"testing"
	"time"

	"pgregory.net/rapid"
)

// event is one thing that happens to a model.
type event struct {
	key   Key
	run   Observation
	reset bool
	ask   bool // somebody wants to know, which must change nothing
}

var keys = rapid.Custom(func(t *rapid.T) Key {
	return Key{
		Device:    rapid.SampledFrom([]string{"device-1", "device-2", "device-3"}).Draw(t, "device"),
		Operation: rapid.SampledFrom([]string{"print", "cut", "weed"}).Draw(t, "operation"),
		Mode:      rapid.SampledFrom([]string{"", "fine"}).Draw(t, "mode"),
	}
})

// runs of which each has a level of its own, so that changes, accidents and clamps all come up.
var runs = rapid.Custom(func(t *rapid.T) Observation {
	predicted := time.Duration(rapid.Int64Range(int64(time.Second), int64(10*time.Hour)).Draw(t, "predicted"))
	level := rapid.SampledFrom([]float64{0.05, 0.5, 1, 1, 1, 1.3, 2, 9, 14}).Draw(t, "level")
	actual := time.Duration(float64(predicted) * level * rapid.Float64Range(0.9, 1.1).Draw(t, "spread"))
	return Observation{
		Predicted: predicted, Actual: actual, Stopped: actual / time.Duration(rapid.IntRange(2, 1000).Draw(t, "stopped")),
		Done: rapid.SampledFrom([]float64{1, 1, 1, 0.7, 0.1}).Draw(t, "done"),
	}
})

var events = rapid.SliceOfN(rapid.Custom(func(t *rapid.T) event {
	kind := rapid.IntRange(0, 40).Draw(t, "kind")
	return event{key: keys.Draw(t, "key"), run: runs.Draw(t, "run"), reset: kind == 0, ask: kind%5 == 1}
}), 0, 200)

func play(t *rapid.T, m *Model, events []event, asked bool) {
	for _, e := range events {
		switch {
		case e.reset:
			m.Reset(e.key)
		case e.ask && asked:
			m.Estimate(e.key, time.Hour)
		case !e.ask:
			if err := m.Observe(e.key, e.run); err != nil {
				t.Fatal(err)
			}
		}
	}
}

func same(t *rapid.T, what string, a, b *Model) {
	if sa, sb := a.State(), b.State(); !reflect.DeepEqual(sa, sb) {
		t.Fatalf("%s: states differ: %+v\n%+v", what, sa, sb)
	}
	if ra, rb := a.Rows(), b.Rows(); !reflect.DeepEqual(ra, rb) {
		t.Fatalf("%s: answers differ: %+v\n%+v", what, ra, rb)
	}
	unseen := Key{"device-4", "print", ""}
	if ea, eb := a.Estimate(unseen, time.Hour), b.Estimate(unseen, time.Hour); ea != eb {
		t.Fatalf("%s: of an unseen device: %+v\n%+v", what, ea, eb)
	}
}

// A replay gives the same model, whoever has asked in between.
func TestReplayIsEqual(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		all := events.Draw(t, "events")
		a, b := New(nil), New(nil)
		play(t, a, all, true)
		play(t, b, all, false)
		same(t, "replay", a, b)
	})
}

// A model that was restored midway answers, and goes on learning, as the one that was not, to the last digit.
func TestStateRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		before, after := events.Draw(t, "before"), events.Draw(t, "after")
		a := New(nil)
		play(t, a, before, true)
		state := a.State()
		b, err := Restore(state, nil)
		if err != nil {
			t.Fatal(err)
		}
		same(t, "restored", a, b)
		play(t, a, after, true)
		play(t, b, after, true)
		same(t, "and gone on", a, b)
		if c, err := Restore(state, nil); err != nil || !reflect.DeepEqual(c.State(), state) {
			t.Fatalf("the state was changed by going on: %v", err)
		}
	})
}

// What has left the ring has no say, in whatever order it came. Nor has the order of keys that do not share a ring.
func TestWhatIsOlderThanTheRingIsForgotten(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		old := rapid.SliceOfN(runs, 2, 60).Draw(t, "old")
		shuffled := rapid.Permutation(old).Draw(t, "shuffled")
		seed := rapid.Uint64().Draw(t, "seed")
		k := Key{"device-1", "print", ""}
		build := func(first []Observation) *Model {
			m := New(nil)
			for _, o := range first {
				if err := m.Observe(k, o); err != nil {
					t.Fatal(err)
				}
			}
			r := rand.New(rand.NewPCG(seed, 0))
			what := twoWays(1, 1.5, 0.2, 0.1).withSpoilt(0.1)
			for range ringSize {
				o, _ := what.run(r)
				if err := m.Observe(k, o); err != nil {
					t.Fatal(err)
				}
			}
			return m
		}
		same(t, "shuffled", build(old), build(shuffled))
		if a, b := build(old).Estimate(k, time.Hour), build(nil).Estimate(k, time.Hour); a != b {
			t.Fatalf("with older runs %+v, without %+v", a, b)
		}
	})
}

func TestQuantileIsMonotone(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		m, k := New(nil), Key{"device-1", "print", ""}
		play(t, m, events.Draw(t, "events"), false)
		for _, o := range rapid.SliceOfN(runs, 0, 70).Draw(t, "runs") {
			if err := m.Observe(k, o); err != nil {
				t.Fatal(err)
			}
		}
		predicted := time.Duration(rapid.Int64Range(1, int64(10*time.Hour)).Draw(t, "predicted"))
		us := append(rapid.SliceOfN(rapid.Float64Range(-0.1, 1.1), 2, 40).Draw(t, "u"), 0, 0.001, 0.05, 0.5, 0.9, 0.95, 0.999, 1)
		for _, u := range slices.Clone(us) {
			us = append(us, u+1e-9)
		}
		slices.Sort(us)
		last := time.Duration(0)
		for _, u := range us {
			q := m.Quantile(k, predicted, u)
			if q < last || q < predicted/10-1 || float64(q) > float64(predicted)*10+1 {
				t.Fatalf("quantile %v of %v is %v, after %v", u, predicted, q, last)
			}
			last = q
		}
		e := m.Estimate(k, predicted)
		for u, want := range map[float64]time.Duration{0.05: e.Low, 0.5: e.P50, 0.9: e.P90, 0.95: e.High} {
			if got := m.Quantile(k, predicted, u); got != want {
				t.Fatalf("quantile %v is %v, the estimate says %v", u, got, want)
			}
		}
	})
}

// The median distance, walked outwards, against sorting the distances; and setting aside, against its rule.
func TestMedianDistanceIsTheMedianOfDistances(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		values := rapid.SliceOfN(rapid.Map(rapid.IntRange(-20, 20), func(i int) float64 { return float64(i) / 8 }), 1, 40).Draw(t, "values")
		slices.Sort(values)
		middle := median(values)
		var distances []float64
		for _, v := range values {
			distances = append(distances, max(v-middle, middle-v))
		}
		slices.Sort(distances)
		if got, want := medianDistance(values, middle), median(distances); got != want {
			t.Fatalf("got %v, want %v", got, want)
		}
	})
}

// Samples drawn with an even u have the distribution that was promised.
func TestSamplesHaveTheQuantiles(t *testing.T) {
	for _, n := range []int{0, 3, 30, 100} {
		t.Run(fmt.Sprint(n), func(t *testing.T) {
			r := rand.New(rand.NewPCG(29, uint64(n)))
			m, k := New(nil), Key{"device-1", "print", ""}
			for range n {
				observe(t, m, k, gamma(1.2, 9), r)
			}
			e := m.Estimate(k, time.Hour)
			below := map[time.Duration]int{}
			const draws = 20_000
			for range draws {
				d := m.Quantile(k, time.Hour, r.Float64())
				for _, q := range []time.Duration{e.Low, e.P50, e.P90, e.High} {
					if d <= q {
						below[q]++
					}
				}
			}
			for q, want := range map[time.Duration]float64{e.Low: 0.05, e.P50: 0.5, e.P90: 0.9, e.High: 0.95} {
				// Five standard errors of a share of 20,000 are at most 0.018.
				if got := float64(below[q]) / draws; got < want-0.018 || got > want+0.018 {
					t.Errorf("%.3f of the samples are below %v, want %v", got, q, want)
				}
			}
		})
	}
}
