// Package forecast keeps the dates of all open jobs: when each will be done, how sure that is, and which would be late. It
// answers what a job that is only asked about would do to them.
//
// It never touches the engine's loop: it reads a mirror of the floor. It computes in a goroutine of its own, at a small share of one core, when something
// has changed; and now and then while work is open, because time that passes without the expected progress changes dates, too.
// It decides nothing and stores nothing: after a restart everything is worked out anew.
package forecast

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"maps"
	"math"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/mirror"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/forecast"
)

// ErrBusy means that too many ask at once what a job would do.
var ErrBusy = errors.New("forecast: too many questions at once; ask again in a moment")

// Options are how forecasts are kept. All times are wall time.
type Options struct {
	Rule dispatch.Rule
	// Plan returns the plan that the dispatcher follows, nil if it follows none, and a channel that is closed once that has changed.
	// Nil: none is ever followed.
	Plan func() (*dispatch.Advice, <-chan struct{})
	// Every is the least time between two forecasts; 0: three seconds.
	Every time.Duration
	// Slow is after how long forecasts are made anew while work is open and nothing has happened; 0: a minute.
	Slow time.Duration
	// Duty is the share of one core that forecasts take while things change; 0: a quarter.
	Duty float64
	// Budget bounds the computing time of one forecast once a few plays are made; 0: half a second.
	Budget time.Duration
	// Reaction is how long people take to come on average, before that has been seen; 0: two minutes.
	Reaction time.Duration
	Log      *zap.Logger
}

// Forecaster keeps the forecasts of one engine's floor.
type Forecaster struct {
	mirror    *mirror.Mirror
	changed   <-chan struct{}
	opt       Options
	questions chan struct{} // a token for each question that is asked or waits
	asking    chan struct{} // a token for the one that is worked on

	latest sync.Mutex // guards what follows
	list   []*tandemv1.JobForecast
	byJob  map[string]*tandemv1.Forecast
	rev    uint64
	next   chan struct{} // closed and replaced with each forecast, and with each that fails before there is one
	known  bool          // there is one
	failed error         // why there is none, although one was tried
}

const (
	mostQuestions = 8
	// leastPlays are made however long they take: fewer say nothing of one case in ten.
	leastPlays = 30
	// gather is how long changes are gathered before a forecast is made.
	gather = 100 * time.Millisecond
	// questionBudget bounds the computing time of a question, both plays together.
	questionBudget = 800 * time.Millisecond
	questionPlays  = 100
	// questionDuty is the share of one core that a question takes: somebody waits for the answer.
	questionDuty = 0.8
	// fewPlays are enough if they take longer than longPlays together: on a floor with so much work a forecast that comes within
	// minutes tells more than one that comes within the hour. A p90 of fewer is none.
	fewPlays  = 10
	longPlays = 20 * time.Second
	// longestPlay ends a forecast one of whose plays takes longer to compute: something is wrong, and the daemon has other work.
	longestPlay = time.Minute
)

var errTooLong = fmt.Errorf("a play takes more than %v", longestPlay)

// New returns a forecaster of the floor that a mirror shows. Run makes it work; the mirror is run by whoever made it.
func New(m *mirror.Mirror, opt Options) *Forecaster {
	opt.Every, opt.Slow = cmp.Or(opt.Every, 3*time.Second), cmp.Or(opt.Slow, time.Minute)
	opt.Duty, opt.Budget = cmp.Or(opt.Duty, 0.25), cmp.Or(opt.Budget, 500*time.Millisecond)
	if opt.Log == nil {
		opt.Log = zap.NewNop()
	}
	return &Forecaster{
		mirror: m, changed: m.Changes(), opt: opt, questions: make(chan struct{}, mostQuestions), asking: make(chan struct{}, 1),
		next: make(chan struct{}), byJob: map[string]*tandemv1.Forecast{},
	}
}

