package compare

import (
	"math"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/learn"
)

// confidence is how often an interval holds the true mean, were the comparison made again and again.
const confidence = 0.95

// estimate returns the mean of independent values with its interval (Student's t; one value has no interval).
func estimate(values []float64) *tandemv1.Estimate {
	n := float64(len(values))
	if n == 0 {
		return &tandemv1.Estimate{}
	}
	sum := 0.0
	for _, v := range values {
		sum += v
	}
	e := &tandemv1.Estimate{Mean: sum / n, Low: sum / n, High: sum / n}
	if n < 2 {
		return e
	}
	squares := 0.0
	for _, v := range values {
		squares += (v - e.GetMean()) * (v - e.GetMean())
	}
	half := learn.Student((1+confidence)/2, len(values)-1) * math.Sqrt(squares/(n-1)/n)
	e.Low, e.High = e.GetMean()-half, e.GetMean()+half
	return e
}

// over returns the estimate of what measure says of each play. None says less than 0, and neither does the interval.
func over(plays []*play, measure func(*play) float64) *tandemv1.Estimate {
	values := make([]float64, 0, len(plays))
	for _, p := range plays {
		values = append(values, measure(p))
	}
	e := estimate(values)
	e.Low = max(e.GetLow(), 0)
	return e
}

// paired returns the estimate of the difference to the first floor, replication by replication: the luck is the same, so that
// what differs is the floors.
func paired(first, other []*play, measure func(*play) float64) *tandemv1.Estimate {
	var values []float64
	for i := range min(len(first), len(other)) {
		values = append(values, measure(other[i])-measure(first[i]))
	}
	return estimate(values)
}

// told says whether an estimate of a difference says something: its interval leaves 0 out. Without chance any difference does;
// with it one replication says nothing.
func (c *Comparison) told(e *tandemv1.Estimate) bool {
	if c.certain() {
		return math.Abs(e.GetMean()) > 1e-6
	}
	return c.replications > 1 && (e.GetLow() > 0 || e.GetHigh() < 0)
}

func share(part, whole float64) float64 {
	if whole == 0 {
		return 0
	}
	return part / whole
}

// Measures of a play. Times in seconds.
func makespan(p *play) float64 { return p.makespan }
func flowTime(p *play) float64 { return share(p.flow, float64(p.finished)) }
func lateness(p *play) float64 { return share(p.late, float64(p.finished)) }
func lateShare(p *play) float64 {
	return share(float64(p.lateJobs), float64(p.due))
}
func piecesPerHour(p *play) float64 { return share(p.pieces, p.makespan/3600) }
func areaPerHour(p *play) float64   { return share(p.area, p.makespan/3600) }
func load(p *play) float64          { return share(p.work, p.present) }
func workHours(p *play) float64     { return p.work / 3600 }
func unfinished(p *play) float64    { return float64(p.jobs - p.finished) }

// ofOne keeps the interval of a share within 1.
func ofOne(e *tandemv1.Estimate) *tandemv1.Estimate {
	e.High = min(e.GetHigh(), max(e.GetMean(), 1))
	return e
}
