package forecast

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/mirror"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/forecast"
)

// Of returns the latest forecast of a job; nil if it has ended or nothing is known yet. It must not be changed.
func (f *Forecaster) Of(job string) *tandemv1.Forecast {
	f.latest.Lock()
	defer f.latest.Unlock()
	return f.byJob[job]
}

// List returns the latest forecasts of all open jobs, in the order of intake, and the ledger revision they were made at. Right
// after the start it waits for the first ones; if they cannot be made, the error says why. They must not be changed.
func (f *Forecaster) List(ctx context.Context) ([]*tandemv1.JobForecast, uint64, error) {
	for {
		f.latest.Lock()
		list, revision, known, failed, next := f.list, f.rev, f.known, f.failed, f.next
		f.latest.Unlock()
		switch {
		case known:
			return list, revision, nil
		case failed != nil:
			return nil, 0, fmt.Errorf("no forecast could be made; it is tried again: %w", failed)
		}
		select {
		case <-next:
		case <-ctx.Done():
			return nil, 0, ctx.Err()
		}
	}
}

// Watch calls fn with all forecasts, or that of one job, and then with what has changed by more than a minute or a point of risk,
// until ctx ends or fn returns an error, which it returns. A job that has ended comes once without a forecast. What changes
// while fn works is not queued: the next call has the latest of everything.
func (f *Forecaster) Watch(ctx context.Context, job string, fn func(list []*tandemv1.JobForecast, revision uint64) error) error {
	if _, _, err := f.List(ctx); err != nil {
		return err
	}
	told := map[string]*tandemv1.Forecast{}
	for first := true; ; first = false {
		f.latest.Lock()
		list, byJob, revision, next := f.list, f.byJob, f.rev, f.next
		f.latest.Unlock()
		var news []*tandemv1.JobForecast
		for _, j := range list {
			if before, known := told[j.GetJob()]; (job == "" || j.GetJob() == job) && (!known || differs(before, j.GetForecast())) {
				news = append(news, j)
				told[j.GetJob()] = j.GetForecast()
			}
		}
		for id := range told {
			if byJob[id] == nil {
				news = append(news, &tandemv1.JobForecast{Job: id})
				delete(told, id)
			}
		}
		if len(news) > 0 || first {
			if err := fn(news, revision); err != nil {
				return err
			}
		}
		select {
		case <-next:
		case <-ctx.Done():
			return ctx.Err()
		}
	}
}

// differs says whether somebody would want to hear of a change.
func differs(a, b *tandemv1.Forecast) bool {
	far := func(x, y *timestamppb.Timestamp) bool {
		if (x == nil) != (y == nil) {
			return true
		}
		return x != nil && x.AsTime().Sub(y.AsTime()).Abs() > time.Minute
	}
	risk := a.GetLateRisk() - b.GetLateRisk()
	return far(a.GetP50Time(), b.GetP50Time()) || far(a.GetP90Time(), b.GetP90Time()) || max(risk, -risk) > 0.01 || a.GetStuck() != b.GetStuck()
}

// With returns the forecast of a job that is not on the floor, with the jobs it would delay. It takes less than a second of
// one core. One question is worked on at a time; if too many wait, the error is ErrBusy. A job that the floor would not take
// in is its *floor.Error.
func (f *Forecaster) With(ctx context.Context, job *tandemv1.Job) (out *tandemv1.Forecast, err error) {
	select {
	case f.questions <- struct{}{}:
		defer func() { <-f.questions }()
	default:
		return nil, ErrBusy
	}
	if _, _, err := f.List(ctx); err != nil { // right after the start the floor has not been copied yet
		return nil, err
	}
	select {
	case f.asking <- struct{}{}:
		defer func() { <-f.asking }()
	case <-ctx.Done():
		return nil, ctx.Err()
	}
	defer mirror.Recovered("work out what the job would do", &err)
	stint, err := f.mirror.Pace().Begin(ctx, questionDuty)
	if err != nil {
		return nil, err
	}
	defer stint.End()
	advice, _ := f.plan()
	in, opt, revision, ok := f.input(advice)
	if !ok {
		return nil, nil
	}
	opt.Samples = questionPlays
	opt.Stop = func() error {
		if stint.Spent() > longestPlay {
			return errTooLong
		}
		return stint.Breathe(ctx)
	}
	opt.Enough = func(plays int) bool {
		return (plays >= leastPlays && stint.Spent() >= questionBudget) || (plays >= fewPlays && stint.Spent() >= longPlays)
	}
	j, delays, err := forecast.With(in, job, opt)
	if err != nil {
		return nil, err
	}
	out = message(&j, revision, in.Now)
	for _, d := range delays {
		m := &tandemv1.Delay{Job: d.Job, Delay: durationpb.New(d.By), LateRiskBefore: d.RiskBefore, LateRiskAfter: d.RiskAfter}
		if !d.Before.IsZero() {
			m.BeforeTime = timestamppb.New(d.Before)
		}
		if !d.After.IsZero() {
			m.AfterTime = timestamppb.New(d.After)
		}
		out.Delays = append(out.Delays, m)
	}
	return out, nil
}
