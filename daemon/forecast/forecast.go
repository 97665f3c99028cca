// Package forecast keeps the dates of all open jobs: when each will be done, how sure that is, and which would be late. It
// answers what a job that is only asked about would do to them.
//
// It never touches the engine's loop but once, when it starts: it copies the floor, and keeps its copy by the records that
// the engine commits, as any watcher does. It computes in a goroutine of its own, at a small share of one core, when something
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
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
	"tandem/scheduler/forecast"
)

// ErrBusy means that too many ask at once what a job would do.
var ErrBusy = errors.New("forecast: too many questions at once; ask again in a moment")

// Engine is what forecasts need of the engine.
type Engine interface {
	View(ctx context.Context, fn func(engine.State)) error
	Watch(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error, idle func(revision uint64) <-chan struct{}) error
}

// Options are how forecasts are kept. All times but Now's are wall time.
type Options struct {
	Now  func() time.Time // the floor's time; required
	Rule dispatch.Rule
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
	engine    Engine
	opt       Options
	questions chan struct{} // a token for each question that is asked or waits
	asking    chan struct{} // a token for the one that is worked on

	mu      sync.Mutex // guards what follows
	floor   *floor.Floor
	down    map[string]time.Time // device -> since when it stands still or is offline
	changed chan struct{}        // holds a token if the floor has changed since the last forecast

	latest sync.Mutex // guards what follows
	list   []*tandemv1.JobForecast
	byJob  map[string]*tandemv1.Forecast
	rev    uint64
	next   chan struct{} // closed and replaced with each forecast
	known  bool          // there is one
}

const (
	mostQuestions = 8
	// leastPlays are made however long they take: fewer say nothing of one case in ten.
	leastPlays = 30
	// gather is how long changes are gathered before a forecast is made.
	gather = 100 * time.Millisecond
	// startAgain is how long a forecaster that has failed waits before it begins anew.
	startAgain = 10 * time.Second
	// questionBudget bounds the computing time of a question, both plays together.
	questionBudget = 800 * time.Millisecond
	questionPlays  = 100
	// longestPlay ends a forecast one of whose plays takes longer: something is wrong, and the daemon has other work.
	longestPlay = 20 * time.Second
)

var errTooLong = fmt.Errorf("a play takes more than %v", longestPlay)

// New returns a forecaster. Run makes it work.
func New(e Engine, opt Options) *Forecaster {
	opt.Every, opt.Slow = cmp.Or(opt.Every, 3*time.Second), cmp.Or(opt.Slow, time.Minute)
	opt.Duty, opt.Budget = cmp.Or(opt.Duty, 0.25), cmp.Or(opt.Budget, 500*time.Millisecond)
	if opt.Log == nil {
		opt.Log = zap.NewNop()
	}
	return &Forecaster{
		engine: e, opt: opt, questions: make(chan struct{}, mostQuestions), asking: make(chan struct{}, 1),
		changed: make(chan struct{}, 1), next: make(chan struct{}), byJob: map[string]*tandemv1.Forecast{},
	}
}

// Run follows the engine and makes forecasts until ctx ends.
func (f *Forecaster) Run(ctx context.Context) {
	var both sync.WaitGroup
	both.Go(func() {
		for ctx.Err() == nil {
			err := f.follow(ctx)
			if ctx.Err() != nil || errors.Is(err, engine.ErrStopped) {
				return
			}
			f.opt.Log.Warn("forecasts begin anew from the present state", zap.Error(err))
			rest(ctx, startAgain)
		}
	})
	both.Go(func() { f.work(ctx) })
	both.Wait()
}

// follow copies the floor and applies every record to the copy.
func (f *Forecaster) follow(ctx context.Context) (err error) {
	defer recovered("follow the ledger", &err)
	var revision uint64
	err = f.engine.View(ctx, func(st engine.State) {
		copied := st.Floor.Clone()
		f.mu.Lock()
		f.floor, f.down, revision = copied, map[string]time.Time{}, st.Head.Revision
		f.mu.Unlock()
	})
	if err != nil {
		return err
	}
	f.touch()
	return f.engine.Watch(ctx, revision, func(rec *ledgerv1.Record) error {
		own := proto.CloneOf(rec) // the engine's floor keeps parts of it
		f.mu.Lock()
		defer f.mu.Unlock()
		f.floor.ApplyRecord(own)
		for _, e := range own.GetEvents() {
			f.noteDown(e, own.GetCommitTime().AsTime())
		}
		f.touch()
		return nil
	}, nil)
}

