package dispatch

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/duration"
	"tandem/scheduler/floor"
)

// rates is what makes two abilities take the same time for the same work.
type rates struct{ setup, perPiece, perMetre, perPathMetre time.Duration }

func ratesOf(a *tandemv1.Ability) rates {
	return rates{
		a.GetSetup().AsDuration(), a.GetPerPiece().AsDuration(),
		a.GetPerMetre().AsDuration(), a.GetPerPathMetre().AsDuration(),
	}
}

// estimator answers for one step what many devices would take: the work is worked out once for each set of rates.
type estimator struct {
	step   *floor.Step
	floor  *floor.Floor
	people bool // their times count
	demand duration.Demand
	known  []knownTime
}

type knownTime struct {
	rates rates
	time  time.Duration // set-up and work
}

func newEstimator(s *floor.Step, f *floor.Floor) *estimator {
	return &estimator{step: s, floor: f, people: f.Calendar().Limited(), demand: s.Demand("")}
}

// span returns when the step would begin on a device that is free at a time, and when it would end. What nobody ever comes to
// begin ends at a time that is beyond any other.
func (e *estimator) span(d *floor.Device, at time.Time) (begin, end time.Time) {
	if !e.people {
		return at, at.Add(e.total(d, at))
	}
	est := d.Estimate(e.step, at)
	begin, ok := e.floor.Begin(est, at)
	if !ok {
		begin = at.AddDate(100, 0, 0)
	}
	return begin, begin.Add(est.Total())
}

// total returns what floor.Device.Estimate adds up to.
func (e *estimator) total(d *floor.Device, at time.Time) time.Duration {
	a := d.Ability(e.step.Operation())
	if e.step.Drying() || d.Continues(e.step) || !duration.Linear(a) || a.GetWarmUp() != nil || d.Factor(e.step) != 1 {
		return d.Estimate(e.step, at).Total()
	}
	return d.Changeover(e.step, a) + e.plain(a)
}

func (e *estimator) plain(a *tandemv1.Ability) time.Duration {
	r := ratesOf(a)
	for _, k := range e.known {
		if k.rates == r {
			return k.time
		}
	}
	t := r.setup + duration.Work(a, e.demand)
	e.known = append(e.known, knownTime{r, t})
	return t
}
