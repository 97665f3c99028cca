package main_test

import (
	"context"
	"fmt"
	"net"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/api"
	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// daemon is the API over a real engine with a ledger in memory.
type daemon struct {
	conn    *grpc.ClientConn
	store   *ledger.Memory
	engine  *engine.Engine
	jobs    tandemv1.JobServiceClient
	devices tandemv1.DeviceServiceClient
	scans   tandemv1.ScanServiceClient
	events  tandemv1.EventServiceClient
	admin   tandemv1.AdminServiceClient
}

func newDaemon(t *testing.T) *daemon {
	t.Helper()
	file := &tandemv1.FloorFile{
		Devices: []*tandemv1.Device{
			{Id: "bench", Capacity: 1, Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "pack"}}},
			{Id: "cutter-1", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut"}}},
			{Id: "cutter-2", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut"}}},
		},
		People: []*tandemv1.Person{{Id: "mira", DisplayName: "Mira", Supervisor: true}},
	}
	d := &daemon{store: ledger.NewMemory()}
	var err error
	d.engine, err = engine.Open(t.Context(), engine.Options{
		Ledger: d.store, Clock: clock.Wall(), File: file, Period: time.Minute,
		Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- d.engine.Run(ctx) }()
	server, face := api.New(d.engine, api.Options{Version: "test", TimeScale: 1, Start: time.Now()})
	face.SetServing(true)
	listener := bufconn.Listen(1 << 20)
	go func() { _ = server.Serve(listener) }()
	d.conn, err = grpc.NewClient("passthrough:///bufconn", grpc.WithTransportCredentials(insecure.NewCredentials()),
		grpc.WithContextDialer(func(context.Context, string) (net.Conn, error) { return listener.Dial() }))
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = d.conn.Close()
		server.Stop()
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	d.jobs, d.devices = tandemv1.NewJobServiceClient(d.conn), tandemv1.NewDeviceServiceClient(d.conn)
	d.scans, d.events = tandemv1.NewScanServiceClient(d.conn), tandemv1.NewEventServiceClient(d.conn)
	d.admin = tandemv1.NewAdminServiceClient(d.conn)
	return d
}

func (d *daemon) greet(t *testing.T, device string, runs ...*driverv1.RunStatus) {
	t.Helper()
	_, err := d.engine.Hello(t.Context(), device, &driverv1.Status{
		Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE, Runs: runs,
	})
	if err != nil {
		t.Fatal(err)
	}
}

func (d *daemon) revision(t *testing.T) uint64 {
	t.Helper()
	st, err := d.admin.GetStatus(t.Context(), &tandemv1.GetStatusRequest{})
	if err != nil {
		t.Fatal(err)
	}
	return st.GetRevision()
}

func cutJob(id string) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: 6, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}, {Id: "pack", Operation: "pack", After: []string{"cut"}}}}
}

func (d *daemon) create(t *testing.T, id string) *tandemv1.Job {
	t.Helper()
	j, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: cutJob(id), RequestId: "create-" + id})
	if err != nil {
		t.Fatal(err)
	}
	return j
}

// reason returns code and ErrorInfo reason; every error of ours has one.
func reason(err error) string {
	st := status.Convert(err)
	for _, detail := range st.Details() {
		if info, ok := detail.(*errdetails.ErrorInfo); ok && info.GetDomain() == "tandem" {
			return st.Code().String() + " " + info.GetReason()
		}
	}
	return st.Code().String()
}

func TestRequestIDs(t *testing.T) {
	d := newDaemon(t)
	first := d.create(t, "a")
	before := d.revision(t)
	var wg sync.WaitGroup
	for range 100 {
		wg.Go(func() {
			again, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: cutJob("a"), RequestId: "create-a"})
			if err != nil || !proto.Equal(again, first) {
				t.Errorf("repeated: %v %v", again, err)
			}
		})
	}
	wg.Wait()
	_, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: cutJob("b"), RequestId: "create-a"})
	if got := reason(err); got != "AlreadyExists REQUEST_ID_REUSED" {
		t.Errorf("another job under the same request id: %s", got)
	}
	_, err = d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: cutJob("a"), RequestId: "other"})
	if got := reason(err); got != "AlreadyExists JOB_EXISTS" {
		t.Errorf("the same job under another request id: %s", got)
	}
	if after := d.revision(t); after != before {
		t.Errorf("the ledger grew from %d to %d", before, after)
	}
}

