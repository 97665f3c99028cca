package api

import (
	"context"
	"errors"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	"tandem/daemon/space"
)

// ofNewWork are those of them that a daemon without space does not serve. The others tell of work under way.
var ofNewWork = map[string]bool{"": true, "tandem.v1.JobService": true, "tandem.v1.MaterialService": true}

// SetServing sets the health of every service.
func (s *Server) SetServing(ok bool) {
	s.healthMu.Lock()
	defer s.healthMu.Unlock()
	s.serving = ok
	s.tellHealth()
}

// SetReadOnly sets whether new work is refused: the services that take it are not healthy then.
func (s *Server) SetReadOnly(readOnly bool) {
	s.healthMu.Lock()
	defer s.healthMu.Unlock()
	if s.readOnly != readOnly {
		s.readOnly = readOnly
		s.tellHealth()
	}
}

func (s *Server) tellHealth() {
	for _, name := range services() {
		st := healthpb.HealthCheckResponse_NOT_SERVING
		if s.serving && (!s.readOnly || !ofNewWork[name]) {
			st = healthpb.HealthCheckResponse_SERVING
		}
		s.health.SetServingStatus(name, st)
	}
}

// readOnlyStatus is what a request for new work hears while the disk is short of space or fails, with the facts for programs.
func readOnlyStatus(e *space.Error, facts map[string]string) error {
	return withInfo(codes.Unavailable, "LEDGER_READ_ONLY", e.Error(), facts)
}

// NewClosed returns a server that stands in while the daemon opens its ledger: every request is UNAVAILABLE for the reason
// that why returns, every service NOT_SERVING. A nil reason: the ledger is being opened. Without space the error's metadata has
// "opening" as well, by which it differs from that of a daemon that has its ledger in hand.
func NewClosed(why func() error, opts ...grpc.ServerOption) *grpc.Server {
	return newStandIn(func() error {
		err := why()
		if readOnly, ok := errors.AsType[*space.Error](err); ok {
			// Whoever asks again after a failure has to know that nobody has looked yet what became of the request then.
			facts := readOnly.Metadata()
			facts["opening"] = "true"
			return readOnlyStatus(readOnly, facts)
		}
		if err != nil {
			return toStatus(err)
		}
		return withInfo(codes.Unavailable, "LEDGER_OPENING", "the daemon is opening its ledger; ask again with the same request id", nil)
	}, opts)
}

// FollowReadOnly keeps the health in step with the reason why no new work is taken, until ctx ends.
func (s *Server) FollowReadOnly(ctx context.Context, why func() error) {
	const period = 250 * time.Millisecond
	ticker := time.NewTicker(period)
	defer ticker.Stop()
	for {
		s.SetReadOnly(why() != nil)
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return
		}
	}
}
