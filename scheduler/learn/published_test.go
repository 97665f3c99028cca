package learn

import (
	"math"
	"testing"
)

// Critical values as printed in the NIST/SEMATECH e-Handbook of Statistical Methods, 1.3.6.7.2 (Student's t).
func TestStudentQuantileAsPrinted(t *testing.T) {
	columns := []float64{0.90, 0.95, 0.975, 0.99}
	for nu, row := range map[int][]float64{
		3:  {1.638, 2.353, 3.182, 4.541},
		4:  {1.533, 2.132, 2.776, 3.747},
		5:  {1.476, 2.015, 2.571, 3.365},
		7:  {1.415, 1.895, 2.365, 2.998},
		10: {1.372, 1.812, 2.228, 2.764},
		20: {1.325, 1.725, 2.086, 2.528},
		30: {1.310, 1.697, 2.042, 2.457},
		50: {1.299, 1.676, 2.009, 2.403},
	} {
		for i, want := range row {
			if got := studentQuantile(columns[i], nu); math.Abs(got-want) > 0.00051 {
				t.Errorf("t(%v, %d) = %.4f, printed %.3f", columns[i], nu, got, want)
			}
			if got := studentQuantile(1-columns[i], nu); math.Abs(got+want) > 0.00051 {
				t.Errorf("t(%v, %d) = %.4f, printed -%.3f", 1-columns[i], nu, got, want)
			}
		}
	}
}

// The distribution function, against Simpson's rule on the density of Student's t (M. Abramowitz, I. A. Stegun, Handbook of
// Mathematical Functions, 26.7.1).
func TestStudentWithinIsTheIntegralOfTheDensity(t *testing.T) {
	for nu := 1; nu <= priorFreedom+manyRuns; nu++ {
		v := float64(nu)
		upper, _ := math.Lgamma((v + 1) / 2)
		lower, _ := math.Lgamma(v / 2)
		height := math.Exp(upper-lower) / math.Sqrt(v*math.Pi)
		density := func(x float64) float64 { return height * math.Pow(1+x*x/v, -(v+1)/2) }
		for _, x := range []float64{0.1, 1, 2.5, 10} {
			const steps = 4000
			h, sum := x/steps, 0.0
			for i := range steps / 2 {
				a := float64(2*i) * h
				sum += density(a) + 4*density(a+h) + density(a+2*h)
			}
			if got, want := studentWithin(x, nu), 2*sum*h/3; math.Abs(got-want) > 1e-9 {
				t.Errorf("nu %d, within %v: %.12f, integral %.12f", nu, x, got, want)
			}
		}
	}
}

// Upper quantiles of the normal distribution: the last row of the same table of NIST.
func TestNormalQuantileAsPrinted(t *testing.T) {
	for u, want := range map[float64]float64{0.90: 1.282, 0.95: 1.645, 0.975: 1.960, 0.99: 2.326, 0.999: 3.090} {
		if got := NormalQuantile(u); math.Abs(got-want) > 0.00051 {
			t.Errorf("normal quantile %v = %.4f, printed %.3f", u, got, want)
		}
	}
	if got := 1 / NormalQuantile(0.75); math.Abs(got-madToDeviation) > 1e-6 {
		t.Errorf("MAD to standard deviation: %.7f, used %v", got, madToDeviation)
	}
}

// A prediction interval for the next of a normal sample of n is mean +- t(n-1)*s*sqrt(1+1/n) (G. J. Hahn, W. Q. Meeker,
// Statistical Intervals, 1991, section 4.7). With a prior worth nu0 runs of the same spread and nothing known of the
// location the degrees of freedom become n-1+nu0: for n = 10 it is the printed t(0.95, 12) = 1.782 (NIST, as above).
func TestPredictionIntervalOfASample(t *testing.T) {
	const spread, between = 0.1, 2.0
	m := New(func(string) Prior { return Prior{Between: between, Within: spread} })
	k := Key{Device: "cutter-1", Operation: "cut"}
	// Symmetric about ln 1.5, with a sample standard deviation of spread: 10 values at +-a have s^2 = 10 a^2/9.
	a := spread * math.Sqrt(0.9)
	for i := range 10 {
		y := math.Log(1.5) + a
		if i%2 == 0 {
			y -= 2 * a
		}
		learnRatio(t, m, k, math.Exp(y))
	}
	e := m.Estimate(k, 1e12)
	want := 1.782 * spread * math.Sqrt(1+1./10)
	if up, down := math.Log(float64(e.High)/1.5e12), math.Log(1.5e12/float64(e.Low)); math.Abs(up-want) > 5e-4 || math.Abs(down-want) > 5e-4 {
		t.Errorf("90 %% interval is ln 1.5 -%.5f +%.5f, want +-%.5f", down, up, want)
	}
}