func TestBadInputNamesTheFieldAndStoresNothing(t *testing.T) {
	d := newDaemon(t)
	d.create(t, "good")
	before := d.revision(t)
	bad := func(change func(*tandemv1.Job)) *tandemv1.CreateJobRequest {
		j := cutJob("bad")
		change(j)
		return &tandemv1.CreateJobRequest{Job: j}
	}
	for _, tt := range []struct {
		req   *tandemv1.CreateJobRequest
		field string
	}{
		{&tandemv1.CreateJobRequest{}, "job"},
		{bad(func(j *tandemv1.Job) { j.Id = "tandem.*" }), "job.id"},
		{bad(func(j *tandemv1.Job) { j.Id = "../../etc" }), "job.id"},
		{bad(func(j *tandemv1.Job) { j.DisplayName = "a\x1b[31m" }), "job.display_name"},
		{bad(func(j *tandemv1.Job) { j.Pieces = -1 }), "job.pieces"},
		{bad(func(j *tandemv1.Job) { j.Steps[0].After = []string{"pack"} }), "job.steps[1].after[0]"},
		{bad(func(j *tandemv1.Job) { j.Steps[1].After[0] = "nowhere" }), "job.steps[1].after[0]"},
		{bad(func(j *tandemv1.Job) { j.Steps[0].LengthUm = -5 }), "job.steps[0].length_um"},
		{bad(func(j *tandemv1.Job) {
			for i := range 1001 {
				j.Steps = append(j.Steps, &tandemv1.Step{Id: fmt.Sprint("s", i), Operation: "cut"})
			}
		}), "job.steps"},
		{&tandemv1.CreateJobRequest{Job: cutJob("x"), RequestId: strings.Repeat("r", 129)}, "request_id"},
	} {
		_, err := d.jobs.CreateJob(t.Context(), tt.req)
		found := false
		for _, detail := range status.Convert(err).Details() {
			if b, ok := detail.(*errdetails.BadRequest); ok {
				for _, v := range b.GetFieldViolations() {
					found = found || v.GetField() == tt.field
				}
			}
		}
		if status.Code(err) != codes.InvalidArgument || !found {
			t.Errorf("want a violation of %s, got %v", tt.field, err)
		}
	}
	_, err := d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{Station: "s", ScanId: "1", Payload: strings.Repeat("x", 1<<20)})
	if status.Code(err) != codes.InvalidArgument || !strings.Contains(err.Error(), "payload") && len(status.Convert(err).Details()) == 0 {
		t.Errorf("1 MiB of junk in a scan: %v", err)
	}
	if after := d.revision(t); after != before {
		t.Errorf("the ledger grew from %d to %d", before, after)
	}
	if _, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: cutJob("checked"), ValidateOnly: true}); err != nil || d.revision(t) != before {
		t.Errorf("validate only: %v, revision %d", err, d.revision(t))
	}
}

func TestScansFromStartToFinish(t *testing.T) {
	d := newDaemon(t)
	d.greet(t, "cutter-1")
	d.greet(t, "bench")
	panel := d.create(t, "a").GetPanels()[0].GetCode()
	n := 0
	scan := func(device, payload, id string) *tandemv1.RecordScanResponse {
		t.Helper()
		if id == "" {
			n++
			id = fmt.Sprint(n)
		}
		r, err := d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{Station: "desk", Device: device, Payload: payload, ScanId: id})
		if err != nil {
			t.Fatal(err)
		}
		return r
	}
	if r := scan("bench", panel, ""); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION || !strings.Contains(r.GetMessage(), "cutter-1") {
		t.Errorf("at the wrong place: %v", r)
	}
	started := scan("cutter-1", panel, "start")
	if started.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_STARTED {
		t.Fatalf("start: %v", started)
	}
	if again := scan("cutter-1", panel, "start"); !proto.Equal(again, started) {
		t.Errorf("the same scan again: %v, want %v", again, started)
	}
	if r := scan("cutter-1", panel, ""); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_DUPLICATE {
		t.Errorf("another scan of the same: %v", r)
	}
	if _, err := d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{Station: "desk", Device: "bench", Payload: panel, ScanId: "start"}); reason(err) != "AlreadyExists REQUEST_ID_REUSED" {
		t.Errorf("another scan under the same id: %v", err)
	}
	job, err := d.jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: "a"})
	if err != nil {
		t.Fatal(err)
	}
	run := job.GetSteps()[0].GetRuns()[0]
	if !run.GetMayStart() || run.GetStartedBy() != "station:desk" {
		t.Errorf("run after the scan: %v", run)
	}
	d.greet(t, "cutter-1", &driverv1.RunStatus{Run: run.GetId(), Fence: run.GetFence(), State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 6})
	if r := scan("bench", panel, ""); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_STARTED {
		t.Errorf("start of hand work: %v", r)
	}
	if r := scan("bench", panel, ""); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_DUPLICATE {
		t.Errorf("a trembling hand: %v", r)
	}
	codesOf, err := d.admin.ListCodes(t.Context(), &tandemv1.ListCodesRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range codesOf.GetCodes() {
		if c.GetKind() == "command" && c.GetId() == "done" {
			scan("bench", c.GetCode(), "")
		}
	}
	if r := scan("bench", panel, ""); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_FINISHED {
		t.Errorf("done: %v", r)
	}
	if job, err = d.jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: "a"}); err != nil || job.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED {
		t.Errorf("in the end: %v %v", job.GetState(), err)
	}
}

