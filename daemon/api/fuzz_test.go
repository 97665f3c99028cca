package api_test

import (
	"fmt"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"unicode"
	"unicode/utf8"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

// answered holds an error to what bytes from outside may cause: nothing of it is the daemon's fault.
func answered(t *testing.T, err error, allowed ...codes.Code) {
	t.Helper()
	got := status.Code(err)
	if slices.Contains(append(allowed, codes.OK), got) {
		if err != nil && infoOf(err) == nil {
			t.Errorf("no ErrorInfo: %v", err)
		}
		return
	}
	t.Errorf("%v", err)
}

func FuzzRecordScan(f *testing.F) {
	d := newDaemon(f)
	d.greet("cutter-1")
	d.greet("bench")
	j := d.create("a")
	panel := j.GetPanels()[0].GetCode()
	for _, payload := range []string{panel, j.GetCode(), panel + panel, "]C0" + strings.ToLower(panel), "3", "-1", "\x1b[2J", "", "=1+1"} {
		f.Add("desk", "cutter-1", payload)
	}
	for _, v := range code.Verbs() {
		f.Add("desk", "bench", v.Code().String())
	}
	f.Add("../etc", "*", strings.Repeat("x", 600))
	var n atomic.Int64
	f.Fuzz(func(t *testing.T, at, device, payload string) {
		if !utf8.ValidString(at) || !utf8.ValidString(device) || !utf8.ValidString(payload) {
			t.Skip("no client can send it: strings of protobuf are UTF-8")
		}
		r, err := d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{
			Station: at, Device: device, Payload: payload, ScanId: fmt.Sprint(n.Add(1)),
		})
		answered(t, err, codes.InvalidArgument)
		if err == nil && (r.GetOutcome() == tandemv1.RecordScanResponse_OUTCOME_UNSPECIFIED || r.GetMessage() == "" || strings.ContainsFunc(r.GetMessage(), unicode.IsControl)) {
			t.Errorf("%q is answered with %v", payload, r)
		}
		d.in(t).check()
	})
}

func FuzzCreateJob(f *testing.F) {
	d := newDaemon(f)
	d.greet("cutter-1")
	for _, req := range []*tandemv1.CreateJobRequest{
		{},
		{Job: ticket("a"), RequestId: "r1", Actor: "rip"},
		{Job: ticket("b"), ValidateOnly: true},
		{Job: &tandemv1.Job{Id: "c", Panels: []*tandemv1.Panel{{Id: "p", Pieces: 1}}, Steps: []*tandemv1.Step{{Id: "s", Operation: "cut", Panels: []string{"p"}, After: []string{"s"}}}}},
	} {
		data, err := proto.Marshal(req)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data)
	}
	f.Add([]byte("\x0a\xff\xff\xff\xff\x0f"))
	f.Fuzz(func(t *testing.T, data []byte) {
		req := &tandemv1.CreateJobRequest{}
		if proto.Unmarshal(data, req) != nil {
			t.Skip("gRPC refuses it before anybody is asked")
		}
		_, err := d.jobs.CreateJob(t.Context(), req)
		answered(t, err, codes.InvalidArgument, codes.AlreadyExists)
		d.in(t).check()
		if job := req.GetJob().GetId(); err == nil && !req.GetValidateOnly() {
			// What was taken in is there, and is taken out again so that the floor does not grow with the fuzzing.
			answered(t, second(d.jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: job})))
			answered(t, second(d.jobs.CancelJob(t.Context(), &tandemv1.CancelJobRequest{Id: job})))
			d.in(t).check()
		}
	})
}

func second[T any](_ T, err error) error { return err }
