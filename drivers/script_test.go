package drivers_test

import (
	"context"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/drivertest"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	idle       = tandemv1.DeviceState_DEVICE_STATE_IDLE
	pending    = tandemv1.JobState_JOB_STATE_PENDING
	processing = tandemv1.JobState_JOB_STATE_PROCESSING
	stopped    = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	canceled   = tandemv1.JobState_JOB_STATE_CANCELED
	completed  = tandemv1.JobState_JOB_STATE_COMPLETED
	online     = tandemv1.Link_LINK_ONLINE
	offline    = tandemv1.Link_LINK_OFFLINE
)

// script is a driver that does what a test says.
type script struct {
	env   drivers.Env
	calls chan *call
}

// call is one call of its Run.
type call struct {
	ctx    context.Context
	orders <-chan *driverv1.Order
	report func(*driverv1.Status)
	end    chan error // what Run returns
	deaf   bool       // Run does not return when its context ends
}

func (s *script) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	c := &call{ctx: ctx, orders: orders, report: report, end: make(chan error)}
	select {
	case s.calls <- c:
	case <-ctx.Done():
		return nil
	}
	select {
	case err := <-c.end:
		if errors.Is(err, errPanic) {
			panic("a fault of its own")
		}
		return err
	case <-ctx.Done():
		if c.deaf {
			return <-c.end
		}
		return nil
	}
}

// rig is a host with a scripted driver, and its daemon, in virtual time.
type rig struct {
	*testing.T
	daemon *drivertest.Daemon
	script *script
	host   *drivers.Host
	log    *observer.ObservedLogs
	stop   func() error // stops the host and returns its error
}

type option func(*drivers.Kind, *drivers.Env, *drivertest.Daemon)

// newRig starts a host and leaves it to the caller to answer its first call.
func newRig(t *testing.T, options ...option) *rig {
	t.Helper()
	core, logs := observer.New(zapcore.InfoLevel)
	r := &rig{T: t, daemon: drivertest.NewDaemon(), script: &script{calls: make(chan *call)}, log: logs}
	kind := drivers.Kind{Name: "script", New: func(env drivers.Env, _ map[string]string) (drivers.Driver, error) {
		r.script.env = env
		return r.script, nil
	}}
	env := drivers.Env{Device: "cutter-1", Operations: []string{"cut", "print"}, Log: zap.New(core)}
	for _, o := range options {
		o(&kind, &env, r.daemon)
	}
	host, err := drivers.NewHost(kind, env, nil)
	if err != nil {
		t.Fatal(err)
	}
	r.host = host
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan error, 1)
	go func() { ended <- host.Serve(ctx, r.daemon) }()
	var once bool
	r.stop = func() error {
		if once {
			return nil
		}
		once = true
		cancel()
		return <-ended
	}
	t.Cleanup(func() { _ = r.stop() })
	return r
}

func capacity(n int) option {
	return func(_ *drivers.Kind, env *drivers.Env, _ *drivertest.Daemon) { env.Capacity = n }
}

func manual(kind *drivers.Kind, _ *drivers.Env, _ *drivertest.Daemon) { kind.Manual = true }

// serve starts a host whose driver has reported an idle device, and returns when it is welcome.
func serve(t *testing.T, options ...option) (*rig, *call) {
	t.Helper()
	r := newRig(t, options...)
	c := r.call()
	c.report(&driverv1.Status{State: idle})
	r.settled()
	if len(r.daemon.Statuses()) == 0 {
		t.Fatal("the host has not published a status after its hello")
	}
	return r, c
}

// call waits for the next call of the driver's Run.
func (r *rig) call() *call {
	r.Helper()
	select {
	case c := <-r.script.calls:
		return c
	case <-time.After(time.Minute):
		r.Fatal("the host has not called the driver within a minute")
		return nil
	}
}

// settled lets everything happen that happens at once.
func (r *rig) settled() { synctest.Wait() }

// pass lets a while go by, in which what is not urgent is said.
func (r *rig) pass() {
	time.Sleep(10 * time.Second)
	synctest.Wait()
}

func (r *rig) taken(a *driverv1.Answer) {
	r.Helper()
	if a == nil || a.GetRefused() != "" {
		r.Fatalf("the answer is %v, want taken", a)
	}
}

// order waits for the driver's next order.
func (r *rig) order(c *call) *driverv1.Order {
	r.Helper()
	select {
	case o := <-c.orders:
		return o
	case <-time.After(time.Second):
		r.Fatal("the driver gets no order")
		return nil
	}
}

func (r *rig) noOrder(c *call) {
	r.Helper()
	select {
	case o := <-c.orders:
		r.Fatalf("the driver gets %v, want nothing", o)
	case <-time.After(time.Second):
	}
}

// logged counts the log's lines with a message.
func (r *rig) logged(message string) int { return r.log.FilterMessage(message).Len() }

func status(runs ...*driverv1.RunStatus) *driverv1.Status {
	return &driverv1.Status{State: idle, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE, Runs: runs}
}

func run(id string, state tandemv1.JobState, reasons ...string) *driverv1.RunStatus {
	return &driverv1.RunStatus{Run: id, State: state, StateReasons: reasons}
}

func grant(id string, fence uint64, mayStart bool) *driverv1.Grant {
	return &driverv1.Grant{Run: id, Fence: fence, Job: "job-1", Step: "cut", Operation: "cut", Pieces: 60, MayStart: mayStart}
}

func before(g *driverv1.Grant, limit time.Time) *driverv1.Grant {
	g.StartBefore = timestamppb.New(limit)
	return g
}