func TestWatchResumesWithoutGapOrRepeat(t *testing.T) {
	d := newDaemon(t)
	d.create(t, "a")
	ctx, cancel := context.WithCancel(t.Context())
	stream, err := d.events.WatchEvents(ctx, &tandemv1.WatchEventsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	m, err := stream.Recv()
	if err != nil || len(m.GetSnapshot().GetJobs()) != 1 || !m.GetSnapshot().GetLast() {
		t.Fatalf("the present state: %v %v", m, err)
	}
	last := m.GetRevision()
	read := func(n int) {
		t.Helper()
		for range n {
			m, err := stream.Recv()
			if err != nil || m.GetRevision() != last+1 {
				t.Fatalf("after %d: %v %v", last, m.GetRevision(), err)
			}
			last++
		}
	}
	for i := range 5 {
		d.create(t, fmt.Sprint("before-", i))
	}
	read(5)
	cancel()
	for i := range 5 {
		d.create(t, fmt.Sprint("away-", i))
	}
	if stream, err = d.events.WatchEvents(t.Context(), &tandemv1.WatchEventsRequest{Revision: last}); err != nil {
		t.Fatal(err)
	}
	d.create(t, "after")
	read(6)

	future, err := d.events.WatchEvents(t.Context(), &tandemv1.WatchEventsRequest{Revision: last + 1000})
	if err == nil {
		_, err = future.Recv()
	}
	if reason(err) != "OutOfRange REVISION_AHEAD" {
		t.Errorf("a revision from the future: %v", err)
	}
}

func TestPages(t *testing.T) {
	d := newDaemon(t)
	for i := range 25 {
		d.create(t, fmt.Sprintf("job-%d", i))
	}
	var got []string
	token := ""
	for {
		page, err := d.jobs.ListJobs(t.Context(), &tandemv1.ListJobsRequest{PageSize: 10, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, j := range page.GetJobs() {
			got = append(got, j.GetId())
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	for i, id := range got {
		if id != fmt.Sprintf("job-%d", i) {
			t.Fatalf("place %d holds %s", i, id)
		}
	}
	if len(got) != 25 {
		t.Fatalf("%d jobs, want 25", len(got))
	}
	if _, err := d.jobs.ListJobs(t.Context(), &tandemv1.ListJobsRequest{PageToken: "garbage!"}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("a made-up page token: %v", err)
	}
}

// No method may be missing or fall over, whatever it is asked.
func TestEveryMethodAnswersAnEmptyRequest(t *testing.T) {
	d := newDaemon(t)
	for _, file := range []protoreflect.FileDescriptor{
		tandemv1.File_tandem_v1_job_service_proto, tandemv1.File_tandem_v1_device_service_proto, tandemv1.File_tandem_v1_scan_service_proto,
		tandemv1.File_tandem_v1_event_service_proto, tandemv1.File_tandem_v1_admin_service_proto,
	} {
		for i := range file.Services().Len() {
			service := file.Services().Get(i)
			for k := range service.Methods().Len() {
				method := service.Methods().Get(k)
				if method.IsStreamingServer() {
					continue
				}
				path := fmt.Sprintf("/%s/%s", service.FullName(), method.Name())
				err := d.conn.Invoke(t.Context(), path, dynamicpb.NewMessage(method.Input()), dynamicpb.NewMessage(method.Output()))
				if c := status.Code(err); c == codes.Unimplemented || c == codes.Internal || c == codes.Unknown {
					t.Errorf("%s: %v", path, err)
				}
			}
		}
	}
}

// A scan that has waited for the daemon starts nothing: nobody knows who stands at the machine by then.
func TestAnOldScanStartsNothing(t *testing.T) {
	d := newDaemon(t)
	d.greet(t, "cutter-1")
	panel := d.create(t, "a").GetPanels()[0].GetCode()
	r, err := d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{
		Station: "desk", Device: "cutter-1", Payload: panel, ScanId: "1", ScanTime: timestamppb.New(time.Now().Add(-time.Minute)),
	})
	if err != nil || r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_NOT_READY {
		t.Fatalf("a scan of a minute ago: %v %v", r, err)
	}
	job, err := d.jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: "a"})
	if err != nil || job.GetSteps()[0].GetRuns()[0].GetMayStart() {
		t.Fatalf("the cutter may start: %v %v", job, err)
	}
}
