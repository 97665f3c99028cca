package kpi

import (
	"math"
	"math/rand/v2"
	"testing"
	"time"
)

func near(t *testing.T, what string, got Value, want float64) {
	t.Helper()
	if !got.Known || math.Abs(got.Value-want) > 0.00005 {
		t.Errorf("%s: %s is %v (known %v, lacks %q), want %.4f", what, got.ID, got.Value, got.Known, got.Lacks, want)
	}
}

// The formulas are those of a public ontology of ISO 22400-2 (repository hsu-aut/IndustrialStandard-ODP-ISO22400-2); each row names
// where its figures were published.
func TestWorkedExamples(t *testing.T) {
	m, s := time.Minute, time.Second
	for _, c := range []struct {
		source                     string
		t                          Times
		q                          Quantities
		availability               float64
		effectiveness, quality, ee float64 // 0: the source has no pieces
	}{
		{
			// It prints an OEE of 0.791.
			source: `public calculator page "Overall Equipment Effectiveness OEE Calculator"`,
			t:      Times{PBT: 480 * m, APT: 420 * m},
			q:      Quantities{Produced: 400, Good: 380, Scrap: 20, PlannedRun: 400 * m},

			availability: 0.8750, effectiveness: 0.9524, quality: 0.9500, ee: 0.7917,
		},
		{
			// 16 h, breaks of 1 h planned, 2 h down and 0.5 h starved, 1,000 pieces an hour; the split into PBT and APT is ours.
			source: `public exercise "Machine A"`,
			t:      Times{PBT: 15 * time.Hour, APT: 12*time.Hour + 30*m},
			q:      Quantities{Produced: 12132, Good: 12132 - 632, Scrap: 632, PlannedRun: 12132 * 3600 * time.Millisecond},

			availability: 0.8333, effectiveness: 0.9706, quality: 0.9479, ee: 0.7667,
		},
		{
			source: "a widely printed example of overall equipment effectiveness (from memory)",
			t:      Times{PBT: 420 * m, APT: 373 * m},
			q:      Quantities{Produced: 19271, Good: 18848, Scrap: 19271 - 18848, PlannedRun: 19271 * s},

			availability: 0.8881, effectiveness: 0.8611, quality: 0.9780, ee: 0.7479,
		},
		{
			// 24 h, of which 8 not required, 3.74 h downtime: it prints 76.63 %. There scheduled downtime counts against availability;
			// ISO 22400-2 would take it out of the planned busy time.
			source: "best practices sample of a maintenance society",
			t:      Times{PBT: 16 * time.Hour, APT: time.Duration(12.26 * float64(time.Hour))},

			availability: 0.7663,
		},
	} {
		v := DeviceValues(c.t, c.q)
		near(t, c.source, Find(v, "availability"), c.availability)
		if c.ee == 0 {
			if got := Find(v, "oee-index"); got.Known {
				t.Errorf("%s: an OEE of %v without pieces", c.source, got.Value)
			}
			continue
		}
		near(t, c.source, Find(v, "effectiveness"), c.effectiveness)
		near(t, c.source, Find(v, "quality-ratio"), c.quality)
		near(t, c.source, Find(v, "oee-index"), c.ee)
		near(t, c.source, Find(v, "scrap-ratio"), 1-float64(c.q.Good)/float64(c.q.Produced))
	}
}

// OEE = PRU * GQ / PBT: production time and pieces produced cancel out of the three factors (computed from the formulas above).
func TestIndexIsPlannedTimeOfGoodPieces(t *testing.T) {
	rng := rand.New(rand.NewPCG(7, 11))
	for range 500 {
		pbt := time.Duration(1+rng.IntN(1000)) * time.Minute
		apt := time.Duration(1 + rng.Int64N(int64(pbt)))
		made := 1 + rng.Int64N(5000)
		good := rng.Int64N(made + 1)
		pru := time.Duration(1 + rng.Int64N(int64(10*time.Second)))
		got := Find(DeviceValues(Times{PBT: pbt, APT: apt}, Quantities{Produced: made, Good: good, Scrap: made - good, PlannedRun: pru * time.Duration(made)}), "oee-index")
		want := pru.Seconds() * float64(good) / pbt.Seconds()
		if !got.Known || math.Abs(got.Value-want) > 1e-9*max(want, 1) {
			t.Fatalf("PBT %v APT %v PRU %v made %d good %d: OEE %v, want %v", pbt, apt, pru, made, good, got.Value, want)
		}
	}
}

func TestOtherIndicators(t *testing.T) {
	// Worked out by hand from the formulas: 8 h planned, 5 h production, 1 h set-up, 0.5 h delay.
	times := Times{POT: 9 * time.Hour, PBT: 8 * time.Hour, APT: 5 * time.Hour, ASUT: time.Hour, AUPT: 6 * time.Hour, ADET: 30 * time.Minute, AUBT: 6*time.Hour + 30*time.Minute}
	v := DeviceValues(times, Quantities{Produced: 200, Good: 190, Scrap: 10, Inspected: 180, FirstPass: 171, PlannedRun: 4 * time.Hour})
	for id, want := range map[string]float64{
		"allocation-efficiency":  6.5 / 8,
		"utilization-efficiency": 5 / 6.5,
		"technical-efficiency":   5 / 5.5,
		"setup-rate":             1.0 / 6,
		"nee-index":              6.0 / 8 * 0.8 * 0.95,
		"first-pass-yield":       0.95,
		"scrap-ratio":            0.05,
	} {
		near(t, "by hand", Find(v, id), want)
	}
	o := OrderValues(Orders{Produced: 240, Scrap: 12, PlannedScrap: 24, Execution: 12 * time.Hour, Busy: 9 * time.Hour})
	near(t, "by hand", Find(o, "throughput-rate"), 20)
	near(t, "by hand", Find(o, "allocation-ratio"), 0.75)
	near(t, "by hand", Find(o, "actual-to-planned-scrap-ratio"), 0.5)
}

func TestNoValueWithoutItsFigures(t *testing.T) {
	for _, values := range [][]Value{DeviceValues(Times{}, Quantities{}), OrderValues(Orders{})} {
		for _, v := range values {
			if v.Known || v.Lacks == "" || v.Value != 0 {
				t.Errorf("%s of nothing: %+v", v.ID, v)
			}
		}
	}
	full := Times{PBT: time.Hour, APT: time.Hour}
	made := Quantities{Produced: 5, Good: 5, PlannedRun: time.Hour}
	made.Parallel = true
	if v := Find(DeviceValues(full, made), "effectiveness"); v.Known {
		t.Errorf("effectiveness %v of a device that holds several runs at once", v.Value)
	}
	made.Parallel, made.Uncounted = false, time.Hour
	if v := Find(DeviceValues(full, made), "oee-index"); v.Known {
		t.Errorf("OEE %v although all production is of runs that are under way", v.Value)
	}
	if v := Find(DeviceValues(full, Quantities{Produced: 5, Good: 5}), "effectiveness"); v.Known {
		t.Errorf("effectiveness %v without a planned run time", v.Value)
	}
}
