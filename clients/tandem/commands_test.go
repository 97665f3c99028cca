package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"strings"
	"testing"

	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	"tandem/clients/goldentest"
	tandemv1 "tandem/proto/tandem/v1"
)

// golden compares with a file in testdata.
func golden(t *testing.T, name, got string) {
	t.Helper()
	goldentest.Compare(t, name+".txt", got)
}

// TestCommands runs every command as text, with --json and with --quiet.
func TestCommands(t *testing.T) {
	tests := []struct {
		name string
		args []string
		json proto.Message // what each line of --json is
	}{
		{"jobs", []string{"jobs"}, &tandemv1.ListJobsResponse{}},
		{"jobs-all", []string{"jobs", "--all"}, &tandemv1.ListJobsResponse{}},
		{"jobs-state", []string{"jobs", "--state", "completed,pending-held"}, &tandemv1.ListJobsResponse{}},
		{"jobs-one", []string{"jobs", "shop-window"}, &tandemv1.Job{}},
		{"jobs-by-code", []string{"jobs", "J106P"}, &tandemv1.Job{}},
		{"forecast", []string{"forecast"}, &tandemv1.ListForecastsResponse{}},
		{"forecast-late", []string{"forecast", "--late", "10"}, &tandemv1.ListForecastsResponse{}},
		{"submit-rush", []string{"submit", "--check", "testdata/ticket.yaml"}, &tandemv1.Job{}},
		{"devices", []string{"devices"}, &tandemv1.ListDevicesResponse{}},
		{"devices-one", []string{"devices", "cutter-1"}, &tandemv1.Device{}},
		{"devices-offline", []string{"devices", "D3C"}, &tandemv1.Device{}},
		{"floor", []string{"floor", "--width", "70"}, &tandemv1.Snapshot{}},
		{"why", []string{"why", "J104K", "dry"}, &tandemv1.ExplainStepResponse{}},
		{"events", []string{"events", "--after", "0"}, &tandemv1.WatchEventsResponse{}},
		{"events-last", []string{"events"}, &tandemv1.WatchEventsResponse{}},
		{"status", []string{"status"}, &tandemv1.Status{}},
		{"attendance", []string{"attendance"}, &tandemv1.AttendanceView{}},
		{"attendance-set", []string{"attendance", "--operators", "1", "--until", "90m", "--note", "overtime"}, &tandemv1.AttendanceView{}},
		{"codes", []string{"codes"}, &tandemv1.ListCodesResponse{}},
		{"label", []string{"label", "J104K", "--stock", "100x50"}, &tandemv1.Job{}},
		{"label-codes", []string{"label", "--devices", "--slots", "--badges", "--cards", "--stock", "a4-3x7"}, &tandemv1.ListCodesResponse{}},
		{"label-rolls", []string{"label", "--rolls", "M0074", "--stock", "62", "--code", "qr"}, &tandemv1.ListLotsResponse{}},
		{"review", []string{"review"}, &tandemv1.Review{}},
		{"review-done", []string{"review", "J104K", "cut", "done"}, &tandemv1.Review{}},
		{"submit", []string{"submit", "testdata/ticket.yaml"}, &tandemv1.Job{}},
		{"submit-check", []string{"submit", "--check", "testdata/ticket.yaml"}, &tandemv1.Job{}},
		{"submit-hold", []string{"submit", "--hold", "testdata/ticket.yaml", "testdata/ticket.json"}, &tandemv1.Job{}},
		{"quote", []string{"quote", "testdata/items.yaml"}, &tandemv1.Quote{}},
		{"plan", []string{"plan"}, &tandemv1.Plan{}},
		{"plan-device", []string{"plan", "--device", "D2B"}, &tandemv1.Plan{}},
		{"compare", []string{"compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml", "--add-device", "cutter-9=cutter-1"}, &tandemv1.Comparison{}},
		{"durations", []string{"durations"}, &tandemv1.ListDurationsResponse{}},
		{"durations-one", []string{"durations", "D2B"}, &tandemv1.ListDurationsResponse{}},
		{"durations-reset", []string{"durations", "--reset", "cutter-1", "--operation", "cut", "--mode", "kiss"}, &tandemv1.ListDurationsResponse{}},
		{"hold", []string{"hold", "shop-window", "--note", "new artwork"}, &tandemv1.Job{}},
		{"release", []string{"release", "J104K"}, &tandemv1.Job{}},
		{"cancel", []string{"cancel", "shop-window"}, &tandemv1.Job{}},
		{"remake", []string{"remake", "shop-window", "cut", "3", "--panel", "p1"}, &tandemv1.Job{}},
		{"override", []string{"override", "shop-window", "dry", "--note", "touch dry"}, &tandemv1.Job{}},
		{"gang", []string{"gang", "gang-7", "tide-tables", "cafe-door"}, &tandemv1.Job{}},
		{"gang-check", []string{"gang", "--check", "gang-7", "tide-tables", "cafe-door"}, &tandemv1.Job{}},
		{"gang-propose", []string{"gang", "--propose"}, &tandemv1.ProposeGangsResponse{}},
		{"jobs-gang", []string{"jobs", "gang-6"}, &tandemv1.Job{}},
		{"jobs-member", []string{"jobs", "buoy-tags"}, &tandemv1.Job{}},
		{"start", []string{"start", "r11"}, &tandemv1.Run{}},
		{"finish", []string{"finish", "r11", "--spoiled", "1"}, &tandemv1.Run{}},
		{"resolve", []string{"resolve", "r13", "keep", "26"}, &tandemv1.Job{}},
		{"load", []string{"load", "cutter-1", "vinyl-clear"}, &tandemv1.Device{}},
		{"load-lot", []string{"load", "cutter-1", "--lot", "M0074"}, &tandemv1.Device{}},
		{"blade", []string{"blade", "cutter-1", "b-45"}, &tandemv1.Device{}},
		{"start-override", []string{"start", "r11", "--override", "customer agreed to gloss"}, &tandemv1.Run{}},
		{"lots", []string{"lots"}, &tandemv1.ListLotsResponse{}},
		{"lots-all", []string{"lots", "--all", "--media", "vinyl-white"}, &tandemv1.ListLotsResponse{}},
		{"lots-receive", []string{"lots", "receive", "vinyl-white", "--length", "12.5m", "--note", "batch 7"}, &tandemv1.Lot{}},
		{"lots-measure", []string{"lots", "measure", "M0074", "4200mm", "--note", "creased"}, &tandemv1.Lot{}},
		{"pause", []string{"pause", "printer-2"}, &tandemv1.Device{}},
		{"resume", []string{"resume", "D3C"}, &tandemv1.Device{}},
		{"lock", []string{"lock", "printer-2", "--note", "blade"}, &tandemv1.Device{}},
		{"unlock", []string{"unlock", "printer-2"}, &tandemv1.Device{}},
		{"scan", []string{"scan", "D2B", "P8Y"}, &tandemv1.RecordScanResponse{}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t)
			if strings.Contains(tt.name, "gang") || tt.name == "jobs-member" {
				f.withGangs()
			}
			if tt.name == "forecast" || tt.name == "forecast-late" || tt.name == "submit-rush" || tt.name == "jobs" || tt.name == "jobs-one" || tt.name == "jobs-by-code" {
				f.withForecasts()
			}
			var all strings.Builder
			for _, flag := range []string{"", "--json", "--quiet"} {
				args := tt.args
				if flag != "" {
					args = append([]string{flag}, tt.args...)
				}
				code, stdout, stderr := f.tandem(t, args...)
				fmt.Fprintf(&all, "$ tandem %s\n%s", strings.Join(args, " "), stdout)
				if stderr != "" {
					fmt.Fprintf(&all, "-- talk --\n%s", stderr)
				}
				fmt.Fprintf(&all, "-- exit %d --\n\n", code)
				if flag == "--json" {
					checkJSON(t, stdout, tt.json)
				}
				if strings.Contains(stdout+stderr, "\x1b") {
					t.Errorf("escape sequences off a terminal: %q", stdout+stderr)
				}
			}
			golden(t, tt.name, all.String())
		})
	}
}