// The next of a sample lies between order statistics r and s of n with probability (s-r)/(n+1), so that 19 are the fewest
// whose extremes hold it in 9 of 10 cases (H. A. David, H. N. Nagaraja, Order Statistics, 3rd ed., section 7.3).
func TestOrderStatistics(t *testing.T) {
	d := distribution{deviation: 1}
	for i := range 19 {
		d.kept = append(d.kept, float64(i+1))
	}
	for u, want := range map[float64]float64{0.05: 1, 0.5: 10, 0.95: 19, 0.25: 5, 0.125: 2.5} {
		if got := d.orderStatistic(u); math.Abs(got-want) > 1e-9 {
			t.Errorf("%v of 1..19 is %v, want %v", u, got, want)
		}
	}
	if got := d.orderStatistic(0.999); math.Abs(got-(19+3.090-1.645)) > 0.001 {
		t.Errorf("beyond the largest: %v", got)
	}
	if low, high := d.orderStatistic(0.001), d.orderStatistic(0.999); math.Abs(low+high-20) > 1e-9 {
		t.Errorf("tails differ: %v and %v", low, high)
	}
}

// The yearly flow of the Nile at Aswan, 1871 to 1970, in 1e8 cubic metres: public data, with the known change after 1898, when the
// dam was begun (G. W. Cobb, Biometrika 65, 1978, 243-251).
func TestChangeOfTheNile(t *testing.T) {
	flow := []int32{
		1120, 1160, 963, 1210, 1160, 1160, 813, 1230, 1370, 1140, 995, 935, 1110, 994, 1020, 960, 1180, 799, 958, 1140,
		1100, 1210, 1150, 1250, 1260, 1220, 1030, 1100, 774, 840, 874, 694, 940, 833, 701, 916, 692, 1020, 1050, 969,
		831, 726, 456, 824, 702, 1120, 1100, 832, 764, 821, 768, 845, 864, 862, 698, 845, 744, 796, 1040, 759,
		781, 865, 845, 944, 984, 897, 822, 1010, 771, 676, 649, 846, 812, 742, 801, 1040, 860, 874, 848, 890,
		744, 749, 838, 1050, 918, 986, 797, 923, 975, 815, 1020, 906, 901, 1170, 912, 746, 919, 718, 714, 740,
	}
	if at, _ := pettitt(flow); 1870+at != 1898 {
		t.Errorf("the last year before the change is %d, want 1898", 1870+at)
	}
	if before := lastChange(flow); before != 28 {
		t.Errorf("%d years set apart, want 28: nothing changed after that", before)
	}
}

// The test statistic, against its definition as a sum of signs, ties and all.
func TestPettittIsTheSumOfSigns(t *testing.T) {
	values := make([]int32, 0, 100)
	for i := range int32(100) {
		values = append(values, 1+(i*37)%11+8*(i/70))
	}
	at, largest := 0, 0
	for t := 1; t < len(values); t++ {
		u := 0
		for _, a := range values[:t] {
			for _, b := range values[t:] {
				switch {
				case a > b:
					u++
				case a < b:
					u--
				}
			}
		}
		if u = max(u, -u); u > largest {
			at, largest = t, u
		}
	}
	if gotAt, got := pettitt(values); gotAt != at || got != largest {
		t.Errorf("change after %d with K = %d, by definition after %d with %d", gotAt, got, at, largest)
	}
}
