package physics

import (
	"fmt"
	"slices"
	"time"
)

// Line is t = fixed + per metre * length: what print, laminate and feed come to on one device, media and mode.
type Line struct {
	Fixed    time.Duration
	PerMetre time.Duration
}

// Run is one measured run.
type Run struct {
	LengthUm int64
	Time     time.Duration
}

// mostRuns bounds the pairs of Fit: half a million.
const mostRuns = 1000

// Time returns the time for this length. The width is not asked: the runs that Fit saw decide it.
func (l Line) Time(lengthUm, _ int64) (time.Duration, error) {
	var t total
	t.length("length_um", lengthUm)
	t.add("fixed", l.Fixed, 1)
	t.duration("per_metre", l.PerMetre)
	t.seconds("length_um", float64(lengthUm)/1e6*l.PerMetre.Seconds())
	return t.result()
}

// Fit returns the line through measured runs by the Theil-Sen estimator: the slope is the median of the slopes of all
// pairs of different length, the fixed part the median of what is left (H. Theil, 1950; P. K. Sen, 1968, "Estimates of
// the Regression Coefficient Based on Kendall's Tau"). Up to 29 % of runs gone wrong (a jam, a forgotten scan) do not
// move it far. Ten runs are a fair start (common practice, no source).
//
// If the fixed part would be negative, it is 0 and the slope the median of time/length. Runs that take less time the
// longer they are give an *Error: no machine does that, so they are of different modes or media.
func Fit(runs []Run) (Line, error) {
	var k checks
	if len(runs) < 2 || len(runs) > mostRuns {
		k.fail("runs", "holds %d: give 2 to %d runs, the newest", len(runs), mostRuns)
		return Line{}, k.err
	}
	x, y := make([]float64, len(runs)), make([]float64, len(runs)) // metres, seconds
	for i, r := range runs {
		k.positive(fmt.Sprintf("runs[%d].length_um", i), r.LengthUm)
		if r.Time <= 0 {
			k.fail(fmt.Sprintf("runs[%d].time", i), "is %v: a measured time is more than 0; leave runs out that have none", r.Time)
		}
		x[i], y[i] = float64(r.LengthUm)/1e6, r.Time.Seconds()
	}
	if k.err != nil {
		return Line{}, k.err
	}
	a, b, ok := theilSen(x, y)
	if !ok {
		return Line{}, bad("runs", "all have the same length: add a run that is longer or shorter")
	}
	if b < 0 {
		return Line{}, bad("runs", "take less time the longer they are: give runs of one device, media and mode only")
	}
	if a < 0 {
		for i := range y {
			y[i] /= x[i]
		}
		a, b = 0, median(y)
	}
	var fixed, slope total
	fixed.seconds("runs", a)
	slope.seconds("runs", b)
	if fixed.err != nil {
		return Line{}, fixed.err
	}
	return Line{Fixed: fixed.sum, PerMetre: slope.sum}, slope.err
}

// theilSen returns intercept and slope, and whether two of x differ.
func theilSen(x, y []float64) (a, b float64, ok bool) {
	slopes := make([]float64, 0, len(x)*(len(x)-1)/2)
	for i := range x {
		for j := range i {
			if x[i] != x[j] {
				slopes = append(slopes, (y[i]-y[j])/(x[i]-x[j]))
			}
		}
	}
	if len(slopes) == 0 {
		return 0, 0, false
	}
	b = median(slopes)
	left := make([]float64, len(x))
	for i := range x {
		left[i] = y[i] - b*x[i]
	}
	return median(left), b, true
}

// median sorts v, which is not empty, and returns its middle, or the mean of the two middle ones.
func median(v []float64) float64 {
	slices.Sort(v)
	m := len(v) / 2
	if len(v)%2 == 1 {
		return v[m]
	}
	return v[m-1] + (v[m]-v[m-1])/2
}
