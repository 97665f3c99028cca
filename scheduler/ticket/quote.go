package ticket

import (
	"math"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/learn"
)

// Quote says what a made job would take on the floor: each step on the device that would do it fastest, as if nothing else
// were there and its media loaded, by the model and by what the devices took before. It must be called by the floor's owner.
func Quote(f *floor.Floor, made *Made, now time.Time) *tandemv1.Quote {
	out := &tandemv1.Quote{Job: made.Job, Layouts: made.Layouts, Notes: made.Notes}
	job := scratch(f, made.Job, now)
	spans := map[string]span{}
	for _, s := range job.Steps {
		q, sp := quoteStep(f, s, now)
		out.Steps = append(out.Steps, q)
		var before span
		for _, b := range s.Before {
			if x := spans[b.ID()]; x.p50 > before.p50 {
				before = x
			}
		}
		wait := s.Spec.GetMinWait().AsDuration()
		spans[s.ID()] = before.then(span{p50: wait, low: wait, high: wait}).then(sp)
	}
	var last span
	for _, s := range job.Steps {
		if x := spans[s.ID()]; x.p50 > last.p50 {
			last = x
		}
	}
	out.Alone, out.AloneLow, out.AloneHigh = durationpb.New(last.p50), durationpb.New(last.low), durationpb.New(last.high)
	return out
}

// scratch takes the job in on an empty floor with the same devices, so that its steps can be asked about.
func scratch(f *floor.Floor, job *tandemv1.Job, now time.Time) *floor.Job {
	empty := floor.New()
	apply := func(events []*ledgerv1.Event) {
		for _, e := range events {
			empty.Apply(empty.Revision+1, now, e)
		}
	}
	apply([]*ledgerv1.Event{{Kind: &ledgerv1.Event_FloorConfigured{FloorConfigured: &ledgerv1.FloorConfigured{Floor: f.File()}}}})
	d, err := empty.Decide(now, floor.Meta{}, floor.CreateJob{Job: job})
	if err != nil {
		return &floor.Job{}
	}
	apply(d.Events)
	j, _ := empty.Job(job.GetId())
	return j
}

// span is a time with its spread.
type span struct{ p50, low, high time.Duration }

// then adds a time that follows. Spreads of steps are taken as independent of one another, so that they add up as the root
// of their squares.
func (a span) then(b span) span {
	root := func(x, y time.Duration) time.Duration { return time.Duration(math.Hypot(float64(x), float64(y))) }
	sum := a.p50 + b.p50
	return span{sum, sum - root(a.p50-a.low, b.p50-b.low), sum + root(a.high-a.p50, b.high-b.p50)}
}

func quoteStep(f *floor.Floor, s *floor.Step, now time.Time) (*tandemv1.StepQuote, span) {
	q := &tandemv1.StepQuote{Step: s.ID(), Operation: s.Operation()}
	if s.Drying() {
		t := s.Spec.GetDuration().AsDuration()
		if len(s.Class.Fits) > 0 {
			q.Device = s.Class.Fits[0].ID
		}
		q.Duration, q.Low, q.High = durationpb.New(t), durationpb.New(t), durationpb.New(t)
		return q, span{t, t, t}
	}
	var best learn.Estimate
	for _, twin := range s.Class.Fits {
		d, ok := f.Device(twin.ID)
		if !ok {
			continue
		}
		e := d.Estimate(s, now)
		model := e.Model - time.Duration(float64(e.Changeover)/d.Factor(s))
		est := f.Durations().Estimate(learn.Key{Device: d.ID, Operation: s.Operation(), Mode: s.Spec.GetMode()}, model)
		c := &tandemv1.Candidate{Device: d.ID, Eligible: true, Work: durationpb.New(est.P50), Changeover: durationpb.New(e.Changeover)}
		if ok, why := d.Available(); !ok {
			c.Reason = why
		}
		q.Candidates = append(q.Candidates, c)
		if q.GetDevice() == "" || est.P50 < best.P50 {
			q.Device, best = d.ID, est
		}
	}
	if q.GetDevice() == "" {
		q.Candidates = s.Explain(now, f.Devices).GetCandidates()
	}
	q.Duration, q.Low, q.High, q.Samples = durationpb.New(best.P50), durationpb.New(best.Low), durationpb.New(best.High), int32(best.Samples)
	return q, span{best.P50, best.Low, best.High}
}
