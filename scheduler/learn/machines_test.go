package learn

import (
	"math"
	"math/rand/v2"
	"time"
)

// A machine is one of which the truth is known: draw gives the ratio of its next run to the prediction.
type machine struct {
	median float64
	draw   func(*rand.Rand) float64
	spoilt float64 // share of runs that are recorded grossly wrong
	stops  bool    // stands still in a third of its runs, and says so
}

// run returns what is observed of the machine's next run, and its true working time over the predicted one.
func (m machine) run(r *rand.Rand) (Observation, float64) {
	truth := m.draw(r)
	predicted := time.Duration((2 + 58*r.Float64()) * float64(time.Minute))
	o := Observation{Predicted: predicted, Actual: time.Duration(truth * float64(predicted)), Done: 1}
	if r.Float64() < m.spoilt {
		if r.Float64() < 0.7 {
			o.Actual = time.Duration(float64(o.Actual) * (4 + 26*r.Float64())) // stood still, and nobody said so
		} else {
			o.Actual /= 12 // scanned done too early
		}
	}
	if m.stops && r.Float64() < 1./3 {
		o.Stopped = time.Duration((1 + 90*r.Float64()) * float64(time.Minute))
		o.Actual += o.Stopped
	}
	return o, truth
}

func lognormal(factor, sigma float64) machine {
	return machine{median: factor, draw: func(r *rand.Rand) float64 { return factor * math.Exp(sigma*r.NormFloat64()) }}
}

// gamma has the shape of k added exponential times: skewed, as waiting in stages is.
func gamma(factor float64, k int) machine {
	// Wilson and Hilferty's median of a gamma distribution, within 0.1 % from k = 4 on.
	median := float64(k) * math.Pow(1-1/(9*float64(k)), 3)
	return machine{median: factor, draw: func(r *rand.Rand) float64 {
		sum := 0.0
		for range k {
			sum += r.ExpFloat64()
		}
		return factor * sum / median
	}}
}

// twoWays does some of its runs another way, such as after a roll change.
func twoWays(factor, other, share, sigma float64) machine {
	one := lognormal(factor, sigma)
	two := lognormal(factor*other, sigma)
	return machine{median: mixedMedian(factor, other, share, sigma), draw: func(r *rand.Rand) float64 {
		if r.Float64() < share {
			return two.draw(r)
		}
		return one.draw(r)
	}}
}

// mixedMedian halves an interval until the mixture's distribution function is one half.
func mixedMedian(factor, other, share, sigma float64) float64 {
	below := func(x, median float64) float64 { return 0.5 * math.Erfc(-math.Log(x/median)/(sigma*math.Sqrt2)) }
	low, high := factor/100, factor*other*100
	for range 100 {
		middle := math.Sqrt(low * high)
		if (1-share)*below(middle, factor)+share*below(middle, factor*other) < 0.5 {
			low = middle
		} else {
			high = middle
		}
	}
	return low
}

func (m machine) withSpoilt(s float64) machine { m.spoilt = s; return m }
func (m machine) withStops() machine           { m.stops = true; return m }

// bias draws a machine's factor as the package assumes machines to differ.
func bias(r *rand.Rand, between float64) float64 { return math.Exp(between * r.NormFloat64()) }
