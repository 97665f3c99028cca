package main

import (
	"bytes"
	"context"
	"errors"
	"io"
	"net"
	"path"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/grpc/test/bufconn"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// noon is the floor's clock in the tests, zone the reader's: one hour ahead, so that a time in UTC by mistake is seen.
var (
	noon = time.Date(2026, 11, 25, 12, 2, 0, 0, time.UTC)
	zone = time.FixedZone("", 3600)
)

func after(minutes int) *timestamppb.Timestamp {
	return timestamppb.New(noon.Add(time.Duration(minutes) * time.Minute))
}

// fake is a daemon of canned answers. It notes every request and can be made to fail, to stop and to start again.
type fake struct {
	tandemv1.UnimplementedJobServiceServer
	tandemv1.UnimplementedDeviceServiceServer
	tandemv1.UnimplementedEventServiceServer
	tandemv1.UnimplementedScanServiceServer
	tandemv1.UnimplementedAdminServiceServer
	tandemv1.UnimplementedMaterialServiceServer
	tandemv1.UnimplementedDurationServiceServer
	tandemv1.UnimplementedForecastServiceServer
	tandemv1.UnimplementedPlanServiceServer
	reportFake

	jobs    []*tandemv1.Job
	devices []*tandemv1.Device
	commits []*tandemv1.WatchEventsResponse
	status  *tandemv1.Status
	quote   *tandemv1.Quote

	proposals []*tandemv1.GangProposal
	backup    []*tandemv1.BackupResponse

	plan       *tandemv1.Plan
	comparison *tandemv1.Comparison
	playing    func(step int) // before each message of a comparison

	learned []*tandemv1.LearnedDuration
	would   *tandemv1.Forecast                // of a job that is only checked
	dates   []*tandemv1.ListForecastsResponse // all, then what changes
	scan    func(*tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error)
	watch   func(*tandemv1.WatchEventsRequest, grpc.ServerStreamingServer[tandemv1.WatchEventsResponse]) error
	page    int // jobs, devices or commits in a page

	mu       sync.Mutex
	requests []proto.Message
	fail     map[string]error // by method
	server   *grpc.Server
	listener *bufconn.Listener
}

func newFake(t *testing.T) *fake {
	t.Helper()
	f := &fake{jobs: someJobs(), devices: someDevices(), commits: someCommits(), quote: someQuote(), learned: someDurations(), plan: somePlan(), comparison: someComparison(), fail: map[string]error{}, page: 2, reportFake: someReports()}
	f.status = &tandemv1.Status{
		Version: "v0.9.0", Term: 3, Revision: 1042, LedgerHead: "9f86d081", Now: timestamppb.New(noon), TimeScale: 1,
		StartTime: after(-62), DataDir: "data", DevicesOnline: 2, DevicesNotOnline: 1, JobsOpen: 3, ReportsDropped: 7,
		Reasons: []string{"printer-2 has been silent for 7 min"}, Operators: proto.Int32(2), OperatorsChangeTime: after(90),
	}
	f.scan = func(*tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
		return &tandemv1.RecordScanResponse{Outcome: tandemv1.RecordScanResponse_OUTCOME_STARTED, Message: "cut begins on cutter-1", Subject: "runs/r11", Revision: 1043}, nil
	}
	f.start()
	t.Cleanup(f.stop)
	return f
}

func (f *fake) start() {
	f.mu.Lock()
	defer f.mu.Unlock()
	f.listener = bufconn.Listen(1 << 20)
	f.server = grpc.NewServer(grpc.UnaryInterceptor(f.intercept))
	tandemv1.RegisterJobServiceServer(f.server, f)
	tandemv1.RegisterDeviceServiceServer(f.server, f)
	tandemv1.RegisterEventServiceServer(f.server, f)
	tandemv1.RegisterScanServiceServer(f.server, f)
	tandemv1.RegisterAdminServiceServer(f.server, f)
	tandemv1.RegisterMaterialServiceServer(f.server, f)
	tandemv1.RegisterDurationServiceServer(f.server, f)
	tandemv1.RegisterForecastServiceServer(f.server, f)
	tandemv1.RegisterPlanServiceServer(f.server, f)
	tandemv1.RegisterReportServiceServer(f.server, f)
	server, listener := f.server, f.listener
	go func() { _ = server.Serve(listener) }()
}

// stop ends the daemon as a crash would: connections break, and new ones are refused.
func (f *fake) stop() {
	f.mu.Lock()
	server := f.server
	f.server, f.listener = nil, nil
	f.mu.Unlock()
	if server != nil {
		server.Stop()
	}
}

func (f *fake) dial(ctx context.Context, _ string) (net.Conn, error) {
	f.mu.Lock()
	listener := f.listener
	f.mu.Unlock()
	if listener == nil {
		return nil, &net.OpError{Op: "dial", Net: "tcp", Err: syscall.ECONNREFUSED}
	}
	return listener.DialContext(ctx)
}

func (f *fake) intercept(ctx context.Context, req any, info *grpc.UnaryServerInfo, handler grpc.UnaryHandler) (any, error) {
	f.mu.Lock()
	f.requests = append(f.requests, proto.Clone(req.(proto.Message)))
	err := f.fail[path.Base(info.FullMethod)]
	f.mu.Unlock()
	if err != nil {
		return nil, err
	}
	return handler(ctx, req)
}

// sent returns the requests of one type, in the order in which they came.
func sent[M proto.Message](f *fake) []M {
	f.mu.Lock()
	defer f.mu.Unlock()
	var out []M
	for _, r := range f.requests {
		if m, ok := r.(M); ok {
			out = append(out, m)
		}
	}
	return out
}

// surroundings are those of a pipe: no terminal.
func (f *fake) surroundings(args ...string) (system, *output, *output) {
	out, errs := &output{}, &output{}
	return system{
		args:   args,
		env:    func(name string) string { return map[string]string{"USER": "anna"}[name] },
		user:   "somebody",
		host:   "Bench-PC.shop.example",
		stdin:  strings.NewReader(""),
		stdout: out,
		stderr: errs,
		size:   func() (int, int) { return 80, 30 },
		// Not the floor's clock, to see which one is used.
		now:         func() time.Time { return noon.Add(17 * time.Hour) },
		zone:        zone,
		dialOptions: []grpc.DialOption{grpc.WithContextDialer(f.dial)},
	}, out, errs
}

// tandem runs the program once.
func (f *fake) tandem(t *testing.T, args ...string) (code int, stdout, stderr string) {
	t.Helper()
	s, out, errs := f.surroundings(args...)
	code = run(t.Context(), s)
	return code, out.String(), errs.String()
}

// output is a stream that may be written and read at once.
type output struct {
	mu sync.Mutex
	b  bytes.Buffer
}

func (o *output) Write(p []byte) (int, error) {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.Write(p)
}

func (o *output) String() string {
	o.mu.Lock()
	defer o.mu.Unlock()
	return o.b.String()
}

// waitFor waits until a text has been written.
func (o *output) waitFor(t *testing.T, text string) {
	t.Helper()
	eventually(t, func() bool { return strings.Contains(o.String(), text) }, func() string {
		return "no " + text + " in:\n" + o.String()
	})
}

// eventually waits for a condition.
func eventually(t *testing.T, condition func() bool, message func() string) {
	t.Helper()
	deadline := time.After(20 * time.Second)
	tick := time.NewTicker(5 * time.Millisecond)
	defer tick.Stop()
	for !condition() {
		select {
		case <-tick.C:
		case <-deadline:
			t.Fatal(message())
		}
	}
}

func (f *fake) job(id string) (*tandemv1.Job, error) {
	for _, j := range f.jobs {
		if j.GetId() == id || j.GetCode() == id {
			return j, nil
		}
	}
	return nil, status.Errorf(codes.NotFound, "there is no job %q", id)
}

func (f *fake) device(id string) (*tandemv1.Device, error) {
	for _, d := range f.devices {
		if d.GetId() == id || d.GetCode() == id {
			return d, nil
		}
	}
	return nil, status.Errorf(codes.NotFound, "there is no device %q", id)
}

func (f *fake) CreateJob(_ context.Context, r *tandemv1.CreateJobRequest) (*tandemv1.Job, error) {
	job := proto.CloneOf(r.GetJob())
	if r.GetValidateOnly() {
		job.Forecast = f.would
	} else {
		job.Code, job.State = "J900X", tandemv1.JobState_JOB_STATE_PENDING
		if job.GetHold() {
			job.State, job.StateReasons = tandemv1.JobState_JOB_STATE_PENDING_HELD, []string{"job-hold-until-specified"}
		}
	}
	return job, nil
}

func (f *fake) QuoteJob(context.Context, *tandemv1.QuoteJobRequest) (*tandemv1.Quote, error) {
	return f.quote, nil
}

func (f *fake) GangJobs(_ context.Context, r *tandemv1.GangJobsRequest) (*tandemv1.Job, error) {
	job := someGang()
	job.Id, job.Members = r.GetId(), r.GetJobs()
	if r.GetValidateOnly() {
		job.Code, job.State, job.StateReasons = "", tandemv1.JobState_JOB_STATE_UNSPECIFIED, nil
	}
	return job, nil
}

func (f *fake) ProposeGangs(context.Context, *tandemv1.ProposeGangsRequest) (*tandemv1.ProposeGangsResponse, error) {
	return &tandemv1.ProposeGangsResponse{Proposals: f.proposals}, nil
}

func (f *fake) ListDurations(_ context.Context, r *tandemv1.ListDurationsRequest) (*tandemv1.ListDurationsResponse, error) {
	out := &tandemv1.ListDurationsResponse{Revision: 1042}
	for _, d := range f.learned {
		if r.GetDevice() == "" || d.GetDevice() == r.GetDevice() {
			out.Durations = append(out.Durations, d)
		}
	}
	return out, nil
}

func (f *fake) ResetDurations(_ context.Context, r *tandemv1.ResetDurationsRequest) (*tandemv1.ListDurationsResponse, error) {
	out := &tandemv1.ListDurationsResponse{Revision: 1043}
	for _, d := range f.learned {
		gone := (r.GetOperation() == "" || d.GetOperation() == r.GetOperation()) && (r.GetMode() == "" || d.GetMode() == r.GetMode())
		if d.GetDevice() == r.GetDevice() && !gone {
			out.Durations = append(out.Durations, d)
		}
	}
	return out, nil
}

func (f *fake) GetJob(_ context.Context, r *tandemv1.GetJobRequest) (*tandemv1.Job, error) {
	return f.job(r.GetId())
}

func (f *fake) ListJobs(_ context.Context, r *tandemv1.ListJobsRequest) (*tandemv1.ListJobsResponse, error) {
	var chosen []*tandemv1.Job
	for _, j := range f.jobs {
		for _, s := range r.GetStates() {
			if j.GetState() == s {
				chosen = append(chosen, j)
			}
		}
		if len(r.GetStates()) == 0 {
			chosen = append(chosen, j)
		}
	}
	from, next := pageOf(r.GetPageToken(), f.page, len(chosen))
	return &tandemv1.ListJobsResponse{Jobs: chosen[from:min(from+f.page, len(chosen))], NextPageToken: next, Revision: 1042 + uint64(from)}, nil
}

func pageOf(token string, size, of int) (from int, next string) {
	from = len(token)
	if from+size < of {
		next = strings.Repeat("x", from+size)
	}
	return from, next
}

func (f *fake) HoldJob(_ context.Context, r *tandemv1.HoldJobRequest) (*tandemv1.Job, error) {
	return f.job(r.GetId())
}

func (f *fake) ReleaseJob(_ context.Context, r *tandemv1.ReleaseJobRequest) (*tandemv1.Job, error) {
	return f.job(r.GetId())
}

func (f *fake) CancelJob(_ context.Context, r *tandemv1.CancelJobRequest) (*tandemv1.Job, error) {
	return f.job(r.GetId())
}

func (f *fake) RemakePieces(_ context.Context, r *tandemv1.RemakePiecesRequest) (*tandemv1.Job, error) {
	return f.job(r.GetId())
}

func (f *fake) OverrideWait(_ context.Context, r *tandemv1.OverrideWaitRequest) (*tandemv1.Job, error) {
	return f.job(r.GetId())
}

func (f *fake) ExplainStep(_ context.Context, r *tandemv1.ExplainStepRequest) (*tandemv1.ExplainStepResponse, error) {
	job, err := f.job(r.GetId())
	if err != nil {
		return nil, err
	}
	return &tandemv1.ExplainStepResponse{
		Step: job.GetSteps()[1], Summary: "dries in rack-1", ReadyTime: after(28), Rule: "earliest completion",
		Candidates: []*tandemv1.Candidate{
			{Device: "rack-1", Eligible: true, FinishTime: after(28), Work: durationpb.New(40 * time.Minute), Changeover: durationpb.New(0)},
			{Device: "cutter-1", Reason: "cannot dry"},
		},
	}, nil
}

func (f *fake) GetDevice(_ context.Context, r *tandemv1.GetDeviceRequest) (*tandemv1.Device, error) {
	return f.device(r.GetId())
}

func (f *fake) ListDevices(_ context.Context, r *tandemv1.ListDevicesRequest) (*tandemv1.ListDevicesResponse, error) {
	from, next := pageOf(r.GetPageToken(), f.page, len(f.devices))
	return &tandemv1.ListDevicesResponse{Devices: f.devices[from:min(from+f.page, len(f.devices))], NextPageToken: next, Revision: 1042 + uint64(from)}, nil
}

func (f *fake) PauseDevice(_ context.Context, r *tandemv1.PauseDeviceRequest) (*tandemv1.Device, error) {
	return f.device(r.GetId())
}

func (f *fake) ResumeDevice(_ context.Context, r *tandemv1.ResumeDeviceRequest) (*tandemv1.Device, error) {
	return f.device(r.GetId())
}

func (f *fake) LockDevice(_ context.Context, r *tandemv1.LockDeviceRequest) (*tandemv1.Device, error) {
	return f.device(r.GetId())
}

func (f *fake) UnlockDevice(_ context.Context, r *tandemv1.UnlockDeviceRequest) (*tandemv1.Device, error) {
	return f.device(r.GetId())
}

func (f *fake) LoadMedia(_ context.Context, r *tandemv1.LoadMediaRequest) (*tandemv1.Device, error) {
	return f.device(r.GetId())
}

func (f *fake) ReplaceBlade(_ context.Context, r *tandemv1.ReplaceBladeRequest) (*tandemv1.Device, error) {
	return f.device(r.GetId())
}

func (f *fake) ListLots(_ context.Context, r *tandemv1.ListLotsRequest) (*tandemv1.ListLotsResponse, error) {
	var chosen []*tandemv1.Lot
	for _, l := range someLots() {
		if (r.GetMedia() == "" || l.GetMedia() == r.GetMedia()) && (l.GetRemainingUm() > 0 || r.GetIncludeEmpty()) {
			chosen = append(chosen, l)
		}
	}
	from, next := pageOf(r.GetPageToken(), f.page, len(chosen))
	return &tandemv1.ListLotsResponse{Lots: chosen[from:min(from+f.page, len(chosen))], NextPageToken: next, Revision: 1042 + uint64(from)}, nil
}

func (f *fake) ReceiveLot(_ context.Context, r *tandemv1.ReceiveLotRequest) (*tandemv1.Lot, error) {
	lot := proto.CloneOf(r.GetLot())
	if lot.GetId() == "" {
		lot.Id = "lot-12"
	}
	lot.Code, lot.RemainingUm = "M00CX", lot.GetLengthUm()
	return lot, nil
}

func (f *fake) MeasureLot(_ context.Context, r *tandemv1.MeasureLotRequest) (*tandemv1.Lot, error) {
	lot := proto.CloneOf(someLots()[0])
	lot.RemainingUm, lot.StateReasons = r.GetRemainingUm(), []string{"media-low-warning"}
	return lot, nil
}

func (f *fake) StartRun(_ context.Context, r *tandemv1.StartRunRequest) (*tandemv1.Run, error) {
	return &tandemv1.Run{Id: r.GetRun(), Job: "door-signs", Step: "cut", Device: "cutter-1", State: tandemv1.JobState_JOB_STATE_PENDING, MayStart: true, StartedBy: r.GetActor(), OverrideNote: before(r.GetActor()+": ", r.GetOverrideNote())}, nil
}

func (f *fake) FinishRun(_ context.Context, r *tandemv1.FinishRunRequest) (*tandemv1.Run, error) {
	return &tandemv1.Run{Id: r.GetRun(), Job: "door-signs", Step: "cut", Device: "cutter-1", State: tandemv1.JobState_JOB_STATE_COMPLETED}, nil
}

func (f *fake) ResolveRun(context.Context, *tandemv1.ResolveRunRequest) (*tandemv1.Job, error) {
	return f.jobs[0], nil
}

func (f *fake) GetStatus(context.Context, *tandemv1.GetStatusRequest) (*tandemv1.Status, error) {
	return f.status, nil
}

func (f *fake) GetAttendance(context.Context, *tandemv1.GetAttendanceRequest) (*tandemv1.AttendanceView, error) {
	return &tandemv1.AttendanceView{
		Now: timestamppb.New(noon), TimeZone: "Europe/Berlin", Operators: proto.Int32(2), OperatorsBusy: 1, ChangeTime: after(90),
		Windows: []*tandemv1.AttendanceWindow{
			{FromTime: after(-300), ToTime: after(90), Operators: 2}, {FromTime: after(90), ToTime: after(420), Operators: 1},
		},
	}, nil
}

func (f *fake) SetAttendance(ctx context.Context, r *tandemv1.SetAttendanceRequest) (*tandemv1.AttendanceView, error) {
	v, err := f.GetAttendance(ctx, nil)
	v.Operators, v.ChangeTime = new(r.GetOperators()), r.GetUntilTime()
	v.Deviation = &tandemv1.AttendanceDeviation{Operators: r.GetOperators(), FromTime: v.GetNow(), UntilTime: r.GetUntilTime(), Note: r.GetNote(), Actor: r.GetActor()}
	return v, err
}

func (f *fake) GetReview(context.Context, *tandemv1.GetReviewRequest) (*tandemv1.Review, error) {
	return &tandemv1.Review{
		BackupTime: after(-120),
		Runs: []*tandemv1.UnrecordedRun{
			{Device: "cutter-1", Run: "run-7", State: tandemv1.JobState_JOB_STATE_PROCESSING, PiecesGood: 12, Job: "parked", Step: "cut", StepKnown: true, FirstTime: after(-60)},
			{Device: "printer-2", Run: "run-9", State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 6, PiecesSpoiled: 1, FirstTime: after(-60)},
			{Device: "printer-1", Run: "run-11", State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 4, Job: "shop-window", Step: "print", StepKnown: true, FirstTime: after(-30)},
		},
		Steps: []*tandemv1.StepToReview{
			{Job: "parked", Step: "print", Operation: "print", PiecesLeft: 60},
			{Job: "parked", Step: "cut", Operation: "cut", PiecesLeft: 60},
			{Job: "shop-window", Step: "cut", Operation: "cut", PiecesLeft: 4},
		},
	}, nil
}

func (f *fake) ReviewWork(context.Context, *tandemv1.ReviewWorkRequest) (*tandemv1.Review, error) {
	return &tandemv1.Review{BackupTime: after(-120)}, nil
}

// Backup sends what backup holds in parts, and what it says of it.
func (f *fake) Backup(_ *tandemv1.BackupRequest, stream grpc.ServerStreamingServer[tandemv1.BackupResponse]) error {
	for _, part := range f.backup {
		if err := stream.Send(part); err != nil {
			return err
		}
	}
	return f.fail["Backup"]
}

func (f *fake) ListCodes(context.Context, *tandemv1.ListCodesRequest) (*tandemv1.ListCodesResponse, error) {
	return &tandemv1.ListCodesResponse{Codes: []*tandemv1.FloorCode{
		{Kind: "device", Id: "rack-1", Code: "D1A", DisplayName: "Drying rack"},
		{Kind: "device", Id: "cutter-1", Code: "D2B"},
		{Kind: "slot", Id: "rack-1/upper-left", Code: "R0005", DisplayName: "slot upper-left of Drying rack"},
		{Kind: "person", Id: "anna", Code: "U1A", DisplayName: "Anna"},
		{Kind: "command", Id: "done", Code: "K2C", DisplayName: "end the run of the panel at the device, scanned next"},
	}}, nil
}

func (f *fake) RecordScan(_ context.Context, r *tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error) {
	return f.scan(r)
}

func (f *fake) ListEvents(_ context.Context, r *tandemv1.ListEventsRequest) (*tandemv1.ListEventsResponse, error) {
	out := &tandemv1.ListEventsResponse{}
	for _, c := range f.commits {
		if c.GetRevision() <= r.GetAfterRevision() {
			continue
		}
		if len(out.GetCommits()) == f.page {
			out.NextAfterRevision = out.GetCommits()[f.page-1].GetRevision()
			break
		}
		out.Commits = append(out.Commits, c)
	}
	return out, nil
}

func (f *fake) WatchEvents(r *tandemv1.WatchEventsRequest, stream grpc.ServerStreamingServer[tandemv1.WatchEventsResponse]) error {
	f.mu.Lock()
	f.requests = append(f.requests, proto.Clone(r))
	watch := f.watch
	f.mu.Unlock()
	if watch == nil {
		return errors.New("no watch is written for this test")
	}
	return watch(r, stream)
}

func (f *fake) GetPlan(context.Context, *tandemv1.GetPlanRequest) (*tandemv1.Plan, error) {
	return f.plan, nil
}

func (f *fake) CompareFloors(r *tandemv1.CompareFloorsRequest, stream grpc.ServerStreamingServer[tandemv1.CompareFloorsResponse]) error {
	f.mu.Lock()
	f.requests = append(f.requests, proto.Clone(r))
	err := f.fail["CompareFloors"]
	f.mu.Unlock()
	if err != nil {
		return err
	}
	const total = 40
	for done := int32(0); done <= total; done += total / 4 {
		if f.playing != nil {
			f.playing(int(done))
		}
		m := &tandemv1.CompareFloorsResponse{Done: done, Total: total}
		if done == total {
			m.Comparison = f.comparison
		}
		if err := stream.Send(m); err != nil {
			return err
		}
	}
	return nil
}

// newTyping returns a standard input and a function that types on it; no text means the end of the input.
func newTyping(t *testing.T) (*io.PipeReader, func(string)) {
	t.Helper()
	r, w := io.Pipe()
	t.Cleanup(func() { _ = w.Close() })
	return r, func(text string) {
		t.Helper()
		if text == "" {
			_ = w.Close()
			return
		}
		if _, err := io.WriteString(w, text); err != nil {
			t.Error(err)
		}
	}
}