// noteDown keeps since when devices stand still.
func (f *Forecaster) noteDown(e *ledgerv1.Event, at time.Time) {
	c := e.GetDeviceChanged()
	if c == nil {
		return
	}
	if c.GetState() != tandemv1.DeviceState_DEVICE_STATE_STOPPED && c.GetLink() == tandemv1.Link_LINK_ONLINE {
		delete(f.down, c.GetDevice())
	} else if f.down[c.GetDevice()].IsZero() {
		f.down[c.GetDevice()] = at
	}
}

func (f *Forecaster) touch() {
	select {
	case f.changed <- struct{}{}:
	default:
	}
}

// work makes a forecast when something has changed, or when time has passed with work open.
func (f *Forecaster) work(ctx context.Context) {
	for {
		var slow <-chan time.Time
		var timer *time.Timer
		if f.open() {
			timer = time.NewTimer(f.opt.Slow)
			slow = timer.C
		}
		select {
		case <-ctx.Done():
		case <-f.changed:
		case <-slow:
		}
		if timer != nil {
			timer.Stop()
		}
		if rest(ctx, gather); ctx.Err() != nil {
			return
		}
		select {
		case <-f.changed:
		default:
		}
		began := time.Now()
		if err := f.make(ctx); err != nil && ctx.Err() == nil {
			f.opt.Log.Error("no forecast; the last one stands", zap.Error(err))
		}
		took := time.Since(began)
		rest(ctx, max(f.opt.Every, took))
	}
}

// open says whether the last forecast was of any job.
func (f *Forecaster) open() bool {
	f.latest.Lock()
	defer f.latest.Unlock()
	return len(f.list) > 0
}

// rest waits, or until ctx ends.
func rest(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// input copies the present out of what is followed; nil: nothing is followed yet.
func (f *Forecaster) input() (in forecast.Input, opt forecast.Options, revision uint64, ok bool) {
	f.mu.Lock()
	defer f.mu.Unlock()
	if f.floor == nil {
		return in, opt, 0, false
	}
	now := f.opt.Now()
	if now.Before(f.floor.CommitTime) {
		now = f.floor.CommitTime
	}
	down := maps.Clone(f.down)
	opt = forecast.Options{
		Rule: f.opt.Rule, Seed: 1, Reaction: f.opt.Reaction, DownSince: func(device string) time.Time { return down[device] },
	}
	in = forecast.Input{Floor: f.floor.CloneOpen(), Now: now, Known: f.floor.Durations().Clone(), Past: forecast.Read(f.floor, now)}
	return in, opt, f.floor.Revision, true
}

// make makes one forecast, pausing between plays so that it takes no more than its share.
func (f *Forecaster) make(ctx context.Context) (err error) {
	defer recovered("make a forecast", &err)
	in, opt, revision, ok := f.input()
	if !ok {
		return nil
	}
	var spent time.Duration
	last := time.Now()
	opt.Stop = func() error {
		if time.Since(last) > longestPlay {
			return errTooLong
		}
		return ctx.Err()
	}
	opt.Enough = func(plays int) bool {
		play := time.Since(last)
		if spent += play; plays >= leastPlays && spent >= f.opt.Budget {
			return true
		}
		rest(ctx, time.Duration(float64(play)*(1/f.opt.Duty-1)))
		last = time.Now()
		return false
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
	f.list, f.byJob, f.rev, f.known = list, byJob, revision, true
	close(f.next)
	f.next = make(chan struct{})
	return nil
}

// recovered makes a panic an error: a bug here is no reason to stop a shop.
func recovered(what string, err *error) {
	if p := recover(); p != nil {
		*err = fmt.Errorf("%s: panic: %v", what, p)
	}
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
