package main

import (
	"context"
	"net"
	"strings"
	"syscall"
	"testing"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/test/bufconn"
)

// Of several daemons none leads: the time is up, and what each of them says about it is told, and of those that are away as well.
func TestNobodyLeads(t *testing.T) {
	refusal := detailed(t, codes.Unavailable, "this daemon cannot lead: start two of the three servers", &errdetails.ErrorInfo{Reason: "NOT_LEADER", Domain: "tandem"})
	listener := bufconn.Listen(1 << 20)
	standby := grpc.NewServer(grpc.UnknownServiceHandler(func(any, grpc.ServerStream) error { return refusal }))
	state := health.NewServer()
	state.SetServingStatus("", healthpb.HealthCheckResponse_NOT_SERVING)
	healthpb.RegisterHealthServer(standby, state)
	go func() { _ = standby.Serve(listener) }()
	t.Cleanup(standby.Stop)
	f := newFake(t)
	dial := func(ctx context.Context, address string) (net.Conn, error) {
		switch {
		case strings.HasPrefix(address, "127.0.0.1:"):
			return listener.DialContext(ctx)
		case strings.HasPrefix(address, "127.0.0.3:"):
			return f.dial(ctx, address)
		}
		return nil, &net.OpError{Op: "dial", Net: "tcp", Err: syscall.ECONNREFUSED}
	}
	try := func(address string, command ...string) (int, string) {
		s, _, errs := f.surroundings(append(command, "--timeout", "500ms", "--address", address)...)
		s.dialOptions = []grpc.DialOption{grpc.WithContextDialer(dial)}
		return run(t.Context(), s), errs.String()
	}
	code, said := try("127.0.0.1:7431, 127.0.0.2:7431", "hold", "parked")
	if code != exitUnavailable {
		t.Errorf("exit %d, want %d", code, exitUnavailable)
	}
	for _, want := range []string{
		"no daemon leads at this moment", "127.0.0.1:7431: this daemon cannot lead: start two of the three servers", "127.0.0.2:7431: ", "connection refused", "--request-id",
	} {
		if !strings.Contains(said, want) {
			t.Errorf("it says\n%s\nwithout %q", said, want)
		}
	}
	// Where one leads the trouble is another.
	f.fail["HoldJob"] = context.DeadlineExceeded
	if code, said := try("127.0.0.1:7431,127.0.0.3:7431", "hold", "parked"); code == exitOK || strings.Contains(said, "no daemon leads") {
		t.Errorf("with one that leads it ends with %d and says\n%s", code, said)
	}
}
