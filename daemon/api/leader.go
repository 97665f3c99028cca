package api

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/status"

	tandemv1 "tandem/proto/tandem/v1"
)

// NotLeaderError is the answer of a daemon that does not lead. Nothing was done: the same request may be sent to the one
// that does, whatever it is.
type NotLeaderError struct {
	Name    string // of the daemon that leads; empty: nobody is known to
	Address string // where clients reach it
	Why     string // where nobody is known to lead: why this daemon cannot; empty: it could
}

// Error says where to ask.
func (e *NotLeaderError) Error() string {
	switch {
	case e.Name == "" && e.Why != "":
		return "this daemon cannot lead, and no other is known to at this moment: " + e.Why
	case e.Name == "":
		return "this daemon does not lead, and no other is known to at this moment: ask again"
	}
	return fmt.Sprintf("this daemon does not lead: ask %s at %s", e.Name, e.Address)
}

// GRPCStatus is UNAVAILABLE with reason NOT_LEADER and metadata leader and address, both empty where nobody is known to lead.
func (e *NotLeaderError) GRPCStatus() *status.Status {
	return status.Convert(withInfo(codes.Unavailable, "NOT_LEADER", e.Error(), map[string]string{"leader": e.Name, "address": e.Address}))
}

// lostLead is the answer to a request that was worked on by a daemon that no longer leads: what it would say may not last.
func lostLead() error {
	return withInfo(codes.Unavailable, "LEAD_LOST", "this daemon has ceased to lead while it worked on the request; ask again with the same request id", nil)
}

// leads says why this daemon may not answer.
func (s *Server) leads() error {
	if s.opt.Leads == nil {
		return nil
	}
	return s.opt.Leads()
}

// services are the names of the API's services, by which their health is asked, and that of all of them together.
func services() []string {
	names := []string{""}
	for _, d := range []grpc.ServiceDesc{
		tandemv1.JobService_ServiceDesc, tandemv1.DeviceService_ServiceDesc, tandemv1.ScanService_ServiceDesc, tandemv1.EventService_ServiceDesc,
		tandemv1.AdminService_ServiceDesc, tandemv1.MaterialService_ServiceDesc, tandemv1.DurationService_ServiceDesc, tandemv1.ForecastService_ServiceDesc,
		tandemv1.PlanService_ServiceDesc, tandemv1.ReportService_ServiceDesc,
	} {
		names = append(names, d.ServiceName)
	}
	return names
}

// NewStandby returns the server of a daemon that does not lead: every service's health is NOT_SERVING, and every request
// is answered with a *NotLeaderError, whose facts leader is asked for.
func NewStandby(leader func() *NotLeaderError, opts ...grpc.ServerOption) *grpc.Server {
	return newStandIn(func() error { return leader().GRPCStatus().Err() }, opts)
}

// newStandIn returns a server that gives every request the same answer, and serves nothing.
func newStandIn(answer func() error, opts []grpc.ServerOption) *grpc.Server {
	g := grpc.NewServer(append(slices.Clone(opts),
		grpc.MaxRecvMsgSize(mostRequestBytes),
		grpc.MaxConcurrentStreams(mostStreams),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: 30 * time.Second, Timeout: 20 * time.Second}),
		grpc.UnknownServiceHandler(func(any, grpc.ServerStream) error { return answer() }),
	)...)
	h := health.NewServer()
	for _, name := range services() {
		h.SetServingStatus(name, healthpb.HealthCheckResponse_NOT_SERVING)
	}
	healthpb.RegisterHealthServer(g, h)
	return g
}
