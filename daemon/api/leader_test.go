package api_test

import (
	"net"
	"strings"
	"sync/atomic"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"tandem/daemon/api"
	tandemv1 "tandem/proto/tandem/v1"
)

// serveOn serves until the end of the test, and returns a connection.
func serveOn(t *testing.T, g *grpc.Server) *grpc.ClientConn {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	go func() { _ = g.Serve(l) }()
	t.Cleanup(g.Stop)
	conn, err := grpc.NewClient(l.Addr().String(), grpc.WithTransportCredentials(insecure.NewCredentials()))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = conn.Close() })
	return conn
}

// unavailable returns the ErrorInfo of an error that must be UNAVAILABLE.
func unavailable(t *testing.T, err error) *errdetails.ErrorInfo {
	t.Helper()
	if status.Code(err) != codes.Unavailable {
		t.Fatalf("got %v, want UNAVAILABLE", err)
	}
	for _, d := range status.Convert(err).Details() {
		if info, ok := d.(*errdetails.ErrorInfo); ok {
			return info
		}
	}
	t.Fatalf("%v has no ErrorInfo", err)
	return nil
}

// A daemon that does not lead says who does, whatever it is asked, and is in bad health.
func TestStandby(t *testing.T) {
	leader := &api.NotLeaderError{Name: "floor-2", Address: "floor-2:7431"}
	conn := serveOn(t, api.NewStandby(func() *api.NotLeaderError { return leader }))
	check := func(err error) {
		t.Helper()
		if info := unavailable(t, err); info.GetReason() != "NOT_LEADER" || info.GetDomain() != "tandem" || info.GetMetadata()["leader"] != "floor-2" || info.GetMetadata()["address"] != "floor-2:7431" {
			t.Errorf("the error says %v", info)
		}
	}
	_, err := tandemv1.NewJobServiceClient(conn).CreateJob(t.Context(), &tandemv1.CreateJobRequest{})
	check(err)
	_, err = tandemv1.NewPlanServiceClient(conn).GetPlan(t.Context(), &tandemv1.GetPlanRequest{})
	check(err)
	stream, err := tandemv1.NewEventServiceClient(conn).WatchEvents(t.Context(), &tandemv1.WatchEventsRequest{})
	if err == nil {
		_, err = stream.Recv()
	}
	check(err)
	for _, name := range []string{"", "tandem.v1.JobService", "tandem.v1.PlanService"} {
		r, err := healthpb.NewHealthClient(conn).Check(t.Context(), &healthpb.HealthCheckRequest{Service: name})
		if err != nil || r.GetStatus() != healthpb.HealthCheckResponse_NOT_SERVING {
			t.Errorf("health of %q is %v, %v", name, r, err)
		}
	}
	leader = &api.NotLeaderError{}
	_, err = tandemv1.NewJobServiceClient(conn).GetJob(t.Context(), &tandemv1.GetJobRequest{})
	if info := unavailable(t, err); info.GetReason() != "NOT_LEADER" || info.GetMetadata()["leader"] != "" {
		t.Errorf("with nobody leading the error says %v", info)
	}
	leader = &api.NotLeaderError{Why: "no server answers: start two"}
	_, err = tandemv1.NewJobServiceClient(conn).GetJob(t.Context(), &tandemv1.GetJobRequest{})
	if info := unavailable(t, err); info.GetReason() != "NOT_LEADER" || !strings.Contains(err.Error(), "no server answers: start two") {
		t.Errorf("where it cannot lead it says %v", err)
	}
}

// A daemon that ceases to lead neither begins with a request nor answers one that it has begun with.
func TestCeasesToLead(t *testing.T) {
	var asked, leadsFor atomic.Int32
	g, s := api.New(nil, api.Options{Leads: func() error {
		if asked.Add(1) <= leadsFor.Load() {
			return nil
		}
		return &api.NotLeaderError{Name: "floor-2", Address: "floor-2:7431"}
	}, Plan: func() (*tandemv1.Plan, error) { return &tandemv1.Plan{}, nil }})
	s.SetServing(true)
	plans := tandemv1.NewPlanServiceClient(serveOn(t, g))
	for _, c := range []struct {
		leads  int32 // how many times it is asked before it does not lead
		reason string
	}{{0, "NOT_LEADER"}, {1, "LEAD_LOST"}} {
		asked.Store(0)
		leadsFor.Store(c.leads)
		_, err := plans.GetPlan(t.Context(), &tandemv1.GetPlanRequest{})
		if info := unavailable(t, err); info.GetReason() != c.reason {
			t.Errorf("leading for %d questions: %v, want %s", c.leads, info, c.reason)
		}
	}
	asked.Store(0)
	leadsFor.Store(2)
	if _, err := plans.GetPlan(t.Context(), &tandemv1.GetPlanRequest{}); err != nil {
		t.Errorf("a daemon that leads answers with %v", err)
	}
}
