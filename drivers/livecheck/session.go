package livecheck

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// firstFence lies above 1, so that there are fences that are too old.
	firstFence = 1000
	// firstTerm lies above 1, so that there are terms that are over.
	firstTerm = 7
	// promptly is how long a driver may take to report what has changed.
	promptly = 5 * time.Second
	// watched is how long a run is looked at that must not begin.
	watched = 2 * time.Second
)

// session is what one check after another works with.
type session struct {
	*peer
	opt   Options
	fence uint64
	runs  []*driverv1.Grant // given by the present check
}

// grant is a run of its own, without its start.
func (s *session) grant() *driverv1.Grant {
	s.fence++
	operation := s.opt.Operation
	if operation == "" {
		s.mu.Lock()
		if can := s.hellos[len(s.hellos)-1].GetOperations(); len(can) > 0 {
			operation = can[0]
		}
		s.mu.Unlock()
	}
	g := &driverv1.Grant{
		Run: fmt.Sprintf("check-%d", s.fence), Fence: s.fence, Job: "check", Step: "check", Operation: operation, Pieces: s.opt.Pieces,
		PanelCodes: []string{"P0000"}, Documents: s.opt.Documents, ExpectedWork: durationpb.New(s.opt.Work), ModelDuration: durationpb.New(s.opt.Work),
	}
	s.runs = append(s.runs, g)
	return g
}

// start lets a run begin now.
func start(g *driverv1.Grant) *driverv1.Grant {
	g.MayStart, g.StartTime, g.StartBefore = true, timestamppb.Now(), timestamppb.New(time.Now().Add(2*time.Minute))
	return g
}

func (s *session) give(ctx context.Context, g *driverv1.Grant) (*driverv1.Answer, error) {
	return s.order(ctx, &driverv1.Order{Kind: &driverv1.Order_Grant{Grant: g}})
}

func (s *session) stop(ctx context.Context, g *driverv1.Grant) (*driverv1.Answer, error) {
	return s.order(ctx, &driverv1.Order{Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: g.GetRun(), Fence: g.GetFence()}}})
}

// taken gives a run and wants it taken, and in hand soon.
func (s *session) taken(ctx context.Context, g *driverv1.Grant) error {
	a, err := s.give(ctx, g)
	if err != nil {
		return err
	}
	if a.GetRefused() != "" {
		return fmt.Errorf("%s is refused: %s", g.GetRun(), a.GetRefused())
	}
	return s.wait(ctx, promptly, "a status with "+g.GetRun()+" in hand", func() bool {
		r := s.run(g.GetRun())
		return r != nil && r.GetFence() == g.GetFence()
	})
}

// refused wants an order refused, and says whether the refusal must be final.
func refused(a *driverv1.Answer, err error, what string, final bool, epoch uint64) error {
	switch {
	case err != nil:
		return err
	case a.GetRefused() == "":
		return fmt.Errorf("%s is taken, want refused", what)
	case final && a.GetEpoch() != epoch:
		return fmt.Errorf("%s is refused (%s) with epoch %d, want its own epoch %d: that nothing has moved and nothing will", what, a.GetRefused(), a.GetEpoch(), epoch)
	case !final && a.GetEpoch() == epoch:
		return fmt.Errorf("%s is refused (%s) for good, with its epoch: want for now, without", what, a.GetRefused())
	}
	return nil
}

// still wants a run in hand that has not begun, for a while.
func (s *session) still(ctx context.Context, g *driverv1.Grant, since int) error {
	timer := time.NewTimer(watched)
	defer timer.Stop()
	select {
	case <-timer.C:
	case <-ctx.Done():
		return ctx.Err()
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	skipped := s.count - len(s.statuses)
	for _, h := range s.statuses[min(max(since-skipped, 0), len(s.statuses)):] {
		r := find(h.Status, g.GetRun())
		switch {
		case r == nil:
		case begun(r):
			return fmt.Errorf("without its start the run has begun: %v", r)
		case h.GetState() == tandemv1.DeviceState_DEVICE_STATE_PROCESSING && len(h.GetRuns()) == 1:
			return fmt.Errorf("without a start the device is processing: %v", h.Status)
		}
	}
	r := s.run(g.GetRun())
	switch {
	case r == nil:
		return fmt.Errorf("%s is no longer in hand", g.GetRun())
	case r.GetState() != tandemv1.JobState_JOB_STATE_PENDING || !slices.Contains(r.GetStateReasons(), drivers.ReasonAwaitingStart):
		return fmt.Errorf("%s is %v, want pending with %s", g.GetRun(), r, drivers.ReasonAwaitingStart)
	}
	return nil
}

// clear ends what a check has left in hand, so that the next one finds the device free.
func (s *session) clear(ctx context.Context) error {
	defer func() { s.runs = nil }()
	for _, g := range s.runs {
		s.mu.Lock()
		r := s.run(g.GetRun())
		s.mu.Unlock()
		if r == nil {
			continue
		}
		if !ended(r) && !s.opt.Manual {
			if _, err := s.stop(ctx, g); err != nil {
				return err
			}
			if err := s.wait(ctx, s.opt.MoveWithin, "the end of "+g.GetRun()+", which was to be stopped", func() bool {
				r := s.run(g.GetRun())
				return r == nil || ended(r)
			}); err != nil {
				return err
			}
		}
		if err := s.settled(ctx, g); err != nil {
			return err
		}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	err := s.broken
	s.broken = nil
	return err
}

// settled settles a run until it is forgotten.
func (s *session) settled(ctx context.Context, g *driverv1.Grant) error {
	var err error
	for range 3 { // it may get lost
		if err = s.settle(g.GetRun(), g.GetFence()); err != nil {
			return err
		}
		err = s.wait(ctx, promptly, "a status without "+g.GetRun()+", which was settled", func() bool { return s.run(g.GetRun()) == nil })
		if err == nil || errors.Is(err, context.Canceled) {
			return err
		}
	}
	return err
}