// checkJSON holds every line to be one message of the given type in canonical protobuf JSON.
func checkJSON(t *testing.T, stdout string, m proto.Message) {
	t.Helper()
	for line := range strings.SplitSeq(strings.TrimSuffix(stdout, "\n"), "\n") {
		got := m.ProtoReflect().New().Interface()
		if err := protojson.Unmarshal([]byte(line), got); err != nil {
			t.Errorf("not a %T: %v: %s", m, err, line)
		}
		var compact bytes.Buffer
		if err := json.Compact(&compact, []byte(line)); err != nil || compact.String() != line {
			t.Errorf("not compact: %s", line)
		}
	}
}

// TestRequests holds what each change asks of the daemon.
func TestRequests(t *testing.T) {
	tests := []struct {
		args []string
		want proto.Message
	}{
		{[]string{"hold", "J104K", "--note", "n"}, &tandemv1.HoldJobRequest{Id: "shop-window", Note: "n", RequestId: "k1", Actor: "anna"}},
		{[]string{"release", "parked", "--actor", "ben"}, &tandemv1.ReleaseJobRequest{Id: "parked", RequestId: "k1", Actor: "ben"}},
		{[]string{"cancel", "parked", "--note", "n"}, &tandemv1.CancelJobRequest{Id: "parked", Note: "n", RequestId: "k1", Actor: "anna"}},
		{
			[]string{"remake", "parked", "print", "3", "--already-spoiled", "--note", "n", "--panel", "p2"},
			&tandemv1.RemakePiecesRequest{Id: "parked", Step: "print", Panel: "p2", Pieces: 3, AlreadySpoiled: true, Note: "n", RequestId: "k1", Actor: "anna"},
		},
		{[]string{"override", "parked", "dry", "--note", "n"}, &tandemv1.OverrideWaitRequest{Id: "parked", Step: "dry", Note: "n", RequestId: "k1", Actor: "anna"}},
		{[]string{"gang", "g", "a", "b"}, &tandemv1.GangJobsRequest{Id: "g", Jobs: []string{"a", "b"}, RequestId: "k1", Actor: "anna"}},
		{[]string{"start", "r1"}, &tandemv1.StartRunRequest{Run: "r1", RequestId: "k1", Actor: "anna"}},
		{[]string{"finish", "r1", "--spoiled", "2"}, &tandemv1.FinishRunRequest{Run: "r1", PiecesSpoiled: 2, RequestId: "k1", Actor: "anna"}},
		{[]string{"resolve", "r1", "done"}, &tandemv1.ResolveRunRequest{Run: "r1", Outcome: tandemv1.ResolveRunRequest_OUTCOME_DONE, RequestId: "k1", Actor: "anna"}},
		{[]string{"resolve", "r1", "keep", "0", "--note", "n"}, &tandemv1.ResolveRunRequest{Run: "r1", Outcome: tandemv1.ResolveRunRequest_OUTCOME_KEEP, Note: "n", RequestId: "k1", Actor: "anna"}},
		{[]string{"resolve", "r1", "keep", "26"}, &tandemv1.ResolveRunRequest{Run: "r1", Outcome: tandemv1.ResolveRunRequest_OUTCOME_KEEP, PiecesGood: 26, RequestId: "k1", Actor: "anna"}},
		{[]string{"resolve", "r1", "again"}, &tandemv1.ResolveRunRequest{Run: "r1", Outcome: tandemv1.ResolveRunRequest_OUTCOME_AGAIN, RequestId: "k1", Actor: "anna"}},
		{[]string{"resolve", "r1", "abandon"}, &tandemv1.ResolveRunRequest{Run: "r1", Outcome: tandemv1.ResolveRunRequest_OUTCOME_ABANDON, RequestId: "k1", Actor: "anna"}},
		{[]string{"review", "J104K", "not-done", "--note", "n"}, &tandemv1.ReviewWorkRequest{Job: "shop-window", Outcome: tandemv1.ReviewWorkRequest_OUTCOME_NOT_DONE, Note: "n", RequestId: "k1", Actor: "anna"}},
		{[]string{"review", "parked", "cut", "not-done"}, &tandemv1.ReviewWorkRequest{Job: "parked", Step: "cut", Outcome: tandemv1.ReviewWorkRequest_OUTCOME_NOT_DONE, RequestId: "k1", Actor: "anna"}},
		{[]string{"review", "parked", "cut", "done", "--device", "cutter-1"}, &tandemv1.ReviewWorkRequest{Job: "parked", Step: "cut", Outcome: tandemv1.ReviewWorkRequest_OUTCOME_DONE, Device: "cutter-1", RequestId: "k1", Actor: "anna"}},
		{[]string{"review", "parked", "cut", "keep", "26"}, &tandemv1.ReviewWorkRequest{Job: "parked", Step: "cut", Outcome: tandemv1.ReviewWorkRequest_OUTCOME_KEEP, PiecesGood: 26, RequestId: "k1", Actor: "anna"}},
		{[]string{"review", "--run", "run-17"}, &tandemv1.ReviewWorkRequest{Run: "run-17", RequestId: "k1", Actor: "anna"}},
		{[]string{"review", "--all", "not-done"}, &tandemv1.ReviewWorkRequest{Job: "shop-window", Outcome: tandemv1.ReviewWorkRequest_OUTCOME_NOT_DONE, RequestId: "k1/shop-window", Actor: "anna"}},
		{[]string{"load", "D2B", "film"}, &tandemv1.LoadMediaRequest{Id: "cutter-1", Media: "film", RequestId: "k1", Actor: "anna"}},
		{[]string{"load", "D2B", "--lot", "M0074"}, &tandemv1.LoadMediaRequest{Id: "cutter-1", Lot: "M0074", RequestId: "k1", Actor: "anna"}},
		{[]string{"blade", "D2B"}, &tandemv1.ReplaceBladeRequest{Id: "cutter-1", RequestId: "k1", Actor: "anna"}},
		{[]string{"start", "r1", "--override", "n"}, &tandemv1.StartRunRequest{Run: "r1", OverrideNote: "n", RequestId: "k1", Actor: "anna"}},
		{[]string{"lots", "receive", "film", "--id", "f1", "--length", "50m"}, &tandemv1.ReceiveLotRequest{Lot: &tandemv1.Lot{Id: "f1", Media: "film", LengthUm: 50_000_000}, RequestId: "k1", Actor: "anna"}},
		{[]string{"lots", "measure", "f1", "0m", "--note", "n"}, &tandemv1.MeasureLotRequest{Id: "f1", Note: "n", RequestId: "k1", Actor: "anna"}},
		{[]string{"lots", "measure", "f1", "4.2 m"}, &tandemv1.MeasureLotRequest{Id: "f1", RemainingUm: 4_200_000, RequestId: "k1", Actor: "anna"}},
		{[]string{"pause", "D2B", "--note", "n"}, &tandemv1.PauseDeviceRequest{Id: "cutter-1", Note: "n", RequestId: "k1", Actor: "anna"}},
		{[]string{"pause", "D2B", "--back", "90m"}, &tandemv1.PauseDeviceRequest{Id: "cutter-1", BackTime: after(90), RequestId: "k1", Actor: "anna"}},
		{[]string{"lock", "D2B", "--note", "n", "--back", after(60).AsTime().Format("2006-01-02T15:04:05Z07:00")}, &tandemv1.LockDeviceRequest{Id: "cutter-1", Note: "n", BackTime: after(60), RequestId: "k1", Actor: "anna"}},
		{[]string{"attendance", "--operators", "0", "--until", "2h", "--note", "n"}, &tandemv1.SetAttendanceRequest{UntilTime: after(120), Note: "n", RequestId: "k1", Actor: "anna"}},
		{[]string{"attendance", "--shifts"}, &tandemv1.SetAttendanceRequest{RequestId: "k1", Actor: "anna"}},
		{[]string{"resume", "cutter-1"}, &tandemv1.ResumeDeviceRequest{Id: "cutter-1", RequestId: "k1", Actor: "anna"}},
		{[]string{"lock", "cutter-1", "--note", "n"}, &tandemv1.LockDeviceRequest{Id: "cutter-1", Note: "n", RequestId: "k1", Actor: "anna"}},
		{[]string{"durations", "--reset", "D2B"}, &tandemv1.ResetDurationsRequest{Device: "cutter-1", RequestId: "k1", Actor: "anna"}},
		{
			[]string{"durations", "--reset", "cutter-1", "--operation", "cut", "--mode", "kiss"},
			&tandemv1.ResetDurationsRequest{Device: "cutter-1", Operation: "cut", Mode: "kiss", RequestId: "k1", Actor: "anna"},
		},
		{[]string{"unlock", "cutter-1"}, &tandemv1.UnlockDeviceRequest{Id: "cutter-1", RequestId: "k1", Actor: "anna"}},
	}
	for _, tt := range tests {
		t.Run(strings.Join(tt.args, "_"), func(t *testing.T) {
			f := newFake(t)
			code, _, stderr := f.tandem(t, append(tt.args, "--request-id", "k1")...)
			if code != exitOK {
				t.Fatalf("exit %d: %s", code, stderr)
			}
			f.mu.Lock()
			defer f.mu.Unlock()
			if got := f.requests[len(f.requests)-1]; !proto.Equal(got, tt.want) {
				t.Errorf("asked %T %v\nwant  %T %v", got, got, tt.want, tt.want)
			}
		})
	}
}

