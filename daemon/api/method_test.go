package api_test

import (
	"errors"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	healthpb "google.golang.org/grpc/health/grpc_health_v1"
	reflectionpb "google.golang.org/grpc/reflection/grpc_reflection_v1"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/reflect/protoreflect"
	"google.golang.org/protobuf/types/dynamicpb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// services are the services by descriptor.
func services() []protoreflect.ServiceDescriptor {
	var out []protoreflect.ServiceDescriptor
	for _, file := range []protoreflect.FileDescriptor{
		tandemv1.File_tandem_v1_job_service_proto, tandemv1.File_tandem_v1_device_service_proto, tandemv1.File_tandem_v1_scan_service_proto,
		tandemv1.File_tandem_v1_event_service_proto, tandemv1.File_tandem_v1_admin_service_proto,
		tandemv1.File_tandem_v1_material_service_proto, tandemv1.File_tandem_v1_duration_service_proto, tandemv1.File_tandem_v1_plan_service_proto,
	} {
		for i := range file.Services().Len() {
			out = append(out, file.Services().Get(i))
		}
	}
	return out
}

// No method may be missing or fall over, whatever it is asked.
func TestEveryMethodAnswersAnEmptyRequest(t *testing.T) {
	d := newDaemon(t)
	n := 0
	for _, service := range services() {
		for i := range service.Methods().Len() {
			m := service.Methods().Get(i)
			path := "/" + string(service.FullName()) + "/" + string(m.Name())
			out := dynamicpb.NewMessage(m.Output())
			var err error
			if m.IsStreamingServer() {
				var stream grpc.ClientStream
				if stream, err = d.conn.NewStream(t.Context(), &grpc.StreamDesc{ServerStreams: true}, path); err != nil {
					t.Fatal(err)
				}
				if err = errors.Join(stream.SendMsg(dynamicpb.NewMessage(m.Input())), stream.CloseSend()); err == nil {
					err = stream.RecvMsg(out)
				}
			} else {
				err = d.conn.Invoke(t.Context(), path, dynamicpb.NewMessage(m.Input()), out)
			}
			switch status.Code(err) {
			case codes.OK:
			case codes.InvalidArgument:
				if len(fieldsOf(err)) == 0 {
					t.Errorf("%s names no field: %v", path, err)
				}
			case codes.NotFound:
				if infoOf(err) == nil {
					t.Errorf("%s: no ErrorInfo: %v", path, err)
				}
			default:
				t.Errorf("%s: %v", path, err)
			}
			n++
		}
	}
	if n != 41 {
		t.Errorf("%d methods called, want 41: 12 of jobs, 11 of devices, 1 of scans, 2 of events, 8 of the daemon, 3 of material, 2 of durations, 2 of plans", n)
	}
	d.check()
}

func TestHealth(t *testing.T) {
	d := newDaemon(t)
	client := healthpb.NewHealthClient(d.conn)
	names := []string{""}
	for _, s := range services() {
		names = append(names, string(s.FullName()))
	}
	for _, want := range []healthpb.HealthCheckResponse_ServingStatus{
		healthpb.HealthCheckResponse_NOT_SERVING, healthpb.HealthCheckResponse_SERVING, healthpb.HealthCheckResponse_NOT_SERVING,
	} {
		for _, name := range names {
			r, err := client.Check(t.Context(), &healthpb.HealthCheckRequest{Service: name})
			if err != nil || r.GetStatus() != want {
				t.Errorf("%q: %v %v, want %v", name, r.GetStatus(), err, want)
			}
		}
		d.face.SetServing(want == healthpb.HealthCheckResponse_NOT_SERVING)
	}
	d.face.Shutdown()
	if r, err := client.Check(t.Context(), &healthpb.HealthCheckRequest{}); err != nil || r.GetStatus() != healthpb.HealthCheckResponse_NOT_SERVING {
		t.Errorf("after shutdown: %v %v", r, err)
	}
}

func TestReflectionListsTheServices(t *testing.T) {
	d := newDaemon(t)
	stream, err := reflectionpb.NewServerReflectionClient(d.conn).ServerReflectionInfo(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	if err := stream.Send(&reflectionpb.ServerReflectionRequest{MessageRequest: &reflectionpb.ServerReflectionRequest_ListServices{}}); err != nil {
		t.Fatal(err)
	}
	r, err := stream.Recv()
	if err != nil {
		t.Fatal(err)
	}
	var listed []string
	for _, s := range r.GetListServicesResponse().GetService() {
		listed = append(listed, s.GetName())
	}
	for _, s := range services() {
		if !slices.Contains(listed, string(s.FullName())) {
			t.Errorf("%s is not in %v", s.FullName(), listed)
		}
	}
}

func TestAStoppedEngineIsUnavailable(t *testing.T) {
	d := newDaemon(t)
	stream, err := d.events.WatchEvents(t.Context(), &tandemv1.WatchEventsRequest{})
	if err == nil {
		_, err = stream.Recv()
	}
	if err != nil {
		t.Fatal(err)
	}
	if err := d.stopEngine(); err != nil {
		t.Fatal(err)
	}
	_, create := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: ticket("a")})
	_, get := d.jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: "a"})
	_, scan := d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{Station: "desk", ScanId: "1", Payload: "x"})
	_, watch := stream.Recv()
	for name, err := range map[string]error{"create": create, "get": get, "scan": scan, "watch": watch} {
		if got := reason(err); got != "Unavailable ENGINE_STOPPED" {
			t.Errorf("%s: %s (%v)", name, got, err)
		}
	}
}

