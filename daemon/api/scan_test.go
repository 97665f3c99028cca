package api_test

import (
	"fmt"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

const (
	nextScan  = tandemv1.RecordScanResponse_OUTCOME_NEXT_SCAN
	started   = tandemv1.RecordScanResponse_OUTCOME_STARTED
	finished  = tandemv1.RecordScanResponse_OUTCOME_FINISHED
	undone    = tandemv1.RecordScanResponse_OUTCOME_UNDONE
	notUndone = tandemv1.RecordScanResponse_OUTCOME_NOT_UNDONE
	spoiled   = tandemv1.RecordScanResponse_OUTCOME_SPOILED
	duplicate = tandemv1.RecordScanResponse_OUTCOME_DUPLICATE
	wrong     = tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION
	notReady  = tandemv1.RecordScanResponse_OUTCOME_NOT_READY
	noCode    = tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE
)

// scan is one pull of the trigger with an id of its own.
func (d *daemon) scan(device, payload, id string) *tandemv1.RecordScanResponse {
	d.tb.Helper()
	r, err := d.scans.RecordScan(d.ctx(), &tandemv1.RecordScanRequest{Station: "desk", Device: device, Payload: payload, ScanId: id})
	if err != nil {
		d.tb.Fatal(err)
	}
	return r
}

func TestScansFromStartToFinish(t *testing.T) {
	d := newDaemon(t)
	d.greet("cutter-1")
	d.greet("bench")
	panel := d.create("a").GetPanels()[0].GetCode()
	n := 0
	pull := func(device, payload string, want tandemv1.RecordScanResponse_Outcome, says string) *tandemv1.RecordScanResponse {
		t.Helper()
		n++
		r := d.scan(device, payload, fmt.Sprint(n))
		if r.GetOutcome() != want || !strings.Contains(r.GetMessage(), says) || r.GetRevision() != d.revision() {
			t.Fatalf("%s at %s: %v at %d, want %v %q", payload, device, r, d.revision(), want, says)
		}
		return r
	}
	pull("bench", panel, wrong, "cutter-1")
	if r := pull("cutter-1", panel, started, "cut of a started on cutter-1"); !strings.HasPrefix(r.GetSubject(), "runs/run-") {
		t.Errorf("subject %q", r.GetSubject())
	}
	pull("cutter-1", panel, duplicate, "has been started")
	run := d.job("a").GetSteps()[0].GetRuns()[0]
	if !run.GetMayStart() || run.GetStartedBy() != "station:desk" {
		t.Errorf("run after the scan: %v", run)
	}
	d.greet("cutter-1", &driverv1.RunStatus{Run: run.GetId(), Fence: run.GetFence(), State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 6})
	pull("bench", panel, started, "pack of a started on bench")
	pull("bench", panel, duplicate, "a moment ago")
	pull("bench", code.Spoiled.Code().String(), nextScan, "how many")
	pull("bench", "1", nextScan, "spoiled 1")
	pull("bench", panel, spoiled, "5 good ones left")
	pull("bench", code.Done.Code().String(), nextScan, "done")
	pull("bench", panel, finished, "pack of a is done")
	if j := d.job("a"); j.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED || j.GetPanels()[0].GetPiecesGood() != 5 {
		t.Errorf("in the end: %v", j)
	}
	d.check()
}

// The same scan gets the same answer: from memory, from the ledger after a restart, and from another API on the same engine.
func TestTheSameScanGetsTheSameAnswer(t *testing.T) {
	d := newDaemon(t)
	d.greet("cutter-1")
	panel := d.create("a").GetPanels()[0].GetCode()
	shown := d.scan("", panel, "shown")
	first := d.scan("cutter-1", panel, "start")
	if first.GetOutcome() != started || shown.GetOutcome() != nextScan {
		t.Fatalf("%v, %v", shown, first)
	}
	before := d.revision()
	d.create("between")
	otherPayload := func(when string) {
		t.Helper()
		_, err := d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{Station: "desk", Device: "cutter-1", Payload: code.Where.Code().String(), ScanId: "start"})
		if got := reason(err); got != "AlreadyExists REQUEST_ID_REUSED" {
			t.Errorf("%s: another payload under the same scan id: %s", when, got)
		}
	}
	if again := d.scan("cutter-1", panel, "start"); !proto.Equal(again, first) {
		t.Errorf("again: %v, want %v", again, first)
	}
	if again := d.scan("", panel, "shown"); !proto.Equal(again, shown) {
		t.Errorf("again: %v, want %v", again, shown)
	}
	otherPayload("in memory")
	d.reopen()
	otherPayload("after a restart")
	if again := d.scan("cutter-1", panel, "start"); !proto.Equal(again, first) {
		t.Errorf("after a restart: %v, want %v", again, first)
	}
	if after := d.revision(); after != before+2 { // the job and the new term
		t.Errorf("the ledger went from %d to %d", before, after)
	}
}

