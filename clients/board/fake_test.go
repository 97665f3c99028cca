package board

import (
	"context"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"strings"
	"sync"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// noon is when the tests' floor stands.
var noon = time.Date(2026, 11, 26, 12, 0, 0, 0, time.UTC)

// fakeDaemon answers as the daemon does, from what the test has put there, and counts what it is asked.
type fakeDaemon struct {
	tandemv1.EventServiceClient
	tandemv1.JobServiceClient
	tandemv1.DeviceServiceClient
	tandemv1.ScanServiceClient
	tandemv1.PlanServiceClient
	tandemv1.AdminServiceClient
	tandemv1.ForecastServiceClient

	mu       sync.Mutex
	jobs     map[string]*tandemv1.Job
	order    []string
	devices  []*tandemv1.Device
	revision uint64
	watches  []chan *tandemv1.WatchEventsResponse
	asked    map[string]int
	scan     func(*tandemv1.RecordScanRequest) (*tandemv1.RecordScanResponse, error)
	plan     *tandemv1.Plan // nil: no plans are searched for
}

func newFakeDaemon() *fakeDaemon {
	return &fakeDaemon{jobs: map[string]*tandemv1.Job{}, asked: map[string]int{}, revision: 1}
}

func (d *fakeDaemon) api() api { return api{d, d, d, d, d, d, d} }

func (d *fakeDaemon) count(method string) int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.asked[method]
}

// put sets jobs and devices, and tells those who watch.
func (d *fakeDaemon) put(jobs []*tandemv1.Job, devices ...*tandemv1.Device) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.revision++
	commit := &tandemv1.Commit{CommitTime: timestamppb.New(noon)}
	for _, j := range jobs {
		if d.jobs[j.GetId()] == nil {
			d.order = append(d.order, j.GetId())
		}
		d.jobs[j.GetId()] = j
		commit.Events = append(commit.Events, &tandemv1.Event{Type: "job.changed", Job: j.GetId()})
	}
	for _, x := range devices {
		commit.Events = append(commit.Events, &tandemv1.Event{Type: "device.changed", Device: x.GetId()})
		found := false
		for i, old := range d.devices {
			if old.GetId() == x.GetId() {
				d.devices[i], found = x, true
			}
		}
		if !found {
			d.devices = append(d.devices, x)
		}
	}
	for _, w := range d.watches {
		w <- &tandemv1.WatchEventsResponse{Revision: d.revision, Mark: 1, Payload: &tandemv1.WatchEventsResponse_Commit{Commit: commit}}
	}
}

func (d *fakeDaemon) WatchEvents(ctx context.Context, _ *tandemv1.WatchEventsRequest, _ ...grpc.CallOption) (grpc.ServerStreamingClient[tandemv1.WatchEventsResponse], error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked["WatchEvents"]++
	snapshot := &tandemv1.Snapshot{Last: true, Devices: append([]*tandemv1.Device(nil), d.devices...)}
	for _, id := range d.order {
		snapshot.Jobs = append(snapshot.Jobs, d.jobs[id])
	}
	messages := make(chan *tandemv1.WatchEventsResponse, 10_000)
	messages <- &tandemv1.WatchEventsResponse{Revision: d.revision, Mark: 1, Payload: &tandemv1.WatchEventsResponse_Snapshot{Snapshot: snapshot}}
	d.watches = append(d.watches, messages)
	return &fakeWatch{ctx: ctx, messages: messages}, nil
}

type fakeWatch struct {
	grpc.ServerStreamingClient[tandemv1.WatchEventsResponse]
	ctx      context.Context
	messages chan *tandemv1.WatchEventsResponse
}

func (w *fakeWatch) Recv() (*tandemv1.WatchEventsResponse, error) {
	select {
	case m := <-w.messages:
		if m == nil {
			return nil, status.Error(codes.Unavailable, "stopping")
		}
		return m, nil
	case <-w.ctx.Done():
		return nil, status.FromContextError(w.ctx.Err()).Err()
	}
}

func (d *fakeDaemon) GetJob(_ context.Context, r *tandemv1.GetJobRequest, _ ...grpc.CallOption) (*tandemv1.Job, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked["GetJob"]++
	if j := d.jobs[r.GetId()]; j != nil {
		return j, nil
	}
	return nil, status.Error(codes.NotFound, "there is no such job")
}

func (d *fakeDaemon) ExplainStep(_ context.Context, r *tandemv1.ExplainStepRequest, _ ...grpc.CallOption) (*tandemv1.ExplainStepResponse, error) {
	return &tandemv1.ExplainStepResponse{Summary: r.GetStep() + " waits for its turn"}, nil
}

func (d *fakeDaemon) ListDevices(context.Context, *tandemv1.ListDevicesRequest, ...grpc.CallOption) (*tandemv1.ListDevicesResponse, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.asked["ListDevices"]++
	return &tandemv1.ListDevicesResponse{Devices: append([]*tandemv1.Device(nil), d.devices...)}, nil
}

func (d *fakeDaemon) GetStatus(context.Context, *tandemv1.GetStatusRequest, ...grpc.CallOption) (*tandemv1.Status, error) {
	return &tandemv1.Status{Now: timestamppb.New(noon), TimeScale: 1}, nil
}