func TestSubmitRequests(t *testing.T) {
	f := newFake(t)
	if code, _, stderr := f.tandem(t, "submit", "--request-id", "order-1", "--hold", "testdata/ticket.yaml", "testdata/ticket.json"); code != exitOK {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	got := sent[*tandemv1.CreateJobRequest](f)
	if len(got) != 2 {
		t.Fatalf("%d requests, want 2", len(got))
	}
	for i, want := range []struct{ key, job string }{{"order-1-1", "ticket-y"}, {"order-1-2", "ticket-j"}} {
		r := got[i]
		if r.GetRequestId() != want.key || r.GetJob().GetId() != want.job || !r.GetJob().GetHold() || r.GetActor() != "anna" || r.GetValidateOnly() {
			t.Errorf("request %d = %v", i, r)
		}
	}
	if um := got[0].GetJob().GetSteps()[0].GetWidthUm(); um != 1372500 {
		t.Errorf("width = %d um, want that of 1372.5 mm", um)
	}

	f = newFake(t)
	f.tandem(t, "submit", "--check", "testdata/ticket.yaml")
	f.tandem(t, "submit", "testdata/ticket.yaml")
	f.tandem(t, "submit", "testdata/ticket.yaml")
	got = sent[*tandemv1.CreateJobRequest](f)
	if !got[0].GetValidateOnly() || got[1].GetValidateOnly() {
		t.Error("--check does not ask for a check only")
	}
	if a, b := got[1].GetRequestId(), got[2].GetRequestId(); len(a) != 36 || a == b {
		t.Errorf("keys %q and %q: want a fresh UUID for each invocation", a, b)
	}
}

func TestScanRequests(t *testing.T) {
	f := newFake(t)
	if code, _, stderr := f.tandem(t, "scan", "--station", "st-1", "--device", "cutter-1", "D2B", "P8Y"); code != exitOK {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	f.tandem(t, "scan", "P8Y")
	got := sent[*tandemv1.RecordScanRequest](f)
	if len(got) != 3 || got[0].GetScanId() == got[1].GetScanId() || got[0].GetScanId() == "" {
		t.Fatalf("requests = %v, want three with a scan_id each", got)
	}
	if got[0].GetStation() != "st-1" || got[0].GetDevice() != "cutter-1" || got[0].GetPayload() != "D2B" || got[1].GetPayload() != "P8Y" {
		t.Errorf("requests = %v", got)
	}
	if got[0].GetScanTime() == nil {
		t.Error("no scan time")
	}
	if got[2].GetStation() != "bench-pc-shop-example" {
		t.Errorf("station = %q, want one made of the computer's name", got[2].GetStation())
	}
}
