// Package api is the gRPC face of the daemon: it turns requests into commands, the floor's answers into replies, and its
// errors into google.rpc details. It decides nothing about jobs or devices itself.
package api

import (
	"context"
	"crypto/sha256"
	"slices"
	"sync"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/health"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/keepalive"
	"google.golang.org/grpc/reflection"
	"google.golang.org/protobuf/proto"

	"tandem/daemon/config"
	"tandem/daemon/engine"
	"tandem/daemon/station"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Engine is what the API needs of the engine.
type Engine interface {
	Do(ctx context.Context, m floor.Meta, c floor.Command) (engine.Result, error)
	DoThen(ctx context.Context, m floor.Meta, c floor.Command, then func(engine.State)) (engine.Result, error)
	View(ctx context.Context, fn func(engine.State)) error
	Watch(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error, idle func(revision uint64) <-chan struct{}) error
}

// Options are facts about the daemon that the API tells.
type Options struct {
	Version   string
	DataDir   string
	BusURL    string
	TimeScale float64
	Start     time.Time     // floor time
	Dropped   func() uint64 // device reports dropped so far
	Attention func() []string
	Plan      func() (*tandemv1.Plan, error) // the best plan found so far, or why there is none; nil: no plans are searched for
	Forecasts Forecasts                      // nil: none are made
	Reports   Reports                        // nil: no history is kept
	Backup    BackupMaker                    // nil: there is nothing to make one of
	Leads     func() error                   // asked before and after each request: a *NotLeaderError if another daemon leads; nil: this one does
	Hangs     func() error                   // asked before each request: a *SlowDiskError if it would wait for the disk for nobody knows how long; nil: never
	Kinds     config.Kinds                   // of drivers, by which floor files are checked; nil: any kind will do
	Doors     []grpc.ServerOption            // credentials and checks of those who come in, before everything else
	Log       *zap.Logger
}

// Server implements the services of tandem.v1.
type Server struct {
	tandemv1.UnimplementedJobServiceServer
	tandemv1.UnimplementedDeviceServiceServer
	tandemv1.UnimplementedScanServiceServer
	tandemv1.UnimplementedEventServiceServer
	tandemv1.UnimplementedAdminServiceServer
	tandemv1.UnimplementedMaterialServiceServer
	tandemv1.UnimplementedDurationServiceServer
	tandemv1.UnimplementedForecastServiceServer
	tandemv1.UnimplementedPlanServiceServer
	tandemv1.UnimplementedReportServiceServer

	engine Engine
	opt    Options
	desk   *station.Desk // used in the engine's loop only
	scans  *recentScans
	health *health.Server

	healthMu          sync.Mutex
	serving, readOnly bool // as health is told

	packing    chan struct{} // whoever works out shared panels: one at a time
	comparing  chan struct{} // whoever compares floors: one at a time
	backingUp  chan struct{} // whoever makes a backup: one at a time
	reporting  chan struct{} // whoever makes a report: one at a time
	readers    chan struct{} // whoever reads what a watcher has missed
	sendWithin time.Duration
	limits     watchLimits
	hub        *hub
	grpc       *grpc.Server
	stopping   chan struct{} // closed by Shutdown
	stop       sync.Once
}

// Limits of one request.
const (
	mostRequestBytes = 4 << 20
	mostRequestID    = 128
	mostActor        = 128
	mostStreams      = 2000
	// streamWorkers is how many requests are handled by goroutines that stay: they have the stack for the next one. More
	// requests than that get a goroutine each.
	streamWorkers = 64
)

// New returns a gRPC server with every service of the API registered. Health is NOT_SERVING until SetServing.
func New(e Engine, opt Options) (*grpc.Server, *Server) {
	if opt.Log == nil {
		opt.Log = zap.NewNop()
	}
	if opt.Kinds == nil {
		opt.Kinds = func(string) (config.Kind, error) { return config.Kind{}, nil }
	}
	s := &Server{
		engine: e, opt: opt, desk: station.NewDesk(), scans: newRecentScans(), health: health.NewServer(), hub: newHub(e),
		packing: make(chan struct{}, 1), comparing: make(chan struct{}, 1), backingUp: make(chan struct{}, 1), reporting: make(chan struct{}, 1), readers: make(chan struct{}, mostReaders),
		sendWithin: sendWithin, limits: watchLimits{ofOne: mostWatchesOfOne, inAll: mostWatches, stalls: mostStalls}, stopping: make(chan struct{}),
	}
	g := grpc.NewServer(append(slices.Clone(opt.Doors),
		grpc.ForceServerCodecV2(newCodec()),
		grpc.MaxRecvMsgSize(mostRequestBytes),
		grpc.MaxConcurrentStreams(mostStreams),
		grpc.NumStreamWorkers(streamWorkers),
		grpc.KeepaliveEnforcementPolicy(keepalive.EnforcementPolicy{MinTime: 10 * time.Second, PermitWithoutStream: true}),
		grpc.KeepaliveParams(keepalive.ServerParameters{Time: 30 * time.Second, Timeout: 20 * time.Second}),
		grpc.ChainUnaryInterceptor(s.unary),
		grpc.ChainStreamInterceptor(s.stream),
	)...)
	tandemv1.RegisterJobServiceServer(g, s)
	tandemv1.RegisterDeviceServiceServer(g, s)
	tandemv1.RegisterScanServiceServer(g, s)
	tandemv1.RegisterEventServiceServer(g, s)
	tandemv1.RegisterAdminServiceServer(g, s)
	tandemv1.RegisterMaterialServiceServer(g, s)
	tandemv1.RegisterDurationServiceServer(g, s)
	tandemv1.RegisterForecastServiceServer(g, s)
	tandemv1.RegisterPlanServiceServer(g, s)
	tandemv1.RegisterReportServiceServer(g, s)
	healthpb.RegisterHealthServer(g, s.health)
	reflection.Register(g) // the listener is on loopback only
	s.SetServing(false)
	s.grpc = g
	return g, s
}

// Shutdown ends every watch, of health too.
func (s *Server) Shutdown() {
	s.health.Shutdown()
	s.stop.Do(func() { close(s.stopping) })
}

// unary turns errors into statuses, and a panic of one request into its own error.
func (s *Server) unary(ctx context.Context, req any, info *grpc.UnaryServerInfo, h grpc.UnaryHandler) (resp any, err error) {
	defer s.recovered(info.FullMethod, &err)
	if err := s.canAnswer(); err != nil {
		return nil, toStatus(err)
	}
	resp, err = h(ctx, req)
	if lost := s.leads(); lost != nil && err == nil {
		return nil, lostLead()
	}
	return resp, toStatus(err)
}

func (s *Server) stream(srv any, ss grpc.ServerStream, info *grpc.StreamServerInfo, h grpc.StreamHandler) (err error) {
	defer s.recovered(info.FullMethod, &err)
	if err := s.canAnswer(); err != nil {
		return toStatus(err)
	}
	return toStatus(h(srv, ss))
}

func (s *Server) recovered(method string, err *error) {
	if p := recover(); p != nil {
		s.opt.Log.Error("request panicked", zap.String("method", method), zap.Any("panic", p), zap.Stack("stack"))
		*err = withInfo(codes.Internal, "BUG", "the daemon hit a bug in this request; its log says more", nil)
	}
}

// change is what every mutating request has.
type change interface {
	proto.Message
	GetRequestId() string
	GetActor() string
}

// do sends a command to the engine and lets then read what it has come to. The same request id with the same content gets
// the first answer.
func (s *Server) do(ctx context.Context, req change, c floor.Command, then func(engine.State)) error {
	m, err := meta(req)
	if err != nil {
		return err
	}
	_, err = s.engine.DoThen(ctx, m, c, then)
	return err
}

func meta(req change) (floor.Meta, error) {
	m := floor.Meta{Actor: req.GetActor(), RequestID: req.GetRequestId()}
	if err := plain("request_id", m.RequestID, mostRequestID); err != nil {
		return m, err
	}
	if err := plain("actor", m.Actor, mostActor); err != nil {
		return m, err
	}
	if m.RequestID != "" {
		var err error
		if m.Fingerprint, err = fingerprint(req); err != nil {
			return m, err
		}
	}
	return m, nil
}

// fingerprint hashes what is asked, whatever it is called: the method is in the message's type.
func fingerprint(req proto.Message) ([]byte, error) {
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(req)
	if err != nil {
		return nil, err
	}
	h := sha256.New()
	h.Write([]byte(req.ProtoReflect().Descriptor().FullName()))
	h.Write(data)
	return h.Sum(nil), nil
}
