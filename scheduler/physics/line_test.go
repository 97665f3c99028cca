package physics

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestTheilSenPublished(t *testing.T) {
	tests := []struct {
		name         string
		x, y         []float64
		slope, start float64
		within       float64
	}{
		// Reference manual of the R package statpsych, ci.theil: "Should return: Estimate 0.5". It gives no intercept;
		// the median of y - x/2 was worked out apart from this code.
		{
			"statpsych",
			[]float64{67, 28, 30, 28, 52, 40, 25, 37, 44, 10, 14, 20, 28, 40, 51},
			[]float64{21, 4, 9, 12, 35, 18, 10, 22, 24, 1, 6, 8, 13, 16, 19},
			0.5, -2, 1e-12,
		},
		// Data of Hollander, Wolfe & Chicken, "Nonparametric Statistical Methods", example 9.1, as in the R package NSM3;
		// the ten slopes and the five rests were worked out apart from this code.
		{
			"Hollander, Wolfe & Chicken",
			[]float64{1, 2, 3, 4, 5},
			[]float64{1.26, 1.27, 1.12, 1.16, 1.03},
			-0.05625, 1.31625, 1e-12,
		},
	}
	for _, tt := range tests {
		a, b, ok := theilSen(tt.x, tt.y)
		if !ok {
			t.Errorf("%s: no slope", tt.name)
		}
		near(t, tt.name+": slope", b, tt.slope, tt.within)
		near(t, tt.name+": intercept", a, tt.start, tt.within)
	}
}

func minutes(m ...float64) []Run {
	var runs []Run
	for i := 0; i < len(m); i += 2 {
		runs = append(runs, Run{LengthUm: int64(m[i] * 1e6), Time: time.Duration(m[i+1] * float64(time.Minute))})
	}
	return runs
}

func TestFit(t *testing.T) {
	tests := []struct {
		name string
		runs []Run
		want Line
	}{
		{"two runs", minutes(1, 7, 3, 17), Line{2 * time.Minute, 5 * time.Minute}},
		{"a jam among six", minutes(1, 7, 2, 12, 3, 17, 4, 95, 5, 27, 6, 32), Line{2 * time.Minute, 5 * time.Minute}},
		{"same lengths among others", minutes(2, 12, 2, 12, 3, 17), Line{2 * time.Minute, 5 * time.Minute}},
		{"as long whatever the length", minutes(1, 5, 2, 5, 3, 5), Line{Fixed: 5 * time.Minute}},
		{"no less than nothing at the start", minutes(1, 4, 2, 10, 4, 22), Line{PerMetre: 5 * time.Minute}},
	}
	for _, tt := range tests {
		got, err := Fit(tt.runs)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
		}
		near(t, tt.name+": fixed", got.Fixed.Seconds(), tt.want.Fixed.Seconds(), 1e-6)
		near(t, tt.name+": per metre", got.PerMetre.Seconds(), tt.want.PerMetre.Seconds(), 1e-6)
	}
}

func TestFitErrors(t *testing.T) {
	for field, runs := range map[string][]Run{
		"runs[1].length_um": {{1, 1}, {0, 1}},
		"runs[0].length_um": {{-1, 1}, {5, 1}},
		"runs[0].time":      {{1, 0}, {2, 1}},
		"runs[2].time":      {{1, 1}, {2, 1}, {3, -1}},
	} {
		_, err := Fit(runs)
		wantField(t, field, err, field)
	}
	for name, runs := range map[string][]Run{
		"none": nil, "one": minutes(1, 1), "one length": minutes(2, 10, 2, 11, 2, 12), "faster when longer": minutes(1, 9, 2, 5),
		"too many": make([]Run, 1001), "overflow": {{1, 1}, {2, math.MaxInt64}},
	} {
		_, err := Fit(runs)
		wantField(t, name, err, "runs")
	}
}

// A line is found again from runs on it, in any order, even if a quarter of them went wrong.
func TestFitFindsTheLine(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		want := Line{time.Duration(rapid.IntRange(0, 600).Draw(t, "fixed")) * time.Second, time.Duration(rapid.IntRange(1, 600).Draw(t, "slope")) * time.Second}
		n := rapid.IntRange(8, 40).Draw(t, "runs")
		runs := make([]Run, n)
		for i := range runs {
			runs[i].LengthUm = int64(i+1) * 1e6
			runs[i].Time, _ = want.Time(runs[i].LengthUm, 0)
		}
		runs = rapid.Permutation(runs).Draw(t, "order")
		for i := range n / 5 {
			runs[i].Time += time.Duration(rapid.IntRange(0, 36000).Draw(t, "delay")) * time.Second
		}
		got, err := Fit(runs)
		if err != nil {
			t.Fatal(err)
		}
		// The median of the slopes is exact as long as half of the pairs are of good runs: (4/5)^2 = 64 %.
		if d := got.PerMetre - want.PerMetre; d.Abs() > 2 {
			t.Errorf("%+v, want %+v", got, want)
		}
		if d := got.Fixed - want.Fixed; d.Abs() > 100 {
			t.Errorf("%+v, want %+v", got, want)
		}
	})
}
