package floorview

import (
	"fmt"
	"regexp"
	"strings"
	"testing"
	"time"
	"unicode"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/celltext"
	"tandem/clients/goldentest"
	tandemv1 "tandem/proto/tandem/v1"
)

var noon = time.Date(2026, 11, 25, 12, 2, 0, 0, time.UTC)

// zone is one hour ahead, so that a time shown in UTC by mistake is seen.
var zone = time.FixedZone("", 3600)

func after(minutes int) *timestamppb.Timestamp {
	return timestamppb.New(noon.Add(time.Duration(minutes) * time.Minute))
}

const (
	pending  = tandemv1.JobState_JOB_STATE_PENDING
	held     = tandemv1.JobState_JOB_STATE_PENDING_HELD
	running  = tandemv1.JobState_JOB_STATE_PROCESSING
	halted   = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	aborted  = tandemv1.JobState_JOB_STATE_ABORTED
	complete = tandemv1.JobState_JOB_STATE_COMPLETED
	online   = tandemv1.Link_LINK_ONLINE
	idle     = tandemv1.DeviceState_DEVICE_STATE_IDLE
	works    = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
	stopped  = tandemv1.DeviceState_DEVICE_STATE_STOPPED
)

// dayShift is a floor on which everything happens that the drawing has a word for.
func dayShift() ([]*tandemv1.Job, []*tandemv1.Device) {
	devices := []*tandemv1.Device{
		{
			Id: "printer-1", Link: online, State: works, Phase: tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION,
			Runs: []*tandemv1.DeviceRun{{
				Run: "r12", Job: "van-left", Step: "print", Operation: "print", State: running, Pieces: 60, PiecesGood: 26,
				PiecesSpoiled: 1, Fraction: 0.45, StartTime: after(-10), ExpectedEndTime: after(12),
			}},
		},
		{
			Id: "printer-2", Link: tandemv1.Link_LINK_OFFLINE, State: works, LastSeenTime: after(-7),
			Runs: []*tandemv1.DeviceRun{{Run: "r13", Job: "menu-boards", Step: "print", Operation: "print", State: halted, StateReasons: []string{"x-outcome-unknown"}, Pieces: 8, PiecesGood: 3}},
		},
		{
			Id: "rack-1", Link: online, State: works, Capacity: 8, Runs: []*tandemv1.DeviceRun{
				{Run: "r9", Job: "shop-window", Step: "dry", Operation: "dry", State: running, ExpectedEndTime: after(88)},
				{Run: "r8", Job: "rack-labels", Step: "dry", Operation: "dry", State: running, ExpectedEndTime: after(28)},
			},
		},
		{Id: "laminator-1", Link: online, State: stopped, StateReasons: []string{"subunit-under-temperature-error"}},
		{
			Id: "cutter-1", Link: online, State: idle, LoadedMedia: "vinyl-white", Runs: []*tandemv1.DeviceRun{{
				Run: "r11", Job: "door-signs", Step: "cut", Operation: "cut", State: pending, StateReasons: []string{"queued-in-device", "x-awaiting-start"}, PanelCodes: []string{"P104K"},
			}},
		},
		{
			Id: "laminator-2", Link: online, State: idle, Runs: []*tandemv1.DeviceRun{{
				Run: "r14", Job: "floor-arrows", Step: "laminate", Operation: "laminate", State: pending,
				StateReasons: []string{"x-awaiting-start", "x-media-mismatch-warning"}, PanelCodes: []string{"P1", "P2", "P3", "P4"},
			}},
		},
		{Id: "cutter-2", Link: online, State: stopped, LockedBy: "anna", PauseNote: "blade change"},
		{Id: "bench", Link: online, State: idle, LoadedMedia: ""},
		{Id: "printer-3", Link: online, State: idle, LoadedMedia: "vinyl-clear", Supplies: []*tandemv1.Supply{{DisplayName: "Cyan", Kind: "ink", LevelKnown: true, LevelPercent: 71}, {DisplayName: "Magenta", Kind: "ink", LevelKnown: true, LevelPercent: 6}}},
		{Id: "printer-4", Link: tandemv1.Link_LINK_NOT_YET_REPORTED},
		{Id: "printer-5", Link: tandemv1.Link_LINK_OFFLINE, LockedBy: "ben", PauseNote: "head cleaning"},
	}
	jobs := []*tandemv1.Job{
		{
			Id: "old-job", State: complete, EndTime: after(-120),
			Steps: []*tandemv1.Step{{Id: "print", State: complete}},
		},
		{
			Id: "shop-window", State: running, DueTime: after(240), DisplayName: "Window letters", Steps: []*tandemv1.Step{
				{Id: "print", Operation: "print", State: complete, PiecesSpoiled: 2},
				{Id: "dry", Operation: "dry", After: []string{"print"}, State: running},
				{Id: "laminate", Operation: "laminate", After: []string{"dry"}, State: held, StateReasons: []string{"x-waiting-predecessor"}},
				{Id: "cut", Operation: "cut", After: []string{"laminate"}, State: held},
			},
		},
		{
			Id: "van-left", State: running, DueTime: after(-120), Steps: []*tandemv1.Step{
				{Id: "print", Operation: "print", State: running},
				{Id: "cut", After: []string{"print"}, State: held},
			},
		},
		{
			Id: "rack-labels", State: running, DueTime: after(20), Steps: []*tandemv1.Step{
				{Id: "print", State: complete},
				{Id: "dry", Operation: "dry", After: []string{"print"}, State: running},
			},
		},
		{
			Id: "menu-boards", State: halted, Steps: []*tandemv1.Step{
				{Id: "print", Operation: "print", State: halted, StateReasons: []string{"x-outcome-unknown"}},
			},
		},
		{
			Id: "door-signs", State: pending, Steps: []*tandemv1.Step{
				{Id: "print-front", State: complete},
				{Id: "print-back", State: complete},
				{Id: "cut", Operation: "cut", After: []string{"print-front", "print-back"}, State: pending},
				{Id: "pack", After: []string{"cut"}, State: held},
			},
		},
		{
			Id: "floor-arrows", State: pending, Steps: []*tandemv1.Step{
				{Id: "print", State: complete},
				{Id: "rest", After: []string{"print"}, State: complete},
				{Id: "laminate", After: []string{"rest"}, Film: "film-grip", Media: "vinyl-white", State: pending},
				{Id: "pack", After: []string{"laminate"}, State: held, ReadyTime: after(45)},
			},
		},
		{
			Id: "lost-set", State: pending, DueTime: after(3000), Steps: []*tandemv1.Step{
				{Id: "cut", State: pending, StateReasons: []string{"x-no-pieces-left"}},
			},
		},
		{
			Id: "short-set", State: halted, Steps: []*tandemv1.Step{
				{Id: "cut", State: halted, StateReasons: []string{"x-short-count"}},
			},
		},
		{
			Id: "parked", State: held, Steps: []*tandemv1.Step{
				{Id: "print", State: held, StateReasons: []string{"job-hold-until-specified"}},
			},
		},
	}
	return jobs, devices
}