func TestALedgerThatFailsIsUnavailable(t *testing.T) {
	d := newDaemon(t)
	d.store.fail(errors.New("no space left"))
	_, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: ticket("a"), RequestId: "r1"})
	if got := reason(err); got != "Unavailable ENGINE_STOPPED" {
		t.Errorf("%s (%v)", got, err)
	}
	d.store.fail(nil)
	d.reopen()
	if _, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: ticket("a"), RequestId: "r1"}); err != nil {
		t.Errorf("the same request once the ledger is back: %v", err)
	}
}

func TestStatusFloorAndCodes(t *testing.T) {
	d := newDaemon(t)
	d.greet("cutter-1")
	d.create("a")
	st, err := d.admin.GetStatus(t.Context(), &tandemv1.GetStatusRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if st.GetVersion() != "test" || st.GetTerm() != 1 || st.GetRevision() != 3 || len(st.GetLedgerHead()) != 64 || st.GetTimeScale() != 1 ||
		st.GetDevicesOnline() != 1 || st.GetDevicesNotOnline() != 3 || st.GetJobsOpen() != 1 || st.GetReportsDropped() != 7 ||
		!slices.Equal(st.GetReasons(), []string{"disk nearly full"}) || time.Since(st.GetNow().AsTime()) > time.Minute {
		t.Errorf("status %v", st)
	}
	file, err := d.admin.GetFloor(t.Context(), &tandemv1.GetFloorRequest{})
	if err != nil || len(file.GetDevices()) != 4 || file.GetDevices()[0].GetCode() == "" || file.GetPeople()[0].GetCode() == "" {
		t.Errorf("floor %v %v", file, err)
	}
	list, err := d.admin.ListCodes(t.Context(), &tandemv1.ListCodesRequest{})
	if err != nil || len(list.GetCodes()) != 4+1+1+7 {
		t.Fatalf("codes %v %v", list, err)
	}
	for i, kind := range strings.Fields("device device device device slot person command command command command command command command") {
		if c := list.GetCodes()[i]; c.GetKind() != kind || c.GetCode() == "" || c.GetId() == "" || (kind == "command" && c.GetDisplayName() == "") {
			t.Errorf("code %d: %v, want a %s", i, c, kind)
		}
	}
}

// A run that nobody can account for is named where people look first.
func TestStatusNamesWhatNeedsAPerson(t *testing.T) {
	d := newDaemon(t)
	d.greet("cutter-1")
	run := d.create("a").GetSteps()[0].GetRuns()[0]
	if _, err := d.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: run.GetId(), Actor: "mira"}); err != nil {
		t.Fatal(err)
	}
	d.greet("cutter-1", &driverv1.RunStatus{Run: run.GetId(), Fence: run.GetFence(), State: tandemv1.JobState_JOB_STATE_PROCESSING, PiecesGood: 2})
	d.greet("cutter-1")
	st, err := d.admin.GetStatus(t.Context(), &tandemv1.GetStatusRequest{})
	if err != nil || len(st.GetReasons()) != 2 || !strings.Contains(st.GetReasons()[1], "a/cut: outcome on cutter-1 unknown: resolve "+run.GetId()) {
		t.Fatalf("%v %v", st.GetReasons(), err)
	}
	j, err := d.devices.ResolveRun(t.Context(), &tandemv1.ResolveRunRequest{
		Run: run.GetId(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_KEEP, PiecesGood: 2, Actor: "mira", Note: "counted",
	})
	if err != nil || j.GetSteps()[0].GetPiecesGood() != 2 || len(j.GetSteps()[0].GetRuns()) != 2 {
		t.Errorf("resolved: %v %v", j, err)
	}
}
