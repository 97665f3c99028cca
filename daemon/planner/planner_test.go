package planner_test

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/daemon/mirror"
	"tandem/daemon/planner"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
)

var shop = &tandemv1.FloorFile{Devices: []*tandemv1.Device{{
	Id: "printer", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, LoadedMedia: "vinyl", Abilities: []*tandemv1.Ability{{
		Operation: "print", PerPiece: durationpb.New(time.Minute), MediaChangeover: durationpb.New(20 * time.Minute),
		UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "mira", AllowTime: timestamppb.New(time.Date(2000, 1, 1, 0, 0, 0, 0, time.UTC))},
	}},
}}, Media: []*tandemv1.Media{{Id: "vinyl"}, {Id: "paper"}}}

// The planner finds a plan of what waits, the dispatcher follows it and says so, and with nothing to do the planner rests.
func TestPlansAreFollowed(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		choose := dispatch.New(dispatch.EarliestCompletion)
		e, err := engine.Open(t.Context(), engine.Options{
			Ledger: ledger.NewMemory(), Clock: clock.Wall(), Dispatcher: choose, File: shop, Period: time.Hour, Log: zaptest.NewLogger(t),
			Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
		})
		if err != nil {
			t.Fatal(err)
		}
		copied := mirror.New(e, time.Now, zaptest.NewLogger(t))
		p := planner.New(e, copied, choose, zaptest.NewLogger(t))
		ctx, cancel := context.WithCancel(t.Context())
		ended := make(chan error)
		go func() { ended <- e.Run(ctx) }()
		planning, stop := context.WithCancel(ctx)
		var background sync.WaitGroup
		background.Go(func() { copied.Run(planning) })
		background.Go(func() { p.Run(planning) })
		do := func(c floor.Command) {
			t.Helper()
			if _, err := e.Do(t.Context(), floor.Meta{}, c); err != nil {
				t.Fatal(err)
			}
		}
		job := func(id, media string, pieces int32, due time.Duration) {
			j := &tandemv1.Job{Id: id, Pieces: pieces, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Media: media}}}
			j.DueTime = timestamppb.New(time.Now().Add(due))
			do(floor.CreateJob{Job: j})
		}
		status := &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE}
		if _, err := e.Hello(t.Context(), "printer", status); err != nil {
			t.Fatal(err)
		}
		// After the first, the rule would do the short one, which is more urgent for its size, and make the long one 10 minutes late;
		// the other way round the short one is 5 minutes late.
		job("first", "vinyl", 30, time.Hour)
		job("short", "vinyl", 10, 95*time.Minute)
		job("long", "vinyl", 60, 90*time.Minute)
		time.Sleep(3 * time.Second)
		synctest.Wait()
		plan, err := p.Plan()
		if err != nil || len(plan.GetRuns()) != 3 || !plan.GetRuns()[0].GetFixed() || plan.GetRuns()[0].GetJob() != "first" || plan.GetEvaluations() == 0 {
			t.Fatalf("plan %v, %v", plan, err)
		}
		if got, rule := plan.GetCost().GetWeightedTardiness().AsDuration(), plan.GetRuleCost().GetWeightedTardiness().AsDuration(); got > 6*time.Minute || rule < 9*time.Minute {
			t.Errorf("%v late, %v by the rule alone; want about 5 and 10 minutes", got, rule)
		}
		advice, changed := p.Following()
		if device, place, ok := advice.Of("long", "print"); device != "printer" || place != 0 || !ok {
			t.Errorf("it says that it follows %+v", advice)
		}
		select {
		case <-changed:
			t.Error("it says that it follows something else by now")
		default:
		}
		var run *floor.Run
		if err := e.View(t.Context(), func(st engine.State) { run = st.Floor.Devices[0].Live[0] }); err != nil {
			t.Fatal(err)
		}
		rs := &driverv1.RunStatus{Run: run.ID, Fence: run.Fence, State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 30, StartTime: timestamppb.New(time.Now()), EndTime: timestamppb.New(time.Now())}
		status = &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Runs: []*driverv1.RunStatus{rs}}
		if err := e.Status(t.Context(), "printer", status); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		if err := e.View(t.Context(), func(st engine.State) {
			live := st.Floor.Devices[0].Live
			if len(live) != 1 || live[0].Step.Job.ID != "long" || !strings.HasPrefix(live[0].Why.GetRule(), "planned: next on printer") {
				t.Errorf("after the first: %d runs, %s by %q", len(live), live[0].Step.Job.ID, live[0].Why.GetRule())
			}
		}); err != nil {
			t.Fatal(err)
		}
		stop()
		background.Wait()
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
}

// A search that fails is told at once, in place of a plan that nobody follows any more, until another one succeeds.
func TestFailedSearchIsTold(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		choose := dispatch.New(dispatch.EarliestCompletion)
		e, err := engine.Open(t.Context(), engine.Options{
			Ledger: ledger.NewMemory(), Clock: clock.Wall(), Dispatcher: choose, File: shop, Period: time.Hour,
			Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
		})
		if err != nil {
			t.Fatal(err)
		}
		var broken atomic.Bool
		copied := mirror.New(e, func() time.Time {
			if broken.Load() {
				panic("the clock is broken")
			}
			return time.Now()
		}, nil)
		p := planner.New(e, copied, choose, zap.NewNop())
		ctx, cancel := context.WithCancel(t.Context())
		var running sync.WaitGroup
		running.Go(func() { _ = e.Run(ctx) })
		running.Go(func() { copied.Run(ctx) })
		running.Go(func() { p.Run(ctx) })
		for i, breaks := range []bool{true, false, true, false} {
			broken.Store(breaks)
			j := &tandemv1.Job{Id: fmt.Sprint("job-", i), Pieces: 30, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Media: "vinyl"}}}
			if _, err := e.Do(ctx, floor.Meta{}, floor.CreateJob{Job: j}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(3 * time.Second)
			synctest.Wait()
			plan, err := p.Plan()
			if (err != nil) != breaks || (plan == nil) != breaks || (breaks && !strings.Contains(err.Error(), "the clock is broken")) {
				t.Errorf("search %d, broken %t: plan %v, %v", i, breaks, plan, err)
			}
		}
		cancel()
		running.Wait()
	})
}
