package forecast_test

import (
	"sync"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
)

// followed is a plan that a dispatcher follows, in place of a planner.
type followed struct {
	mu     sync.Mutex
	advice *dispatch.Advice
	next   chan struct{}
}

func (f *followed) plan() (*dispatch.Advice, <-chan struct{}) {
	f.mu.Lock()
	defer f.mu.Unlock()
	return f.advice, f.next
}

func (f *followed) follow(a *dispatch.Advice) {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.advice = a
	close(f.next)
	f.next = make(chan struct{})
}

// Of two jobs of an hour the rule does the one that is due first. A plan that has them the other way round changes their dates at
// once, although nothing has happened on the floor; and so it does for a job that is only asked about, which goes behind what is planned.
func TestDatesFollowThePlan(t *testing.T) {
	plan := &followed{next: make(chan struct{})}
	opt := quick
	opt.Plan = plan.plan
	s := newShop(t, opt)
	s.do(floor.PauseDevice{Device: "printer", Back: time.Now().Add(time.Minute)}) // so that neither is granted before there is a plan
	heard := s.watch("")
	s.do(floor.CreateJob{Job: job("soon", 60, 3*time.Hour)})
	s.do(floor.CreateJob{Job: job("late", 60, 30*time.Hour)})
	median := func(id string) time.Time { return s.dates.Of(id).GetP50Time().AsTime() }
	s.until(heard, "late", func(f *tandemv1.Forecast) bool {
		return f.GetP50Time() != nil && median("soon").Add(30*time.Minute).Before(f.GetP50Time().AsTime())
	})

	advice := dispatch.NewAdvice(1)
	for _, id := range []string{"late", "soon"} {
		advice.Add("printer", id, "print")
	}
	for _, id := range []string{"late", "soon"} {
		advice.Add("cutter", id, "cut")
	}
	plan.follow(advice)
	s.until(heard, "late", func(f *tandemv1.Forecast) bool {
		return f.GetP50Time().AsTime().Add(30 * time.Minute).Before(median("soon"))
	})
	asked, err := s.dates.With(t.Context(), job("asked", 60, 40*time.Hour))
	if err != nil {
		t.Fatal(err)
	}
	if got := asked.GetP50Time().AsTime(); !got.After(median("soon")) {
		t.Errorf("the job asked about is done at %v, before one that the plan has first: %v", got, median("soon"))
	}

	plan.follow(nil)
	s.until(heard, "soon", func(f *tandemv1.Forecast) bool {
		return f.GetP50Time().AsTime().Add(30 * time.Minute).Before(median("late"))
	})
}
