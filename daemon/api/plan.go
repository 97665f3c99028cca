package api

import (
	"context"

	"google.golang.org/grpc/codes"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	tandemv1 "tandem/proto/tandem/v1"
)

// GetPlan implements PlanService.
func (s *Server) GetPlan(ctx context.Context, _ *tandemv1.GetPlanRequest) (*tandemv1.Plan, error) {
	if s.opt.Plan == nil {
		return nil, withInfo(codes.FailedPrecondition, "NO_PLANS", "this daemon searches for no plans (plan_search is off): the rule decides; tandem why tells each decision", nil)
	}
	if p, err := s.opt.Plan(); p != nil || err != nil {
		return p, err
	}
	out := &tandemv1.Plan{LeftOut: []string{"everything: the first plan is being worked out"}}
	err := s.engine.View(ctx, func(st engine.State) { out.Revision, out.Now = st.Floor.Revision, timestamppb.New(st.Now) })
	return out, err
}
