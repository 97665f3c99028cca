package api_test

import (
	"testing"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

func TestGetPlan(t *testing.T) {
	d := newDaemon(t)
	plans := tandemv1.NewPlanServiceClient(d.conn)
	first, err := plans.GetPlan(d.ctx(), &tandemv1.GetPlanRequest{})
	if err != nil || first.GetRevision() != d.revision() || len(first.GetLeftOut()) != 1 {
		t.Errorf("before there is a plan: %v, %v", first, err)
	}
	d.plan = &tandemv1.Plan{Revision: 7, Runs: []*tandemv1.PlannedRun{{Device: "cutter-1", Job: "a", Step: "cut"}}}
	if got, err := plans.GetPlan(d.ctx(), &tandemv1.GetPlanRequest{}); err != nil || !proto.Equal(got, d.plan) {
		t.Errorf("%v, %v, want %v", got, err, d.plan)
	}
}
