package learn

import "math"

// u is kept within these: farther out nothing learned here says anything.
const (
	leastU   = 0.001
	largestU = 1 - leastU
)

// NormalQuantile returns where the standard normal distribution reaches u.
func NormalQuantile(u float64) float64 { return math.Sqrt2 * math.Erfinv(2*u-1) }

// studentWithin returns the probability that Student's t with nu degrees of freedom is within -t..t, for t >= 0
// (M. Abramowitz, I. A. Stegun, Handbook of Mathematical Functions, 26.7.3 and 26.7.4, with t = sqrt(nu)*tan(theta)).
func studentWithin(t float64, nu int) float64 {
	cos2 := 1 / (1 + t*t/float64(nu))
	sin := t * math.Sqrt(cos2/float64(nu))
	term, sum := 1.0, 1.0
	if nu%2 == 0 {
		for k := 2; k <= nu-2; k += 2 {
			term *= cos2 * float64(k-1) / float64(k)
			sum += term
		}
		return sin * sum
	}
	theta := math.Atan(t / math.Sqrt(float64(nu)))
	if nu == 1 {
		return 2 / math.Pi * theta
	}
	for k := 3; k <= nu-2; k += 2 {
		term *= cos2 * float64(k-1) / float64(k)
		sum += term
	}
	return 2 / math.Pi * (theta + sin*math.Sqrt(cos2)*sum)
}

// studentQuantile returns where Student's t reaches u, from leastU to largestU, to 1e-9, for nu of at least priorFreedom.
// It halves a fixed interval, so that the answer never falls while u grows, however the last digits are rounded.
func studentQuantile(u float64, nu int) float64 {
	if u < 0.5 {
		return -studentQuantile(1-u, nu)
	}
	if u == 0.5 {
		return 0
	}
	low, high := 0.0, 16.0 // t(0.999, 3) is 10.215
	for range 35 {
		if middle := (low + high) / 2; studentWithin(middle, nu) < 2*u-1 {
			low = middle
		} else {
			high = middle
		}
	}
	return high
}

// tTable remembers the two quantiles every estimate needs.
type tTable struct {
	at90, at95 [priorFreedom + manyRuns]float64
}

func (t *tTable) quantile(u float64, nu int) float64 {
	switch {
	case nu >= len(t.at95):
	case u == 0.95:
		return remembered(&t.at95[nu], u, nu)
	case u == 0.05:
		return -remembered(&t.at95[nu], 0.95, nu)
	case u == 0.9:
		return remembered(&t.at90[nu], u, nu)
	}
	return studentQuantile(u, nu)
}

func remembered(v *float64, u float64, nu int) float64 {
	if *v == 0 {
		*v = studentQuantile(u, nu)
	}
	return *v
}

// Student returns where Student's t with so many degrees of freedom, at least 1, reaches u, brought within 0.001 and 0.999:
// what a confidence interval of a mean is made with. Below 3 degrees u is brought within 0.025 and 0.975.
func Student(u float64, freedom int) float64 {
	least := leastU
	if freedom < priorFreedom {
		least = 0.025
	}
	return studentQuantile(min(max(u, least), 1-least), max(freedom, 1))
}