// rollDay is a floor on which rolls run out and blades wear.
func rollDay() ([]*tandemv1.Job, []*tandemv1.Device) {
	waits := func(run, job, step string, why ...string) []*tandemv1.DeviceRun {
		return []*tandemv1.DeviceRun{{
			Run: run, Job: job, Step: step, Operation: step, State: pending, StateReasons: append([]string{"queued-in-device", "x-awaiting-start"}, why...),
			Pieces: 60, PanelCodes: []string{"P0015"},
		}}
	}
	devices := []*tandemv1.Device{
		{
			Id: "printer-1", Link: online, State: idle, LoadedMedia: "vinyl-white", LoadedLot: "lot-3", LoadedRemainingUm: 2_100_000,
			StateReasons: []string{"media-low-warning", "media-needed-warning"}, Runs: waits("r1", "van-left", "print", "x-lot-too-short"),
		},
		{
			Id: "printer-2", Link: online, State: stopped, LoadedMedia: "vinyl-white", LoadedLot: "lot-4", StateReasons: []string{"media-empty-error"},
			Runs: []*tandemv1.DeviceRun{{Run: "r2", Job: "van-right", Step: "print", Operation: "print", State: halted, StateReasons: []string{"media-empty-error"}, Pieces: 60, PiecesGood: 26}},
		},
		{Id: "printer-3", Link: online, State: idle, LoadedMedia: "vinyl-clear", LoadedLot: "lot-5", StateReasons: []string{"media-empty-error"}},
		{Id: "printer-4", Link: online, State: idle, LoadedMedia: "vinyl-clear", LoadedLot: "lot-6", LoadedRemainingUm: 31_400_000},
		{Id: "cutter-1", Link: online, State: idle, Blade: "b-30", BladeUsedUm: 312_000_000, StateReasons: []string{"x-blade-worn-warning"}, Runs: waits("r3", "tags", "cut", "x-blade-mismatch")},
		{Id: "cutter-2", Link: online, State: idle, Runs: waits("r4", "flags", "cut", "x-start-overdue-warning")},
		{Id: "bench", Link: online, State: works, Runs: []*tandemv1.DeviceRun{
			{Run: "r5", Job: "plates", Step: "weed", Operation: "weed", State: running, StateReasons: []string{"x-overdue-warning"}, Pieces: 60, StartTime: after(-90), ExpectedEndTime: after(-30)},
		}},
		{Id: "rack-1", Capacity: 4, Link: online, State: works, Runs: []*tandemv1.DeviceRun{
			{Run: "r6", Job: "panes", Step: "dry", Operation: "dry", State: running, StateReasons: []string{"x-drying", "x-not-seen-warning"}, PanelCodes: []string{"P0023"}, StartTime: after(-60), ExpectedEndTime: after(300)},
		}},
	}
	job := func(id string, s *tandemv1.Step) *tandemv1.Job {
		s.Id, s.State = s.GetOperation(), pending
		return &tandemv1.Job{Id: id, State: pending, Steps: []*tandemv1.Step{s}}
	}
	return []*tandemv1.Job{
		job("van-left", &tandemv1.Step{Operation: "print", Media: "vinyl-white"}),
		job("van-right", &tandemv1.Step{Operation: "print", Media: "vinyl-white"}),
		job("tags", &tandemv1.Step{Operation: "cut", Blade: "b-45"}),
	}, devices
}