// A station repeats a scan whose answer is late. All copies hear what the first has done, also if it was the second half
// of an entry that the desk has forgotten by then.
func TestCopiesOfAScanAtTheSameTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d := newDaemon(t)
		d.greet("cutter-1")
		panel := d.create("a").GetPanels()[0].GetCode()
		device, err := d.devices.GetDevice(t.Context(), &tandemv1.GetDeviceRequest{Id: "cutter-1"})
		if err != nil {
			t.Fatal(err)
		}
		d.scan("", device.GetCode(), "device")
		var wg sync.WaitGroup
		busy := make(chan struct{}) // the engine is, until every copy waits for it
		wg.Go(func() {
			if err := d.engine.View(t.Context(), func(engine.State) { <-busy }); err != nil {
				t.Error(err)
			}
		})
		synctest.Wait()
		for range 20 {
			wg.Go(func() {
				r, err := d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{Station: "desk", Payload: panel, ScanId: "panel"})
				if err != nil || r.GetOutcome() != started {
					t.Errorf("%v %v", r, err)
				}
			})
		}
		synctest.Wait()
		close(busy)
		wg.Wait()
	})
}

// What the floor refuses is an answer, not an error, and stands in nobody's way.
func TestAScanThatTheFloorRefuses(t *testing.T) {
	d := newDaemon(t)
	d.greet("laminator")
	if _, err := d.devices.PauseDevice(t.Context(), &tandemv1.PauseDeviceRequest{Id: "laminator"}); err != nil {
		t.Fatal(err)
	}
	j := ticket("a")
	j.Steps = []*tandemv1.Step{{Id: "laminate", Operation: "laminate", Film: "gloss"}}
	created, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: j})
	if err != nil {
		t.Fatal(err)
	}
	panel := created.GetPanels()[0].GetCode()
	if r := d.scan("laminator", panel, "1"); r.GetOutcome() != notReady || !strings.Contains(r.GetMessage(), "paused") {
		t.Errorf("paused: %v", r)
	}
	if _, err := d.devices.ResumeDevice(t.Context(), &tandemv1.ResumeDeviceRequest{Id: "laminator"}); err != nil {
		t.Fatal(err)
	}
	// Its driver does not want it just now, so that only a person starts it there.
	run := d.job("a").GetSteps()[0].GetRuns()[0].GetId()
	if _, err := d.engine.Do(t.Context(), floor.Meta{Actor: "driver:laminator"}, floor.RefuseRun{Run: run, Reason: "warming up"}); err != nil {
		t.Fatal(err)
	}
	if r := d.scan("laminator", panel, "2"); r.GetOutcome() != notReady || !strings.Contains(r.GetMessage(), "load gloss first") {
		t.Errorf("nothing loaded: %v", r)
	}
	if _, err := d.devices.LoadMedia(t.Context(), &tandemv1.LoadMediaRequest{Id: "laminator", Media: "gloss"}); err != nil {
		t.Fatal(err)
	}
	if r := d.scan("laminator", panel, "3"); r.GetOutcome() != started {
		t.Errorf("loaded: %v", r)
	}
}

