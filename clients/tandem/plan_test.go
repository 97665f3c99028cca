package main

import (
	"bytes"
	"image/png"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// somePlan has a run that is under way, one that was given and has not begun, and a job that ends two hours late.
func somePlan() *tandemv1.Plan {
	run := func(device, job, step string, from, to int, changeover float64, due *timestamppb.Timestamp) *tandemv1.PlannedRun {
		r := &tandemv1.PlannedRun{Device: device, Job: job, Step: step, Operation: step, StartTime: after(from), EndTime: after(to), DueTime: due}
		if changeover > 0 {
			r.Changeover = minutes(changeover)
		}
		return r
	}
	tides, door := after(100), after(26*60)
	p := &tandemv1.Plan{
		Revision: 1042, Now: timestamppb.New(noon), SearchTime: minutes(0.2), Evaluations: 10432,
		Cost:     &tandemv1.PlanCost{WeightedTardiness: minutes(190), Makespan: minutes(400), Changeover: minutes(20), LateJobs: 1},
		RuleCost: &tandemv1.PlanCost{WeightedTardiness: minutes(340), Makespan: minutes(460), Changeover: minutes(35), LateJobs: 2},
		LeftOut:  []string{"buoy-tags/cut: no device can do it"},
		Attended: []*tandemv1.Attended{{StartTime: after(-240), EndTime: after(270), Operators: 2}},
		Runs: []*tandemv1.PlannedRun{
			run("printer-1", "shop-window", "print", -40, 22, 0, nil),
			run("cutter-1", "door-signs", "cut", 0, 45, 4, door),
			run("printer-1", "tide-tables", "print", 22, 90, 12, tides),
			run("rack-1", "tide-tables", "dry", 90, 150, 0, tides),
			run("cutter-1", "tide-tables", "cut", 150, 220, 4, tides),
			run("cutter-1", "door-signs", "cut-2", 220, 400, 0, door),
		},
	}
	p.Runs[0].Fixed, p.Runs[1].Fixed = true, true
	return p
}

func TestPlanPictures(t *testing.T) {
	f := newFake(t)
	folder := t.TempDir()
	svg, bitmap := filepath.Join(folder, "plan.svg"), filepath.Join(folder, "plan.png")
	code, stdout, stderr := f.tandem(t, "plan", "--svg", svg, "--png", bitmap)
	if code != exitOK || !strings.Contains(stdout, "tide-tables") || stderr != svg+": drawn\n"+bitmap+": drawn\n" {
		t.Fatalf("exit %d, data\n%s\ntalk\n%s", code, stdout, stderr)
	}
	drawing, err := os.ReadFile(svg)
	if err != nil {
		t.Fatal(err)
	}
	// printer-2 has nothing to do and is shown all the same; times are those of the reader's zone.
	for _, want := range []string{"printer-2", "Plan as of Wed 25 Nov 2026 13:02", "UTC+01:00", "late by 2 h", "now 13:02", "2 operators"} {
		if !strings.Contains(string(drawing), ">"+want) && !strings.Contains(string(drawing), want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	data, err := os.ReadFile(bitmap)
	if err != nil {
		t.Fatal(err)
	}
	if c, err := png.DecodeConfig(bytes.NewReader(data)); err != nil || c.Width != 2400 {
		t.Errorf("PNG: %d pixels wide, %v", c.Width, err)
	}

	if code, _, stderr := f.tandem(t, "plan", "--svg", svg, "--device", "D2B"); code != exitOK {
		t.Errorf("exit %d: %s", code, stderr)
	}
	if drawing, _ := os.ReadFile(svg); strings.Contains(string(drawing), "printer-1") || !strings.Contains(string(drawing), "cutter-1") {
		t.Error("the picture of one device has others")
	}
	code, stdout, stderr = f.tandem(t, "plan", "--svg", filepath.Join(folder, "no", "plan.svg"))
	if code != exitFailure || !strings.Contains(stdout, "tide-tables") || !strings.Contains(stderr, "write the picture") {
		t.Errorf("exit %d, talk\n%s", code, stderr)
	}
	if code, _, stderr := f.tandem(t, "plan", "--png", "-"); code != exitUsage || !strings.Contains(stderr, "--png is \"-\": give the name of a file") {
		t.Errorf("exit %d, talk\n%s", code, stderr)
	}
}

func TestPlanOfNothing(t *testing.T) {
	f := newFake(t)
	const first = "everything: the first plan is being worked out"
	for _, c := range []struct {
		args         []string
		leftOut      []string
		data, talked string
	}{
		{args: []string{"plan"}, talked: "nothing is planned: no work waits"},
		{args: []string{"plan"}, leftOut: []string{first}, data: "left out  " + first, talked: "nothing is planned: all that waits is left out"},
		{args: []string{"plan", "--device", "cutter-1"}, talked: "nothing is planned for cutter-1"},
	} {
		f.plan = &tandemv1.Plan{Now: timestamppb.New(noon), LeftOut: c.leftOut}
		if code, stdout, stderr := f.tandem(t, c.args...); code != exitOK || strings.TrimSpace(stdout) != c.data || stderr != c.talked+"\n" {
			t.Errorf("%q, left out %q: exit %d, data %q, talk %q", c.args, c.leftOut, code, stdout, stderr)
		}
	}
	code, _, stderr := f.tandem(t, "plan", "--svg", filepath.Join(t.TempDir(), "p.svg"))
	if code != exitFailure || !strings.Contains(stderr, "there are no runs to draw") {
		t.Errorf("exit %d, talk %q", code, stderr)
	}
}

func TestPlanOfUnknownDevice(t *testing.T) {
	f := newFake(t)
	code, stdout, stderr := f.tandem(t, "plan", "--device", "cuter-1")
	if code != exitNotFound || stdout != "" || !strings.Contains(stderr, `there is no device "cuter-1"`) {
		t.Errorf("exit %d, data %q, talk %q", code, stdout, stderr)
	}
	if code, _, stderr := f.tandem(t, "plan", "--device", ""); code != exitUsage || !strings.Contains(stderr, "--device is empty") {
		t.Errorf("exit %d, talk %q", code, stderr)
	}
}

func TestPlanWords(t *testing.T) {
	none := &tandemv1.PlanCost{Makespan: minutes(10)}
	if got := lateWork(none); got != "none" {
		t.Errorf("lateWork = %q", got)
	}
	if got := lateWork(&tandemv1.PlanCost{WeightedTardiness: minutes(190), LateJobs: 2}); got != "3 h 10 min weighted, 2 jobs" {
		t.Errorf("lateWork = %q", got)
	}
	if got := searched(300 * time.Millisecond); got != "less than a second" {
		t.Errorf("searched = %q", got)
	}
	if got := against(nil, "x", "would have"); got != "" {
		t.Errorf("against nothing: %q", got)
	}
	for d, want := range map[*durationpb.Duration]string{nil: "-", minutes(0): "-", minutes(12): "12 min"} {
		if got := changeover(d); got != want {
			t.Errorf("changeover(%v) = %q, want %q", d, got, want)
		}
	}
}

func TestPlanFailures(t *testing.T) {
	f := newFake(t)
	f.fail["GetPlan"] = status.Error(codes.FailedPrecondition, "this floor makes no plans")
	if code, stdout, stderr := f.tandem(t, "plan"); code != exitConflict || stdout != "" || !strings.Contains(stderr, "this floor makes no plans") {
		t.Errorf("exit %d, data %q, talk %q", code, stdout, stderr)
	}
}

// TestHostilePlans: nothing of what the daemon sends reaches the terminal in a shape that it would obey.
func TestHostilePlans(t *testing.T) {
	f := newFake(t)
	poison(f.plan.ProtoReflect())
	poison(f.comparison.ProtoReflect())
	svg := filepath.Join(t.TempDir(), "p.svg")
	for _, command := range [][]string{
		{"plan"},
		{"plan", "--svg", svg},
		{"plan", "--device", evil},
		{"compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml", "--svg", svg},
		{"compare", evil, "--mix", evil},
		{"compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml", "--add-device", evil, "--invest", evil},
		{"compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml", "--add-device", evil + "=cutter-1"},
	} {
		for _, flags := range [][]string{nil, {"--quiet"}, {"--json"}} {
			f.harmless(t, false, append(flags, command...)...)
		}
		if drawing, err := os.ReadFile(svg); err == nil && strings.ContainsAny(string(drawing), "\x1b\x07\u202e\u009b") {
			t.Errorf("%q: control characters in the picture", command)
		}
	}
}

// TestPace: exact, and no minute that could be a metre.
func TestPace(t *testing.T) {
	for d, want := range map[time.Duration]string{
		0: "0 s", 250 * time.Millisecond: "0.25 s", 4 * time.Minute: "4 min", 90 * time.Second: "1 min 30 s",
		time.Hour: "1 h", 90*time.Minute + 2500*time.Millisecond: "1 h 30 min 2.5 s",
	} {
		if got := pace(d); got != want {
			t.Errorf("pace(%v) = %q, want %q", d, got, want)
		}
	}
}