func longChain() []*tandemv1.Job {
	job := &tandemv1.Job{Id: "book", State: running}
	for i := range 400 {
		step := &tandemv1.Step{Id: fmt.Sprintf("step-%03d", i), State: held}
		if i > 0 {
			step.After = []string{fmt.Sprintf("step-%03d", i-1)}
		}
		switch {
		case i < 120:
			step.State = complete
		case i == 120:
			step.State, step.StartTime, step.Duration = running, after(-5), durationpb.New(20*time.Minute)
		}
		job.Steps = append(job.Steps, step)
	}
	return []*tandemv1.Job{job}
}

func TestGolden(t *testing.T) {
	jobs, devices := dayShift()
	rollJobs, rolls := rollDay()
	full := &tandemv1.Device{Id: "rack-9", Link: online, State: works, Capacity: 12}
	for i := range 9 {
		full.Runs = append(full.Runs, &tandemv1.DeviceRun{Job: fmt.Sprintf("j%d", i), Step: "dry", Operation: "dry", State: running, ExpectedEndTime: after(90 - i)})
	}
	tests := []struct {
		name    string
		jobs    []*tandemv1.Job
		devices []*tandemv1.Device
		o       Options
	}{
		{"shift-120", jobs, devices, Options{Width: 120}},
		{"shift-80", jobs, devices, Options{}},
		{"shift-80-colour", jobs, devices, Options{Width: 80, Colour: true}},
		{"shift-60", jobs, devices, Options{Width: 60}},
		{"shift-40", jobs, devices, Options{Width: 40}},
		{"shift-20", jobs, devices, Options{Width: 20}},
		{"shift-80-by-12", jobs, devices, Options{Width: 80, Height: 12}},
		{"empty", nil, nil, Options{Width: 80}},
		{"rolls-100", rollJobs, rolls, Options{Width: 100}},
		{"chain-80", longChain(), []*tandemv1.Device{full}, Options{Width: 80}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			tt.o.Now, tt.o.Zone = noon, zone
			got := Render(tt.jobs, tt.devices, tt.o)
			goldentest.Compare(t, tt.name+".txt", got)
			checkShape(t, got, max(tt.o.Width, 0))
			if tt.o.Height > 0 && strings.Count(got, "\n") > tt.o.Height {
				t.Errorf("%d lines, want at most %d", strings.Count(got, "\n"), tt.o.Height)
			}
		})
	}
}

var colours = regexp.MustCompile(`\x1b\[[0-9;]*m`)

// checkShape fails for a line wider than width and for anything a terminal would obey, but line feeds and colours.
func checkShape(t *testing.T, drawing string, width int) {
	t.Helper()
	if width < 1 {
		width = 80
	}
	for l := range strings.SplitSeq(colours.ReplaceAllString(drawing, ""), "\n") {
		if w := celltext.Width(l); w > width {
			t.Errorf("line takes %d cells, not %d: %q", w, width, l)
		}
		if i := strings.IndexFunc(l, func(r rune) bool { return !unicode.IsPrint(r) }); i >= 0 {
			t.Errorf("control character at %d: %q", i, l)
		}
	}
}

