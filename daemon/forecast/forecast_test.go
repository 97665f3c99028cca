package forecast_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/forecast"
	"tandem/daemon/ledger"
	"tandem/daemon/mirror"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// shop is an engine with a forecaster.
type shop struct {
	t       testing.TB
	engine  *engine.Engine
	dates   *forecast.Forecaster
	ctx     context.Context // of what runs
	running sync.WaitGroup
	stop    func() // ends it and waits
}

func file() *tandemv1.FloorFile {
	machine := func(id, operation string) *tandemv1.Device {
		return &tandemv1.Device{Id: id, Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{
			Operation: operation, PerPiece: durationpb.New(time.Minute),
		}}}
	}
	return &tandemv1.FloorFile{Devices: []*tandemv1.Device{machine("cutter", "cut"), machine("printer", "print")}}
}

func newShop(t testing.TB, opt forecast.Options) *shop { return newShopAt(t, time.Now, opt) }

// newShopAt is newShop with a clock.
func newShopAt(t testing.TB, now func() time.Time, opt forecast.Options) *shop {
	s := bareShop(t)
	s.forecast(now, opt)
	return s
}

// bareShop runs an engine for which nobody makes forecasts.
func bareShop(t testing.TB) *shop {
	e, err := engine.Open(t.Context(), engine.Options{
		Ledger: ledger.NewMemory(), Clock: clock.Wall(), File: file(), Period: time.Minute,
		Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	s := &shop{t: t, engine: e}
	var cancel context.CancelFunc
	s.ctx, cancel = context.WithCancel(context.Background())
	s.stop = func() { cancel(); s.running.Wait() }
	t.Cleanup(s.stop)
	s.running.Go(func() { _ = e.Run(s.ctx) })
	for _, id := range []string{"cutter", "printer"} {
		if _, err := e.Hello(t.Context(), id, &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

// forecast begins to make forecasts.
func (s *shop) forecast(now func() time.Time, opt forecast.Options) {
	copied := mirror.New(s.engine, now, nil)
	s.dates = forecast.New(copied, opt)
	s.running.Go(func() { copied.Run(s.ctx) })
	s.running.Go(func() { s.dates.Run(s.ctx) })
}

func (s *shop) do(c floor.Command) {
	s.t.Helper()
	if _, err := s.engine.Do(s.t.Context(), floor.Meta{Actor: "mira"}, c); err != nil {
		s.t.Fatal(err)
	}
}

func job(id string, pieces int32, due time.Duration) *tandemv1.Job {
	j := &tandemv1.Job{Id: id, Pieces: pieces, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}, {Id: "cut", Operation: "cut", After: []string{"print"}}}}
	if due > 0 {
		j.DueTime = timestamppb.New(time.Now().Add(due))
	}
	return j
}

// watch returns what a watcher hears.
func (s *shop) watch(id string) <-chan []*tandemv1.JobForecast {
	ctx, cancel := context.WithCancel(context.Background())
	heard, ended := make(chan []*tandemv1.JobForecast), make(chan struct{})
	go func() {
		defer close(ended)
		_ = s.dates.Watch(ctx, id, func(list []*tandemv1.JobForecast, _ uint64) error {
			select {
			case heard <- list:
			case <-ctx.Done():
			}
			return nil
		})
	}()
	s.t.Cleanup(func() { cancel(); <-ended })
	return heard
}

// until returns the first message in which a job is as wanted.
func (s *shop) until(heard <-chan []*tandemv1.JobForecast, id string, ok func(*tandemv1.Forecast) bool) *tandemv1.Forecast {
	s.t.Helper()
	deadline := time.After(20 * time.Second)
	for {
		select {
		case list := <-heard:
			for _, j := range list {
				if j.GetJob() == id && ok(j.GetForecast()) {
					return j.GetForecast()
				}
			}
		case <-deadline:
			s.t.Fatalf("%s: nothing of the kind was heard", id)
		}
	}
}

var quick = forecast.Options{Every: 10 * time.Millisecond, Slow: time.Hour, Duty: 1}

func TestDatesFollowTheFloor(t *testing.T) {
	s := newShop(t, quick)
	heard := s.watch("")
	s.do(floor.CreateJob{Job: job("a", 60, 4*time.Hour)})
	a := s.until(heard, "a", func(f *tandemv1.Forecast) bool { return f.GetP90Time() != nil })
	// An hour of printing and one of cutting at the figures that nobody has confirmed yet.
	if left := time.Until(a.GetP50Time().AsTime()); left < 90*time.Minute || left > 3*time.Hour {
		t.Errorf("done in %v, want about two hours", left)
	}
	if !a.GetP90Time().AsTime().After(a.GetP50Time().AsTime()) || a.GetSlack() == nil || a.GetRevision() == 0 || a.GetSamples() < 30 {
		t.Errorf("forecast %v", a)
	}
	if got := s.dates.Of("a"); !proto.Equal(got, a) {
		t.Errorf("of the job it is %v, heard was %v", got, a)
	}
	// Another job before it in the queue at the cutter makes no date earlier; held it has none.
	s.do(floor.HoldJob{Job: "a", Note: "proof"})
	if held := s.until(heard, "a", func(f *tandemv1.Forecast) bool { return f.GetStuck() != "" }); held.GetP90Time() != nil || held.GetStuck() != "it is held: proof" {
		t.Errorf("held it is %v", held)
	}
	s.do(floor.ReleaseJob{Job: "a"})
	s.until(heard, "a", func(f *tandemv1.Forecast) bool { return f.GetStuck() == "" && f.GetP90Time() != nil })
	s.do(floor.PauseDevice{Device: "printer"})
	s.until(heard, "a", func(f *tandemv1.Forecast) bool {
		return f.GetP90Time() == nil && f.GetStuck() == "print waits for a device: printer is paused, and nobody has said when it is back"
	})
	s.do(floor.CancelJob{Job: "a"})
	s.until(heard, "a", func(f *tandemv1.Forecast) bool { return f == nil })
	if s.dates.Of("a") != nil {
		t.Error("a job that has ended has a forecast")
	}
}

// A watcher of one job hears of that one, and one that does not listen hears the latest afterwards.
func TestASlowWatcherHearsTheLatest(t *testing.T) {
	s := newShop(t, quick)
	s.do(floor.CreateJob{Job: job("a", 10, 0)})
	s.do(floor.CreateJob{Job: job("b", 10, 0)})
	fast, slow := s.watch(""), s.watch("b")
	s.until(fast, "b", func(f *tandemv1.Forecast) bool { return f.GetStuck() == "" })
	for n := range 5 {
		note := fmt.Sprintf("note %d", n)
		s.do(floor.HoldJob{Job: "b", Note: note})
		s.until(fast, "b", func(f *tandemv1.Forecast) bool { return f.GetStuck() == "it is held: "+note })
		s.do(floor.ReleaseJob{Job: "b"})
		s.until(fast, "b", func(f *tandemv1.Forecast) bool { return f.GetStuck() == "" })
	}
	s.do(floor.HoldJob{Job: "b", Note: "last"})
	s.until(fast, "b", func(f *tandemv1.Forecast) bool { return f.GetStuck() == "it is held: last" })
	messages := 0
	for done := false; !done; {
		select {
		case list := <-slow:
			messages++
			for _, j := range list {
				if j.GetJob() != "b" {
					t.Errorf("heard of %s", j.GetJob())
				}
				done = j.GetForecast().GetStuck() == "it is held: last"
			}
		case <-time.After(20 * time.Second):
			t.Fatal("the slow one hears nothing")
		}
	}
	if messages > 3 {
		t.Errorf("the slow one heard %d messages, want the first and the latest", messages)
	}
}

// Nothing is worked out while nothing happens and no work is open; open work is looked at again after a while.
func TestIdle(t *testing.T) {
	var looks atomic.Int64
	opt := quick
	opt.Slow = 50 * time.Millisecond
	s := newShopAt(t, func() time.Time { looks.Add(1); return time.Now() }, opt)
	if list, _, err := s.dates.List(t.Context()); err != nil || len(list) != 0 {
		t.Fatalf("%v, %v", list, err)
	}
	before := looks.Load()
	time.Sleep(300 * time.Millisecond) // nothing happens: there is no condition to wait for
	if n := looks.Load() - before; n > 1 {
		t.Errorf("worked out %d times with nothing to do", n)
	}
	s.do(floor.CreateJob{Job: job("a", 10, 0)})
	deadline := time.After(20 * time.Second)
	for before = looks.Load(); looks.Load() < before+4; {
		select {
		case <-deadline:
			t.Fatal("open work is not looked at again")
		case <-time.After(10 * time.Millisecond):
		}
	}
}

func TestWhatARushWouldDo(t *testing.T) {
	s := newShop(t, quick)
	for n := range 4 {
		s.do(floor.CreateJob{Job: job(fmt.Sprintf("job-%d", n), 60, 8*time.Hour)})
	}
	rush := job("rush", 90, 3*time.Hour)
	rush.Priority = 100
	got, err := s.dates.With(t.Context(), rush)
	if err != nil {
		t.Fatal(err)
	}
	if got.GetP90Time() == nil || len(got.GetDelays()) == 0 {
		t.Fatalf("a rush would do nothing: %v", got)
	}
	for i, d := range got.GetDelays() {
		if d.GetDelay().AsDuration() < time.Minute || d.GetJob() == "rush" || !d.GetAfterTime().AsTime().After(d.GetBeforeTime().AsTime()) {
			t.Errorf("delay %v", d)
		}
		if i > 0 && d.GetDelay().AsDuration() > got.GetDelays()[i-1].GetDelay().AsDuration() {
			t.Errorf("%s comes after one that is delayed less", d.GetJob())
		}
	}
	// What is least urgent delays nobody.
	idle := job("idle", 5, 300*time.Hour)
	idle.Priority = 1
	if got, err = s.dates.With(t.Context(), idle); err != nil || len(got.GetDelays()) > 1 {
		t.Errorf("a job that has time: %v, %v", got, err)
	}
	var refused *floor.Error
	if _, err := s.dates.With(t.Context(), job("job-1", 5, 0)); !errors.As(err, &refused) {
		t.Errorf("a job that is there already: %v", err)
	}
	if err := s.engine.View(t.Context(), func(st engine.State) {
		if _, ok := st.Floor.Job("rush"); ok {
			t.Error("the question has changed the floor")
		}
	}); err != nil {
		t.Fatal(err)
	}
}

func TestTooManyQuestions(t *testing.T) {
	s := newShop(t, quick)
	for n := range 6 {
		s.do(floor.CreateJob{Job: job(fmt.Sprintf("job-%d", n), 60, 8*time.Hour)})
	}
	const asked = 30
	answers := make(chan error, asked)
	for n := range asked {
		go func() {
			_, err := s.dates.With(t.Context(), job(fmt.Sprintf("x-%d", n), 5, time.Hour))
			answers <- err
		}()
	}
	busy, good := 0, 0
	for range asked {
		switch err := <-answers; {
		case err == nil:
			good++
		case errors.Is(err, forecast.ErrBusy):
			busy++
		default:
			t.Error(err)
		}
	}
	if good < 8 || busy == 0 {
		t.Errorf("%d answered and %d turned away of %d", good, busy, asked)
	}
}

// Whoever waits for the first forecast is told at once that it has failed, and has one as soon as it can be made, although nothing has
// happened on the floor meanwhile.
func TestFirstForecastFails(t *testing.T) {
	var broken atomic.Bool
	broken.Store(true)
	s := newShopAt(t, func() time.Time {
		if broken.Load() {
			panic("the clock is broken")
		}
		return time.Now()
	}, forecast.Options{Every: 10 * time.Millisecond, Slow: 50 * time.Millisecond, Duty: 1})
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	if _, _, err := s.dates.List(ctx); err == nil || !strings.Contains(err.Error(), "the clock is broken") {
		t.Errorf("a forecast that fails: %v", err)
	}
	if _, err := s.dates.With(ctx, job("asked", 10, 0)); err == nil || !strings.Contains(err.Error(), "the clock is broken") {
		t.Errorf("a question without a forecast: %v", err)
	}
	broken.Store(false)
	var err error
	for range 200 {
		if _, _, err = s.dates.List(ctx); err == nil {
			return
		}
		time.Sleep(50 * time.Millisecond)
	}
	t.Errorf("after it could be made: %v", err)
}
