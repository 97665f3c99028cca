package crashtest

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/backoff"
	"google.golang.org/grpc/credentials/insecure"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"

	tandemv1 "tandem/proto/tandem/v1"
)

// Config says which shop is set up.
type Config struct {
	Program   string   // the daemon's
	Floor     string   // floor file to begin from
	Dir       string   // for logs, the floor file and, unless Data says otherwise, the data
	Data      string   // the daemon's data folder; empty: in Dir
	External  []string // devices whose drivers are processes of their own
	TimeScale float64
	Flags     []string // more flags of the daemon
}

// Shop is a floor with its daemon and the drivers of other processes. Its methods are for one goroutine; its clients are for
// any.
type Shop struct {
	cfg          Config
	floor        string
	api, bus     string
	conn         *grpc.ClientConn
	daemon       *Process
	drivers      map[string]*Process
	Jobs         tandemv1.JobServiceClient
	Devices      tandemv1.DeviceServiceClient
	Events       tandemv1.EventServiceClient
	Admin        tandemv1.AdminServiceClient
	health       healthpb.HealthClient
	ServiceTimes []time.Duration // from the start of a daemon to its service, in the order of the starts
}

// Open sets up a shop; nothing runs yet.
func Open(cfg Config) (*Shop, error) {
	if cfg.Data == "" {
		cfg.Data = filepath.Join(cfg.Dir, "data")
	}
	s := &Shop{cfg: cfg, floor: filepath.Join(cfg.Dir, "floor.yaml"), drivers: map[string]*Process{}}
	if err := s.writeFloor(); err != nil {
		return nil, err
	}
	var err error
	if s.api, err = freeAddress(); err != nil {
		return nil, err
	}
	if s.bus, err = freeAddress(); err != nil {
		return nil, err
	}
	s.conn, err = grpc.NewClient(s.api, grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithConnectParams(grpc.ConnectParams{
			Backoff:           backoff.Config{BaseDelay: 10 * time.Millisecond, Multiplier: 1.5, MaxDelay: 200 * time.Millisecond},
			MinConnectTimeout: time.Second,
		}))
	if err != nil {
		return nil, fmt.Errorf("reach the daemon: %w", err)
	}
	s.Jobs, s.Devices = tandemv1.NewJobServiceClient(s.conn), tandemv1.NewDeviceServiceClient(s.conn)
	s.Events, s.Admin = tandemv1.NewEventServiceClient(s.conn), tandemv1.NewAdminServiceClient(s.conn)
	s.health = healthpb.NewHealthClient(s.conn)
	return s, nil
}

// writeFloor copies the floor file and lets some devices bring their own drivers.
func (s *Shop) writeFloor() error {
	data, err := os.ReadFile(s.cfg.Floor)
	if err != nil {
		return fmt.Errorf("read the floor file: %w", err)
	}
	device, left := "", slices.Clone(s.cfg.External)
	lines := strings.Split(string(data), "\n")
	for i, line := range lines {
		if id, ok := strings.CutPrefix(line, "  - id: "); ok {
			device = id
		}
		at := slices.Index(left, device)
		if before, kind, ok := strings.Cut(line, "driver: {kind: "); ok && at >= 0 {
			lines[i] = before + "driver: {external: true, kind: " + kind
			left = slices.Delete(left, at, at+1)
		}
	}
	if len(left) > 0 {
		return fmt.Errorf("the floor file %s has no driver for %v", s.cfg.Floor, left)
	}
	if err := os.WriteFile(s.floor, []byte(strings.Join(lines, "\n")), 0o600); err != nil {
		return fmt.Errorf("write the floor file: %w", err)
	}
	return nil
}

func freeAddress() (string, error) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return "", fmt.Errorf("find a free port: %w", err)
	}
	return l.Addr().String(), l.Close()
}

// Data is the daemon's data folder.
func (s *Shop) Data() string { return s.cfg.Data }

// folders are where the machines of this shop keep what they remember.
func (s *Shop) folders() []string { return []string{s.cfg.Data, filepath.Join(s.cfg.Dir, "devices")} }

