package api_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/daemon/api"
	"tandem/daemon/engine"
	"tandem/daemon/forecast"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// memory is what the tests do with a ledger.
type memory interface {
	compact(through uint64)
	fail(err error)
}

// daemon is the API on a real engine.
type daemon struct {
	plan   *tandemv1.Plan // what GetPlan answers; nil: none yet
	noPlan error          // why there is none
	backup func(context.Context, io.Writer) (*tandemv1.BackupSummary, error)
	tb     testing.TB
	store  memory
	engine *engine.Engine
	face   *api.Server
	conn   *grpc.ClientConn

	listener *bufconn.Listener
	jobs     tandemv1.JobServiceClient
	devices  tandemv1.DeviceServiceClient
	scans    tandemv1.ScanServiceClient
	events   tandemv1.EventServiceClient
	admin    tandemv1.AdminServiceClient
	learned  tandemv1.DurationServiceClient
	dates    *forecast.Forecaster // nil: none are made

	reopen     func() // a new engine on the same ledger, with a new API
	stopEngine func() error
}

var shopFile = &tandemv1.FloorFile{
	Media: []*tandemv1.Media{{Id: "vinyl", WidthUm: 1_370_000, RollLengthUm: 50_000_000}, {Id: "gloss"}, {Id: "matt"}},
	Devices: []*tandemv1.Device{
		machine("cutter-1", "cut"), machine("cutter-2", "cut"), machine("laminator", "laminate"),
		{Id: "bench", Capacity: 1, Slots: []string{"left"}, Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "pack"}}},
	},
	People: []*tandemv1.Person{{Id: "mira", DisplayName: "Mira", Supervisor: true}},
}

func machine(id, operation string) *tandemv1.Device {
	return &tandemv1.Device{
		Id: id, Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"},
		Abilities: []*tandemv1.Ability{{Operation: operation, PerPiece: durationpb.New(time.Second)}},
	}
}

func newDaemon(tb testing.TB) *daemon {
	tb.Helper()
	d := &daemon{tb: tb, backup: func(_ context.Context, w io.Writer) (*tandemv1.BackupSummary, error) {
		_, err := w.Write([]byte("all of it"))
		return &tandemv1.BackupSummary{Revision: 1}, err
	}}
	s := newStore(engine.State{}.Head)
	d.store = s
	var closeAll func()
	d.reopen = func() {
		if closeAll != nil {
			closeAll()
		}
		e, err := engine.Open(context.Background(), engine.Options{
			Ledger: s, Clock: clock.Wall(), File: shopFile, Period: time.Minute,
			Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
		})
		if err != nil {
			tb.Fatal(err)
		}
		d.engine = e
		closeAll = d.serve()
	}
	d.reopen()
	tb.Cleanup(func() { closeAll() })
	return d
}

// serve runs the engine and the API until the returned function is called.
func (d *daemon) serve() (closeAll func()) {
	ctx, cancel := context.WithCancel(context.Background())
	ended, stopped := make(chan error, 1), false
	go func() { ended <- d.engine.Run(ctx) }()
	d.stopEngine = func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		return <-ended
	}
	stopEngine, closeAPI := d.stopEngine, d.serveAPI()
	return func() {
		closeAPI()
		_ = stopEngine()
	}
}

// serveAPI puts an API of its own before the engine that runs.
func (d *daemon) serveAPI() (closeAPI func()) {
	d.tb.Helper()
	var dates api.Forecasts
	if d.dates != nil {
		dates = d.dates
	}
	server, face := api.New(d.engine, api.Options{
		Forecasts: dates, Version: "test", TimeScale: 1, Start: time.Now(), DataDir: "data", BusURL: "nats://127.0.0.1:1",
		Dropped: func() uint64 { return 7 }, Attention: func() []string { return []string{"disk nearly full"} }, Plan: func() (*tandemv1.Plan, error) { return d.plan, d.noPlan },
		Backup: func(ctx context.Context, w io.Writer) (*tandemv1.BackupSummary, error) { return d.backup(ctx, w) },
	})
	listener := bufconn.Listen(1 << 20)
	d.face, d.listener = face, listener
	go func() { _ = face.Serve(listener) }()
	leave := d.dialAgain()
	return func() {
		leave()
		server.Stop()
	}
}

