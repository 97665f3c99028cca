package api_test

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	"google.golang.org/grpc/status"

	"tandem/daemon/api"
	"tandem/daemon/engine"
	"tandem/daemon/space"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// full is a disk with 1 MiB left of the 4 MiB that are needed.
var full = &space.Error{Dir: "/srv/floor", Free: 1 << 20, Need: 4 << 20}

// why is a reason that comes and goes.
type why struct{ now atomic.Pointer[space.Error] }

func (w *why) reason() error {
	if e := w.now.Load(); e != nil {
		return e
	}
	return nil
}

// health returns what the services say, by name.
func health(t *testing.T, client healthpb.HealthClient) map[string]bool {
	t.Helper()
	out := map[string]bool{}
	for _, name := range []string{"", "tandem.v1.JobService", "tandem.v1.MaterialService", "tandem.v1.DeviceService", "tandem.v1.ScanService", "tandem.v1.EventService", "tandem.v1.AdminService"} {
		r, err := client.Check(t.Context(), &healthpb.HealthCheckRequest{Service: name})
		if err != nil {
			t.Fatal(err)
		}
		out[name] = r.GetStatus() == healthpb.HealthCheckResponse_SERVING
	}
	return out
}

// A request for new work on a disk that is nearly full hears why, in words and in fields, and the same request is good once there is
// room; requests about running work are answered, and the health says which services are which.
func TestReadOnlyAnswers(t *testing.T) {
	var w why
	e, err := engine.Open(t.Context(), engine.Options{
		Ledger: newStore(engine.State{}.Head), Clock: clock.Wall(), File: shopFile, Period: time.Minute, ReadOnly: w.reason,
		Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- e.Run(ctx) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	g, face := api.New(e, api.Options{Version: "test", TimeScale: 1, Start: time.Now()})
	conn := serveOn(t, g)
	face.SetServing(true)
	following, unfollow := context.WithCancel(t.Context())
	defer unfollow()
	go face.FollowReadOnly(following, w.reason)
	jobs, devices, checks := tandemv1.NewJobServiceClient(conn), tandemv1.NewDeviceServiceClient(conn), healthpb.NewHealthClient(conn)
	awaitHealth := func(want bool) {
		t.Helper()
		for deadline := time.Now().Add(10 * time.Second); health(t, checks)["tandem.v1.JobService"] != want; {
			if time.Now().After(deadline) {
				t.Fatalf("the job service's health does not become %t", want)
			}
			time.Sleep(10 * time.Millisecond)
		}
	}
	create := func(id string) error {
		_, err := jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{
			Job: &tandemv1.Job{Id: id, Pieces: 1, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}, RequestId: "in-" + id,
		})
		return err
	}
	if err := create("before"); err != nil {
		t.Fatal(err)
	}
	awaitHealth(true)

	w.now.Store(full)
	refusal := create("after")
	info := unavailable(t, refusal)
	if info.GetReason() != "LEDGER_READ_ONLY" || info.GetDomain() != "tandem" || info.GetMetadata()["opening"] != "" {
		t.Errorf("the error says %v", info)
	}
	for field, want := range map[string]string{"data_dir": "/srv/floor", "free_bytes": "1048576", "needed_bytes": "4194304"} {
		if got := info.GetMetadata()[field]; got != want {
			t.Errorf("%s is %q, want %q", field, got, want)
		}
	}
	if text := status.Convert(refusal).Message(); !strings.Contains(text, "free 3.0 MiB more there") {
		t.Errorf("the error names no remedy: %s", text)
	}
	if _, err := jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: "after"}); status.Code(err) != codes.NotFound {
		t.Errorf("what was refused: %v", err)
	}
	if err := create("before"); err != nil {
		t.Errorf("a request that was answered before: %v", err)
	}
	if _, err := devices.PauseDevice(t.Context(), &tandemv1.PauseDeviceRequest{Id: "cutter-1", RequestId: "p", Actor: "mira"}); err != nil {
		t.Errorf("what stops a machine: %v", err)
	}
	if _, err := jobs.CancelJob(t.Context(), &tandemv1.CancelJobRequest{Id: "before", RequestId: "c", Actor: "mira"}); err != nil {
		t.Errorf("what ends work: %v", err)
	}
	awaitHealth(false)
	for name, serving := range health(t, checks) {
		if want := name != "" && name != "tandem.v1.JobService" && name != "tandem.v1.MaterialService"; serving != want {
			t.Errorf("health of %q is %t, want %t", name, serving, want)
		}
	}

	w.now.Store(nil)
	if err := create("after"); err != nil {
		t.Errorf("once there is room: %v", err)
	}
	awaitHealth(true)
}

// While the ledger is being opened a server stands in and says so, or why it cannot be.
func TestClosed(t *testing.T) {
	var w why
	conn := serveOn(t, api.NewClosed(w.reason))
	ask := func() error {
		_, err := tandemv1.NewJobServiceClient(conn).CreateJob(t.Context(), &tandemv1.CreateJobRequest{})
		return err
	}
	if info := unavailable(t, ask()); info.GetReason() != "LEDGER_OPENING" {
		t.Errorf("while the ledger is opened the error says %v", info)
	}
	failed := *full
	failed.Cause = syscall.EROFS
	if !errors.Is(&failed, syscall.EROFS) {
		t.Fatal("the reason hides its cause")
	}
	w.now.Store(&failed)
	err := ask()
	if info := unavailable(t, err); info.GetReason() != "LEDGER_READ_ONLY" || info.GetMetadata()["cause"] == "" || info.GetMetadata()["opening"] == "" {
		t.Errorf("on a disk that is read-only the error says %v", info)
	}
	if !strings.Contains(err.Error(), "mount it for writing again") {
		t.Errorf("the error names no remedy: %v", err)
	}
	for name, serving := range health(t, healthpb.NewHealthClient(conn)) {
		if serving {
			t.Errorf("%q says that it is healthy", name)
		}
	}
}

// A ledger that fails for a cause that is not known to be the disk's is told with that cause, in one line, while it is opened anew.
func TestClosedAfterAFailure(t *testing.T) {
	conn := serveOn(t, api.NewClosed(func() error { return &api.ReopeningError{Dir: "/srv/floor", Cause: "write 1.blk:\nfile too large"} }))
	_, err := tandemv1.NewJobServiceClient(conn).CreateJob(t.Context(), &tandemv1.CreateJobRequest{})
	if info := unavailable(t, err); info.GetReason() != "LEDGER_OPENING" || info.GetMetadata()["cause"] == "" || info.GetMetadata()["data_dir"] != "/srv/floor" {
		t.Errorf("the error says %v", info)
	}
	if text := err.Error(); !strings.Contains(text, "(write 1.blk: file too large)") || !strings.Contains(text, "look at what limits its files in /srv/floor") {
		t.Errorf("the error names no cause, or no remedy: %v", err)
	}
}
