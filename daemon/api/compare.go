package api

import (
	"context"
	"fmt"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/protobuf/proto"

	"tandem/daemon/config"
	"tandem/daemon/engine"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/learn"
	"tandem/scheduler/simulate/compare"
)

// progressEvery is how often a caller hears at most how far its comparison is.
const progressEvery = 200 * time.Millisecond

// CompareFloors implements PlanService. It runs outside the engine's loop and changes nothing; comparisons of several callers
// wait for one another, so that they never take more than one core from the daemon.
func (s *Server) CompareFloors(req *tandemv1.CompareFloorsRequest, out grpc.ServerStreamingServer[tandemv1.CompareFloorsResponse]) error {
	ctx := out.Context()
	c, err := s.comparison(ctx, req)
	if err != nil {
		return err
	}
	send := func(last *tandemv1.Comparison) error {
		done, total := c.Progress()
		return out.Send(&tandemv1.CompareFloorsResponse{Done: int32(done), Total: int32(total), Comparison: last})
	}
	if err := send(nil); err != nil {
		return err
	}
	select {
	case s.comparing <- struct{}{}:
		defer func() { <-s.comparing }()
	case <-ctx.Done():
		return ctx.Err()
	}
	told, done := time.Now(), 0
	for {
		more, err := c.Next(ctx.Err)
		if err != nil {
			return err
		}
		if !more {
			return send(c.Outcome())
		}
		if now, _ := c.Progress(); now > done && time.Since(told) >= progressEvery {
			told, done = time.Now(), now
			if err := send(nil); err != nil {
				return err
			}
		}
	}
}

// comparison checks a request. Floors that are not given are the one in force, and what has been learned of devices is what
// is known of them.
func (s *Server) comparison(ctx context.Context, req *tandemv1.CompareFloorsRequest) (*compare.Comparison, error) {
	if n := len(req.GetFloors()); n > compare.MostFloors {
		return nil, badField("floors", "are %d: give 1 to %d, the one that there is first", n, compare.MostFloors)
	}
	for i, v := range req.GetFloors() {
		if err := plain(fmt.Sprintf("floors[%d].name", i), v.GetName(), mostActor); err != nil {
			return nil, err
		}
	}
	var here *tandemv1.FloorFile
	var learned learn.State
	var now time.Time
	err := s.engine.View(ctx, func(st engine.State) {
		here, learned, now = st.Floor.File(), st.Floor.Durations().State(), st.Now
	})
	if err != nil {
		return nil, err
	}
	known, err := learn.Restore(learned, nil)
	if err != nil {
		return nil, fmt.Errorf("take what was learned of devices: %w", err)
	}
	req = proto.CloneOf(req)
	for i, v := range req.GetFloors() {
		if v.GetFloor() == nil {
			v.Floor = here
			continue
		}
		if v.Floor, err = s.checkedFloor(fmt.Sprintf("floors[%d].floor", i), v.GetFloor()); err != nil {
			return nil, err
		}
	}
	return compare.New(req, now, known)
}

// checkedFloor returns a floor file as the daemon would run it.
func (s *Server) checkedFloor(field string, f *tandemv1.FloorFile) (*tandemv1.FloorFile, error) {
	problems := config.CheckFloor(f, s.opt.Kinds)
	if len(problems) == 0 {
		return config.Normalise(f, s.opt.Kinds), nil
	}
	e := &floor.Error{Kind: floor.Invalid, Reason: "INVALID_FLOOR", Message: fmt.Sprintf("the floor file in %s is not right", field)}
	for _, p := range problems {
		e.Violations = append(e.Violations, floor.Violation{Field: field + "." + p.Field, Problem: p.Problem})
	}
	return nil, e
}