// Run makes a forecast when something has changed or another plan is followed, or when time has passed with work open, until ctx ends.
func (f *Forecaster) Run(ctx context.Context) {
	var replanned <-chan struct{} // closed once another plan is followed than in the last forecast
	for {
		var slow <-chan time.Time
		var timer *time.Timer
		if f.due() {
			timer = time.NewTimer(f.opt.Slow)
			slow = timer.C
		}
		select {
		case <-ctx.Done():
		case <-f.changed:
		case <-replanned:
		case <-slow:
		}
		if timer != nil {
			timer.Stop()
		}
		if mirror.Rest(ctx, gather); ctx.Err() != nil {
			return
		}
		select {
		case <-f.changed:
		default:
		}
		began := time.Now()
		advice, next := f.plan()
		replanned = next
		if err := f.make(ctx, advice); err != nil && ctx.Err() == nil {
			f.opt.Log.Error("no forecast; the last one stands", zap.Error(err))
			f.tellFailed(err)
		}
		took := time.Since(began)
		mirror.Rest(ctx, max(f.opt.Every, took))
	}
}

// due says whether a forecast is to be made after a while though nothing has happened: the last one was of some job, or none could be
// made yet.
func (f *Forecaster) due() bool {
	f.latest.Lock()
	defer f.latest.Unlock()
	return len(f.list) > 0 || f.failed != nil
}

// tellFailed tells those who wait for the first forecast that it has failed. Once there is one, an older one is better than none.
func (f *Forecaster) tellFailed(err error) {
	f.latest.Lock()
	defer f.latest.Unlock()
	if f.known {
		return
	}
	f.failed = err
	close(f.next)
	f.next = make(chan struct{})
}

// plan returns what Options.Plan does.
func (f *Forecaster) plan() (*dispatch.Advice, <-chan struct{}) {
	if f.opt.Plan == nil {
		return nil, nil
	}
	return f.opt.Plan()
}

// input copies the present out of the mirror; not ok: it shows nothing yet.
func (f *Forecaster) input(advice *dispatch.Advice) (in forecast.Input, opt forecast.Options, revision uint64, ok bool) {
	ok = f.mirror.Look(func(m mirror.Floor) {
		down := maps.Clone(m.Down)
		opt = forecast.Options{
			Rule: f.opt.Rule, Advice: advice, Seed: 1, Reaction: f.opt.Reaction, DownSince: func(device string) time.Time { return down[device] },
		}
		in = forecast.Input{Floor: m.CloneOpen(), Now: m.Now, Known: m.Durations().Clone(), Past: forecast.Read(m.Floor, m.Now)}
		revision = m.Revision
	})
	return in, opt, revision, ok
}

// make makes one forecast, pausing now and then so that it takes no more than its share.
func (f *Forecaster) make(ctx context.Context, advice *dispatch.Advice) (err error) {
	defer mirror.Recovered("make a forecast", &err)
	stint, err := f.mirror.Pace().Begin(ctx, f.opt.Duty)
	if err != nil {
		return err
	}
	defer stint.End()
	in, opt, revision, ok := f.input(advice)
	if !ok {
		return nil
	}
	var before time.Duration // spent when the play began
	opt.Stop = func() error {
		if stint.Spent()-before > longestPlay {
			return errTooLong
		}
		return stint.Breathe(ctx)
	}
	opt.Enough = func(plays int) bool {
		before = stint.Spent()
		return (plays >= leastPlays && before >= f.opt.Budget) || (plays >= fewPlays && before >= longPlays)
	}
	jobs, err := forecast.Jobs(in, opt)
	if err != nil {
		return err
	}
	list, byJob := make([]*tandemv1.JobForecast, 0, len(jobs)), make(map[string]*tandemv1.Forecast, len(jobs))
	for i := range jobs {
		m := message(&jobs[i], revision, in.Now)
		list = append(list, &tandemv1.JobForecast{Job: jobs[i].ID, Forecast: m})
		byJob[jobs[i].ID] = m
	}
	f.latest.Lock()
	defer f.latest.Unlock()
	f.list, f.byJob, f.rev, f.known, f.failed = list, byJob, revision, true, nil
	close(f.next)
	f.next = make(chan struct{})
	return nil
}

// message returns a forecast as clients see it.
func message(j *forecast.Job, revision uint64, now time.Time) *tandemv1.Forecast {
	out := &tandemv1.Forecast{
		LateRisk: j.LateRisk, Revision: revision, ComputeTime: timestamppb.New(now), Samples: int32(min(j.Samples, math.MaxInt32)), Stuck: j.Stuck,
	}
	if !j.P90.IsZero() {
		out.P50Time, out.P90Time = timestamppb.New(j.P50), timestamppb.New(j.P90)
	}
	if slack, ok := j.Slack(); ok {
		out.Slack = durationpb.New(slack)
	}
	return out
}