// Daemon is the daemon's process; nil if it has not been started.
func (s *Shop) Daemon() *Process { return s.daemon }

// StartDaemon starts the daemon without waiting for its service.
func (s *Shop) StartDaemon() (err error) {
	s.daemon, err = startProcess(filepath.Join(s.cfg.Dir, "tandemd.log"), s.cfg.Program, append([]string{
		"serve", "--data-dir", s.cfg.Data, "--floor", s.floor, "--listen", s.api, "--bus-listen", s.bus,
		"--time-scale", strconv.FormatFloat(s.cfg.TimeScale, 'g', -1, 64), "--plan-search", "off",
	}, s.cfg.Flags...)...)
	return err
}

// StartDriver starts the driver of one of the devices that bring their own.
func (s *Shop) StartDriver(device string) (err error) {
	s.drivers[device], err = startProcess(filepath.Join(s.cfg.Dir, device+".log"), s.cfg.Program,
		"drive", "--floor", s.floor, "--device", device, "--bus", "nats://"+s.bus,
		"--token-file", filepath.Join(s.cfg.Data, "bus", "driver-token"), "--data-dir", filepath.Join(s.cfg.Dir, "devices"))
	return err
}

// Start starts the daemon, waits for its service, and starts the drivers that are not running.
func (s *Shop) Start(ctx context.Context) error {
	began := time.Now()
	if err := s.StartDaemon(); err != nil {
		return err
	}
	if err := s.AwaitService(ctx); err != nil {
		return err
	}
	s.ServiceTimes = append(s.ServiceTimes, time.Since(began))
	for _, device := range s.cfg.External {
		if s.drivers[device] != nil {
			continue
		}
		if err := s.StartDriver(device); err != nil {
			return err
		}
	}
	return nil
}

// AwaitService returns once the daemon says that it is healthy, or an error if it ends first.
func (s *Shop) AwaitService(ctx context.Context) error {
	return poll(ctx, "the daemon's service", func(ctx context.Context) (bool, error) {
		if ended, err := s.daemon.Ended(); ended {
			return false, err
		}
		return s.Serving(ctx, ""), nil
	})
}

// Serving asks for the health of a service.
func (s *Shop) Serving(ctx context.Context, service string) bool {
	ctx, cancel := context.WithTimeout(ctx, time.Second)
	defer cancel()
	r, err := s.health.Check(ctx, &healthpb.HealthCheckRequest{Service: service})
	return err == nil && r.GetStatus() == healthpb.HealthCheckResponse_SERVING
}

// KillDaemon kills the daemon, and with it the bus and the ledger in it.
func (s *Shop) KillDaemon() error { return s.daemon.Kill() }

// KillDriver kills a driver and leaves it to StartDriver to bring it back.
func (s *Shop) KillDriver(device string) error {
	p := s.drivers[device]
	delete(s.drivers, device)
	return p.Kill()
}

// StopDaemon ends the daemon in the ordinary way.
func (s *Shop) StopDaemon() error {
	const patience = 30 * time.Second
	return s.daemon.Stop(patience)
}

// Close ends every process.
func (s *Shop) Close() {
	_ = s.conn.Close()
	for _, p := range s.drivers {
		_ = p.Kill()
	}
	if s.daemon != nil {
		_ = s.daemon.Kill()
	}
}

// poll asks again and again until the answer is yes, the question fails, or ctx ends.
func poll(ctx context.Context, what string, ask func(context.Context) (bool, error)) error {
	const period = 10 * time.Millisecond
	ticker := time.NewTicker(period)
	defer ticker.Stop()
	for {
		ok, err := ask(ctx)
		switch {
		case err != nil:
			return fmt.Errorf("wait for %s: %w", what, err)
		case ok:
			return nil
		}
		select {
		case <-ticker.C:
		case <-ctx.Done():
			return fmt.Errorf("wait for %s: %w", what, errors.Join(ctx.Err(), context.Cause(ctx)))
		}
	}
}