func TestBadScansNameTheFieldAndStoreNothing(t *testing.T) {
	d := newDaemon(t)
	d.greet("cutter-1")
	panel := d.create("a").GetPanels()[0].GetCode()
	before := d.revision()
	good := func() *tandemv1.RecordScanRequest {
		return &tandemv1.RecordScanRequest{Station: "desk", Device: "cutter-1", Payload: panel, ScanId: "1"}
	}
	for _, tt := range []struct {
		field  string
		change func(*tandemv1.RecordScanRequest)
	}{
		{"payload", func(r *tandemv1.RecordScanRequest) { r.Payload = strings.Repeat("x", 1<<20) }},
		{"payload", func(r *tandemv1.RecordScanRequest) { r.Payload = strings.Repeat("x", 513) }},
		{"payload", func(r *tandemv1.RecordScanRequest) { r.Payload = "" }},
		{"station", func(r *tandemv1.RecordScanRequest) { r.Station = "" }},
		{"station", func(r *tandemv1.RecordScanRequest) { r.Station = "tandem.>" }},
		{"station", func(r *tandemv1.RecordScanRequest) { r.Station = "../../etc" }},
		{"station", func(r *tandemv1.RecordScanRequest) { r.Station = "desk\x00" }},
		{"station", func(r *tandemv1.RecordScanRequest) { r.Station = "Desk" }},
		{"station", func(r *tandemv1.RecordScanRequest) { r.Station = "desk/1" }},
		{"station", func(r *tandemv1.RecordScanRequest) { r.Station = strings.Repeat("s", 64) }},
		{"station", func(r *tandemv1.RecordScanRequest) { r.Station = "\u202edesk" }},
		{"device", func(r *tandemv1.RecordScanRequest) { r.Device = "*" }},
		{"scan_id", func(r *tandemv1.RecordScanRequest) { r.ScanId = "" }},
		{"scan_id", func(r *tandemv1.RecordScanRequest) { r.ScanId = strings.Repeat("1", 101) }},
		{"scan_id", func(r *tandemv1.RecordScanRequest) { r.ScanId = "1\n2" }},
		{"scan_time", func(r *tandemv1.RecordScanRequest) { r.ScanTime = &timestamppb.Timestamp{Nanos: -1} }},
	} {
		req := good()
		tt.change(req)
		_, err := d.scans.RecordScan(t.Context(), req)
		if got := fieldsOf(err); len(got) != 1 || !strings.HasPrefix(got[0], tt.field+": ") || len(got[0]) > 300 {
			t.Errorf("want a violation of %s, got %v %.300v", tt.field, got, err)
		}
	}
	for i, payload := range []string{strings.Repeat("\x1bX", 256), "\x00\x07", panel + panel, "https://example.com/" + panel} {
		r := d.scan("cutter-1", payload, fmt.Sprint("junk-", i))
		if r.GetOutcome() != noCode || strings.ContainsAny(r.GetMessage(), "\x00\x07\x1b\n\r") {
			t.Errorf("%.20q: %v", payload, r)
		}
	}
	if after := d.revision(); after != before {
		t.Errorf("the ledger grew from %d to %d", before, after)
	}
	if r, err := d.scans.RecordScan(t.Context(), good()); err != nil || r.GetOutcome() != started {
		t.Errorf("the good one: %v %v", r, err)
	}
}

// A scan that has waited for the daemon starts nothing: nobody knows who stands at the machine by then.
func TestAnOldScanStartsNothing(t *testing.T) {
	d := newDaemon(t)
	d.greet("cutter-1")
	panel := d.create("a").GetPanels()[0].GetCode()
	r, err := d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{
		Station: "desk", Device: "cutter-1", Payload: panel, ScanId: "1", ScanTime: timestamppb.New(time.Now().Add(-time.Minute)),
	})
	if err != nil || r.GetOutcome() != notReady || !strings.Contains(r.GetMessage(), "scan again") {
		t.Fatalf("a scan of a minute ago: %v %v", r, err)
	}
	if d.job("a").GetSteps()[0].GetRuns()[0].GetMayStart() {
		t.Error("the cutter may start")
	}
	r, err = d.scans.RecordScan(t.Context(), &tandemv1.RecordScanRequest{
		Station: "desk", Device: "cutter-1", Payload: panel, ScanId: "2", ScanTime: timestamppb.New(time.Now().Add(time.Hour)),
	})
	if err != nil || r.GetOutcome() != started {
		t.Errorf("a station whose clock is fast: %v %v", r, err)
	}
}