// TestColourCarriesNothing: without its colours the drawing is the same.
func TestColourCarriesNothing(t *testing.T) {
	jobs, devices := dayShift()
	o := Options{Now: noon, Zone: zone, Width: 72}
	bare := Render(jobs, devices, o)
	if strings.Contains(bare, "\x1b") {
		t.Error("colours although they are off")
	}
	o.Colour = true
	coloured := Render(jobs, devices, o)
	if !strings.Contains(coloured, "\x1b[") {
		t.Error("no colours although they are on")
	}
	if got := colours.ReplaceAllString(coloured, ""); got != bare {
		t.Errorf("with colours taken off:\n%s\nwithout colours:\n%s", got, bare)
	}
}

func TestHostileNames(t *testing.T) {
	const evil = "\x1b[2J\x1b]0;owned\x07a\r\nb\u009b31m\u202ec\xff日本"
	jobs := []*tandemv1.Job{{
		Id: evil, DisplayName: evil, State: running, DueTime: after(5),
		Steps: []*tandemv1.Step{
			{Id: evil, State: running, Operation: evil, StateReasons: []string{evil}, After: []string{evil}},
			{Id: "x", State: halted, StateReasons: []string{evil}, After: []string{evil, "not-there"}},
		},
	}}
	devices := []*tandemv1.Device{
		{Id: evil, Link: online, State: stopped, StateReasons: []string{evil}},
		{Id: evil, Link: online, LockedBy: evil, PauseNote: evil, LoadedMedia: evil},
		{Id: "d", Link: online, State: works, Runs: []*tandemv1.DeviceRun{
			{Run: evil, Job: evil, Step: evil, State: pending, StateReasons: []string{"x-awaiting-start"}, PanelCodes: []string{evil, evil}},
			{Run: evil, Job: evil, Step: evil, State: running, Operation: evil, Pieces: -5, PiecesGood: 1 << 30, Fraction: 1e308},
		}},
	}
	for width := 1; width <= 130; width++ {
		got := Render(jobs, devices, Options{Now: noon, Zone: zone, Width: width, Colour: width%2 == 0})
		checkShape(t, got, width)
	}
}

// TestCirclesEnd: steps that wait for one another are drawn all the same.
func TestCirclesEnd(t *testing.T) {
	job := &tandemv1.Job{Id: "loop", Steps: []*tandemv1.Step{
		{Id: "a", After: []string{"b"}, State: held}, {Id: "b", After: []string{"a"}, State: held}, {Id: "c", After: []string{"c"}, State: held},
	}}
	got := Render([]*tandemv1.Job{job}, nil, Options{Now: noon, Zone: zone, Width: 80})
	for _, id := range []string{"a", "b", "c"} {
		if !strings.Contains(got, id) {
			t.Errorf("step %s is missing:\n%s", id, got)
		}
	}
}

func TestBar(t *testing.T) {
	for _, tt := range []struct {
		share float64
		want  string
	}{{0, "[....]"}, {0.24, "[....]"}, {0.25, "[#...]"}, {0.999, "[###.]"}, {1, "[####]"}} {
		if got := bar(tt.share, 4); got != tt.want {
			t.Errorf("bar(%v) = %q, want %q", tt.share, got, tt.want)
		}
	}
}

// FuzzRender holds the two promises, width and harmlessness, against any text.
func FuzzRender(f *testing.F) {
	f.Add("job", "step", "reason", 80, int32(5), int32(60))
	f.Add("\x1b[31m", "日本", "x-awaiting-start", 13, int32(-1), int32(0))
	f.Fuzz(func(t *testing.T, id, step, reason string, width int, good, pieces int32) {
		width = width%300 + 1
		if width < 1 {
			width = 80
		}
		for _, state := range []tandemv1.JobState{pending, held, running, halted, aborted} {
			jobs := []*tandemv1.Job{{Id: id, State: state, DueTime: after(int(good)), Steps: []*tandemv1.Step{{Id: step, State: state, StateReasons: []string{reason}, Operation: reason}}}}
			devices := []*tandemv1.Device{{Id: reason, Link: online, State: works, Runs: []*tandemv1.DeviceRun{
				{Job: id, Step: step, State: state, StateReasons: []string{reason}, Pieces: pieces, PiecesGood: good, ExpectedEndTime: after(int(pieces))},
			}}}
			checkShape(t, Render(jobs, devices, Options{Now: noon, Zone: zone, Width: width}), width)
		}
	})
}
