package learn

import (
	"fmt"
	"math"
	"time"
)

// The numbers of runs between which the answer passes from Student's t to order statistics.
const (
	fewRuns  = 16
	manyRuns = 48
)

// Estimate says how long the next run will take.
type Estimate struct {
	P50, P90  time.Duration
	Low, High time.Duration // the next run lies between them in 9 of 10 cases: 5 % and 95 %
	Factor    float64       // P50 over the prediction
	Samples   int           // runs of this key it stands on
	Basis     Basis
}

// Basis says what an estimate stands on.
type Basis struct {
	Runs     int      // of this device, operation and mode
	SetAside int      // accidents among the recent ones, not counted in Runs
	Changed  bool     // only runs after a change count
	Leaning  Relation // where the expectation came from; without weight from 48 runs on
}

// String returns the basis as a phrase.
func (b Basis) String() string {
	var s string
	switch b.Runs {
	case 0:
		s = "no run yet"
	case 1:
		s = "1 run"
	default:
		s = fmt.Sprintf("%d runs", b.Runs)
	}
	if b.Changed {
		s += " since a change"
	}
	if b.SetAside > 0 {
		s += fmt.Sprintf(", %d set aside", b.SetAside)
	}
	if b.Runs >= manyRuns {
		return s
	}
	switch b.Leaning {
	case OtherModes:
		return s + ", leaning on the device's other modes"
	case OtherDevices:
		return s + ", leaning on other devices in this operation"
	case OtherOperations:
		return s + ", leaning on the device's other operations"
	default:
		return s + ", leaning on what is assumed of the operation"
	}
}

// Estimate corrects what the physical model predicted. A prediction of zero or less is answered with zeros.
func (m *Model) Estimate(k Key, predicted time.Duration) Estimate {
	d := m.distribution(k)
	return Estimate{
		P50: d.scale(predicted, 0.5), P90: d.scale(predicted, 0.9),
		Low: d.scale(predicted, 0.05), High: d.scale(predicted, 0.95),
		Factor: d.factor(0.5), Samples: d.basis.Runs, Basis: d.basis,
	}
}

// Quantile returns the duration that the next run stays below with probability u. It never falls while u grows; u is
// brought within 0.001 and 0.999, and one that is not a number counts as 0.5. With u drawn evenly from 0..1 it samples durations.
func (m *Model) Quantile(k Key, predicted time.Duration, u float64) time.Duration {
	if math.IsNaN(u) {
		u = 0.5
	}
	d := m.distribution(k)
	return d.scale(predicted, u)
}

// distribution is what is known of the log-ratio of a key's next run.
type distribution struct {
	kept             []float64
	location, scaleT float64 // of Student's t
	freedom          int
	deviation        float64 // of the runs: the tail beyond the extremes
	weight           float64 // of the order statistics
	t                *tTable
	basis            Basis
}

func (m *Model) distribution(k Key) distribution {
	m.settle()
	var s summary
	var self sums
	if r := m.keys[k]; r != nil {
		s, self = r.summary, r.told
	}
	e := m.kin.expect(k, self, m.assume(k.Operation))
	n := len(s.kept)
	runs := float64(n)
	freedom := priorFreedom + max(0, n-1)
	variance := (priorFreedom*e.within + s.squares) / float64(freedom)
	worth := variance / e.between // of the expectation, in runs
	return distribution{
		kept:      s.kept,
		location:  (worth*e.location + runs*s.mean) / (worth + runs),
		scaleT:    math.Sqrt(variance * (1 + 1/(worth+runs))),
		freedom:   freedom,
		deviation: math.Sqrt(variance),
		weight:    min(max(0, (runs-fewRuns)/(manyRuns-fewRuns)), 1),
		t:         &m.t,
		basis:     Basis{Runs: n, SetAside: s.setAside, Changed: s.before > 0, Leaning: e.from},
	}
}

// log returns the u-quantile of the log-ratio. Each part grows with u, and their weights do not depend on it.
func (d *distribution) log(u float64) float64 {
	u = min(max(u, leastU), largestU)
	var y float64
	if d.weight < 1 {
		y = (1 - d.weight) * (d.location + d.scaleT*d.t.quantile(u, d.freedom))
	}
	if d.weight > 0 {
		y += d.weight * d.orderStatistic(u)
	}
	return y
}

func (d *distribution) orderStatistic(u float64) float64 {
	n := len(d.kept)
	first := 1 / float64(n+1)
	switch position := u * float64(n+1); {
	case position <= 1:
		return d.kept[0] + d.deviation*min(0, NormalQuantile(u)-NormalQuantile(first))
	case position >= float64(n):
		return d.kept[n-1] + d.deviation*max(0, NormalQuantile(u)+NormalQuantile(first))
	default:
		i := int(position)
		low, high := d.kept[i-1], d.kept[i]
		return low + (position-float64(i))*(high-low)
	}
}

func (d *distribution) factor(u float64) float64 {
	return min(max(math.Exp(d.log(u)), float64(leastRatio)/one), float64(largestRatio)/one)
}

func (d *distribution) scale(predicted time.Duration, u float64) time.Duration {
	if predicted <= 0 {
		return 0
	}
	scaled := math.Round(float64(predicted) * d.factor(u))
	if scaled >= math.MaxInt64 {
		return math.MaxInt64
	}
	return time.Duration(scaled)
}