// dialAgain makes the test's clients those of a new connection.
func (d *daemon) dialAgain() (leave func()) {
	d.tb.Helper()
	listener := d.listener
	// Windows that do not grow, so that a client that does not read is known to hold no more than this.
	conn, err := grpc.NewClient("passthrough:///bufconn", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithStaticStreamWindowSize(64<<10), grpc.WithStaticConnWindowSize(1<<20),
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }))
	if err != nil {
		d.tb.Fatal(err)
	}
	d.conn = conn
	d.jobs, d.devices, d.scans = tandemv1.NewJobServiceClient(conn), tandemv1.NewDeviceServiceClient(conn), tandemv1.NewScanServiceClient(conn)
	d.events, d.admin = tandemv1.NewEventServiceClient(conn), tandemv1.NewAdminServiceClient(conn)
	d.learned = tandemv1.NewDurationServiceClient(conn)
	return func() { _ = conn.Close() }
}

// in returns the daemon for a part of the test that fails by itself.
func (d *daemon) in(tb testing.TB) *daemon {
	c := *d
	c.tb = tb
	return &c
}

func (d *daemon) ctx() context.Context { return d.tb.Context() }

// greet is a driver's hello with what it has in hand.
func (d *daemon) greet(device string, runs ...*driverv1.RunStatus) {
	d.tb.Helper()
	_, err := d.engine.Hello(d.ctx(), device, &driverv1.Status{
		Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE, Runs: runs,
	})
	if err != nil {
		d.tb.Fatal(err)
	}
}

func (d *daemon) revision() uint64 {
	d.tb.Helper()
	st, err := d.admin.GetStatus(d.ctx(), &tandemv1.GetStatusRequest{})
	if err != nil {
		d.tb.Fatal(err)
	}
	return st.GetRevision()
}

// check holds the floor to its own rules.
func (d *daemon) check() {
	d.tb.Helper()
	if err := d.engine.View(d.ctx(), func(st engine.State) {
		if err := st.Floor.Check(); err != nil {
			d.tb.Error(err)
		}
	}); err != nil {
		d.tb.Fatal(err)
	}
}

// ticket is six pieces, cut and packed.
func ticket(id string) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: 6, Steps: []*tandemv1.Step{
		{Id: "cut", Operation: "cut"},
		{Id: "pack", Operation: "pack", After: []string{"cut"}},
	}}
}

func (d *daemon) create(id string) *tandemv1.Job {
	d.tb.Helper()
	j, err := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: ticket(id), Actor: "rip"})
	if err != nil {
		d.tb.Fatal(err)
	}
	return j
}

func (d *daemon) job(id string) *tandemv1.Job {
	d.tb.Helper()
	j, err := d.jobs.GetJob(d.ctx(), &tandemv1.GetJobRequest{Id: id})
	if err != nil {
		d.tb.Fatal(err)
	}
	return j
}

// reason returns the code and the ErrorInfo reason of an error.
func reason(err error) string {
	if info := infoOf(err); info != nil {
		return status.Code(err).String() + " " + info.GetReason()
	}
	return status.Code(err).String()
}

// infoOf returns what every error of ours has; nil for those of others.
func infoOf(err error) *errdetails.ErrorInfo {
	for _, detail := range status.Convert(err).Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && info.GetDomain() == "tandem" {
			return info
		}
	}
	return nil
}

// fieldsOf returns the bad fields that an INVALID_ARGUMENT of ours names, "FIELD: PROBLEM".
func fieldsOf(err error) []string {
	var out []string
	if status.Code(err) != codes.InvalidArgument || infoOf(err) == nil {
		return nil
	}
	for _, detail := range status.Convert(err).Details() {
		if bad, ok := detail.(*errdetails.BadRequest); ok {
			for _, v := range bad.GetFieldViolations() {
				out = append(out, fmt.Sprintf("%s: %s", v.GetField(), v.GetDescription()))
			}
		}
	}
	return out
}
