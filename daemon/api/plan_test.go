package api_test

import (
	"errors"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

func TestGetPlan(t *testing.T) {
	d := newDaemon(t)
	plans := tandemv1.NewPlanServiceClient(d.conn)
	first, err := plans.GetPlan(d.ctx(), &tandemv1.GetPlanRequest{})
	if err != nil || first.GetRevision() != d.revision() || len(first.GetLeftOut()) != 1 || first.GetCost() != nil {
		t.Errorf("before there is a plan: %v, %v", first, err)
	}
	d.noPlan = errors.New("no plan could be made")
	if _, err := plans.GetPlan(d.ctx(), &tandemv1.GetPlanRequest{}); status.Code(err) != codes.Internal || !strings.Contains(err.Error(), "no plan could be made") {
		t.Errorf("when there is none: %v", err)
	}
	d.noPlan = nil
	d.plan = &tandemv1.Plan{Revision: 7, Runs: []*tandemv1.PlannedRun{{Device: "cutter-1", Job: "a", Step: "cut"}}}
	if got, err := plans.GetPlan(d.ctx(), &tandemv1.GetPlanRequest{}); err != nil || !proto.Equal(got, d.plan) {
		t.Errorf("%v, %v, want %v", got, err, d.plan)
	}
	d.create("a")
	d.plan.Runs[0].StartTime = timestamppb.New(time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC))
	for _, tt := range []struct{ zone, want string }{{"", d.plan.GetRuns()[0].GetStartTime().AsTime().Local().Format("Mon 2006-01-02 15:04 MST")}, {"Europe/Athens", "Mon 2026-03-02 11:00 EET"}} {
		file := proto.CloneOf(shopFile)
		file.TimeZone = tt.zone
		if _, err := d.engine.Do(d.ctx(), floor.Meta{Actor: "mira"}, floor.Configure{File: file}); err != nil {
			t.Fatal(err)
		}
		for _, id := range []string{"a", d.job("a").GetCode()} {
			why, err := d.jobs.ExplainStep(d.ctx(), &tandemv1.ExplainStepRequest{Id: id, Step: "cut"})
			if err != nil || !strings.HasSuffix(why.GetSummary(), "; planned on cutter-1 at "+tt.want) {
				t.Errorf("%s: %q, %v, want %s", id, why.GetSummary(), err, tt.want)
			}
		}
	}
}