func (d *fakeDaemon) GetFloor(context.Context, *tandemv1.GetFloorRequest, ...grpc.CallOption) (*tandemv1.FloorFile, error) {
	return &tandemv1.FloorFile{DisplayName: "Lantern Street <Workshop>"}, nil
}

func (d *fakeDaemon) GetPlan(context.Context, *tandemv1.GetPlanRequest, ...grpc.CallOption) (*tandemv1.Plan, error) {
	if d.plan == nil {
		return nil, status.Error(codes.FailedPrecondition, "this daemon searches for no plans")
	}
	return d.plan, nil
}

func (d *fakeDaemon) WatchForecasts(ctx context.Context, _ *tandemv1.WatchForecastsRequest, _ ...grpc.CallOption) (grpc.ServerStreamingClient[tandemv1.ListForecastsResponse], error) {
	return nil, status.Error(codes.Unimplemented, "none")
}

func (d *fakeDaemon) RecordScan(_ context.Context, r *tandemv1.RecordScanRequest, _ ...grpc.CallOption) (*tandemv1.RecordScanResponse, error) {
	return d.scan(proto.CloneOf(r))
}

// newFakeBoard is a board of a fake daemon that stands at noon.
func newFakeBoard(t testing.TB, d *fakeDaemon, c Config) *Board {
	t.Helper()
	c.Now = func() time.Time { return noon }
	b, err := New(c)
	if err != nil {
		t.Fatal(err)
	}
	b.api = d.api()
	b.mirror.api = b.api
	return b
}

// standing puts what the daemon has into the board without following it.
func (b *Board) standing(d *fakeDaemon) *Board {
	m := b.mirror
	m.next.floor, _ = d.GetFloor(context.Background(), nil)
	for _, id := range d.order {
		m.next.jobs = append(m.next.jobs, d.jobs[id])
	}
	m.next.devices, m.next.complete, m.next.awaySince = d.devices, true, time.Time{}
	m.next.floorTime, m.next.readAt = noon, noon
	m.publish()
	return b
}

// sample is a job of three steps with two panels, whose cut waits for its start on cutter-1.
func sample(id string) (*tandemv1.Job, *tandemv1.Device) {
	run := &tandemv1.Run{Id: "r7-" + id, Device: "cutter-1", Pieces: 4, State: tandemv1.JobState_JOB_STATE_PENDING, Reason: &tandemv1.GrantReason{Rule: "earliest completion", Waiting: 2}}
	j := &tandemv1.Job{
		Id: id, DisplayName: "Gulls", Code: "J" + strings.ToUpper(id), State: tandemv1.JobState_JOB_STATE_PROCESSING, DueTime: timestamppb.New(noon.Add(2 * time.Hour)), Revision: 1,
		Panels: []*tandemv1.Panel{{Id: "p1", Code: "P" + strings.ToUpper(id) + "1", Place: "rack", Slot: "a3", PiecesGood: 2}, {Id: "p2", Code: "P" + strings.ToUpper(id) + "2", PiecesGood: 2}},
		Steps: []*tandemv1.Step{
			{Id: "print", Operation: "print", State: tandemv1.JobState_JOB_STATE_COMPLETED},
			{Id: "cut", Operation: "cut", After: []string{"print"}, State: tandemv1.JobState_JOB_STATE_PENDING, Runs: []*tandemv1.Run{run}},
			{Id: "pack", Operation: "pack", After: []string{"cut"}, State: tandemv1.JobState_JOB_STATE_PENDING_HELD},
		},
		Forecast: &tandemv1.Forecast{P90Time: timestamppb.New(noon.Add(3 * time.Hour)), LateRisk: 0.7},
	}
	d := &tandemv1.Device{
		Id: "cutter-1", Code: "D7", Link: tandemv1.Link_LINK_ONLINE, State: tandemv1.DeviceState_DEVICE_STATE_IDLE,
		Runs: []*tandemv1.DeviceRun{{Run: run.GetId(), Job: id, Step: "cut", Operation: "cut", State: tandemv1.JobState_JOB_STATE_PENDING, StateReasons: []string{"x-awaiting-start"}, Pieces: 4, PanelCodes: []string{j.GetPanels()[0].GetCode()}}},
	}
	return j, d
}

// get asks a handler and returns the answer's code and body.
func get(h http.Handler, path string) (int, string, http.Header) {
	w := httptest.NewRecorder()
	h.ServeHTTP(w, httptest.NewRequest(http.MethodGet, "http://127.0.0.1:7480"+path, nil))
	body, err := io.ReadAll(w.Result().Body)
	if err != nil {
		panic(err)
	}
	return w.Code, string(body), w.Header()
}

func many(n int) (jobs []*tandemv1.Job, devices []*tandemv1.Device) {
	for i := range n {
		j, d := sample(fmt.Sprintf("job-%05d", i))
		d.Id = fmt.Sprintf("cutter-%d", i)
		j.GetSteps()[1].GetRuns()[0].Device = d.GetId()
		jobs, devices = append(jobs, j), append(devices, d)
	}
	return jobs, devices
}
