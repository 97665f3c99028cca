package main

import (
	"bytes"
	"context"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/genproto/googleapis/rpc/errdetails"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

func around(mean, by float64) *tandemv1.Estimate {
	return &tandemv1.Estimate{Mean: mean, Low: mean - by, High: mean + by}
}

// someComparison is of a floor with that which has a second cutter: an hour and a half faster, and paid in five months.
func someComparison() *tandemv1.Comparison {
	example := func(cutters ...string) []*tandemv1.PlannedRun {
		var runs []*tandemv1.PlannedRun
		for i, job := range []string{"anchor-1", "anchor-2"} {
			cut := cutters[i%len(cutters)]
			from := 70 + 60*i/len(cutters)
			runs = append(runs,
				&tandemv1.PlannedRun{Device: "printer-1", Job: job, Step: "print", Operation: "print", StartTime: after(30 * i), EndTime: after(30*i + 30)},
				&tandemv1.PlannedRun{Device: cut, Job: job, Step: "cut", Operation: "cut", StartTime: after(from), EndTime: after(from + 60), Changeover: minutes(4), DueTime: after(150)})
		}
		return runs
	}
	harbour := &tandemv1.FloorOutcome{
		Name: "floor", Makespan: around(33120, 1100), FlowTime: around(14400, 900), PiecesPerHour: around(212.4, 8), AreaPerHour: around(4.31, 0.2),
		WeightedTardiness: around(1260, 300), LateShare: around(0.12, 0.04), OperatorLoad: around(0.41, 0.02), OperatorHours: around(21.3, 1), Unfinished: 0.15,
		Devices: []*tandemv1.DeviceOutcome{
			{Device: "printer-1", Busy: 0.55, Changeover: 0.08, Starved: 0.12, Blocked: 0.05, Closed: 0.2, Runs: 24.6},
			{Device: "cutter-1", Busy: 0.74, Changeover: 0.051, Starved: 0.004, Blocked: 0.005, Closed: 0.2, Runs: 24.6},
		},
		Bottleneck: "cut (cutter-1)", Example: example("cutter-1"), Attended: []*tandemv1.Attended{{StartTime: after(-60), EndTime: after(240), Operators: 2}},
	}
	second := &tandemv1.FloorOutcome{
		Name: "floor + a second cutter-1", Makespan: around(27720, 1000), FlowTime: around(10200, 600), PiecesPerHour: around(253.8, 9), AreaPerHour: around(5.15, 0.2),
		WeightedTardiness: around(240, 120), LateShare: around(0.03, 0.02), OperatorLoad: around(0.48, 0.02), OperatorHours: around(21.4, 1),
		Devices: []*tandemv1.DeviceOutcome{
			{Device: "printer-1", Busy: 0.66, Changeover: 0.09, Starved: 0.03, Blocked: 0.02, Closed: 0.2, Runs: 24.6},
			{Device: "cutter-1", Busy: 0.45, Changeover: 0.03, Starved: 0.3, Blocked: 0.02, Closed: 0.2, Runs: 12.1},
			{Device: "cutter-9", Busy: 0.44, Changeover: 0.03, Starved: 0.31, Blocked: 0.02, Closed: 0.2, Runs: 12.5},
		},
		Bottleneck:  "print (printer-1)",
		Differences: []*tandemv1.Estimate{around(-5400, 900), around(-4200, 600), around(-1020, 1100)},
		PayBack: &tandemv1.PayBack{
			Invest: 18000, GainPerYear: around(43200, 7000), Years: &tandemv1.Estimate{Mean: 0.417, Low: 0.36, High: 0.5},
			Reckoning: []string{"41.4 pieces an hour more, 2000 h a year, 90 EUR for an hour's margin"},
		},
		Example: example("cutter-1", "cutter-9"),
	}
	return &tandemv1.Comparison{
		Floors:     []*tandemv1.FloorOutcome{harbour, second},
		Conclusion: []string{"With a second cutter-1 the same work is done 1 h 30 min earlier, and 9 in 100 jobs fewer are late.", "It has paid for itself after about 5 months, if there is as much work all year."},
		Notes:      []string{"an operator is at a device 2 min after it calls", "spoiled pieces are not made again"},
	}
}

func TestCompareRequest(t *testing.T) {
	f := newFake(t)
	code, _, stderr := f.tandem(t, "compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml", "--replications", "5", "--seed", "7", "--exact",
		"--start", "2026-03-02T07:30:00+01:00", "--reaction", "3m", "--add-device", "cutter-9=cutter-1", "--without-device", "printer-1",
		"--add-operator", "--add-shift", "--invest", "2=20000", "--invest", "5=1500.5")
	if code != exitOK {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	got := sent[*tandemv1.CompareFloorsRequest](f)[0]
	if got.GetReplications() != 5 || got.GetSeed() != 7 || !got.GetExact() || got.GetReaction().AsDuration() != 3*time.Minute || len(got.GetJobs()) != 0 {
		t.Errorf("request %v", got)
	}
	if want := time.Date(2026, 3, 2, 6, 30, 0, 0, time.UTC); !got.GetStartTime().AsTime().Equal(want) {
		t.Errorf("start %v", got.GetStartTime().AsTime())
	}
	content, err := os.ReadFile("testdata/anchor.svg")
	if err != nil {
		t.Fatal(err)
	}
	entry := got.GetMix().GetEntries()[0]
	if len(entry.GetCutFiles()) != 1 || !bytes.Equal(entry.GetCutFiles()[0].GetContent(), content) || entry.GetJob().GetItems()[0].GetWidthUm() != 100_000 || got.GetMix().GetDays() != 5 {
		t.Errorf("mix %v", got.GetMix())
	}
	var names []string
	var invest []float64
	for _, v := range got.GetFloors() {
		names, invest = append(names, v.GetName()), append(invest, v.GetInvest())
	}
	if want := []string{"floor", "floor + a second cutter-1", "floor without printer-1", "floor + an operator in every shift", "floor + a shift 22:00 to 06:00"}; !slices.Equal(names, want) {
		t.Errorf("floors %q, want %q", names, want)
	}
	if want := []float64{0, 20000, 0, 0, 1500.5}; !slices.Equal(invest, want) {
		t.Errorf("invest %v, want %v", invest, want)
	}
	base := got.GetFloors()[0].GetFloor()
	for i, check := range []func(*tandemv1.FloorFile) bool{
		1: func(f *tandemv1.FloorFile) bool {
			d := f.GetDevices()
			like := proto.CloneOf(d[1])
			like.Id = "cutter-9"
			return len(d) == 3 && d[1].GetId() == "cutter-1" && proto.Equal(d[2], like) && d[2].GetPrice() == 18000
		},
		2: func(f *tandemv1.FloorFile) bool {
			return len(f.GetDevices()) == 1 && f.GetDevices()[0].GetId() == "cutter-1"
		},
		3: func(f *tandemv1.FloorFile) bool {
			return f.GetShifts()[0].GetOperators() == 3 && f.GetShifts()[1].GetOperators() == 2
		},
		4: func(f *tandemv1.FloorFile) bool {
			return proto.Equal(f.GetShifts()[2], &tandemv1.Shift{Id: "added-3", From: "22:00", To: "06:00"})
		},
	} {
		if check == nil {
			continue
		}
		if !check(got.GetFloors()[i].GetFloor()) {
			t.Errorf("floor %q: %v", names[i], got.GetFloors()[i].GetFloor())
		}
		if proto.Equal(got.GetFloors()[i].GetFloor(), base) {
			t.Errorf("floor %q is the first one", names[i])
		}
	}
	if len(base.GetDevices()) != 2 || base.GetShifts()[0].GetOperators() != 2 || len(base.GetShifts()) != 2 {
		t.Errorf("the first floor was changed: %v", base)
	}
}

// TestCompareTickets: tickets of a folder go by name, at their release times, with their cut files; what is no ticket is
// left alone.
func TestCompareTickets(t *testing.T) {
	folder := t.TempDir()
	svg, err := os.ReadFile("testdata/anchor.svg")
	if err != nil {
		t.Fatal(err)
	}
	for name, content := range map[string]string{
		"b.yaml":     "id: b\npieces: 3\nsteps: [{id: cut, operation: cut}]\n",
		"a.json":     `{"id":"a","release_time":"2026-03-02T09:00:00+01:00","items":[{"id":"x","width_mm":10,"height_mm":10,"quantity":2,"media":"m","cut":{"role":"cut","uri":"anchor.svg"}}]}`,
		"anchor.svg": string(svg), "other.xml": "<notes/>", ".hidden.yaml": "nonsense", "notes.txt": "x",
	} {
		if err := os.WriteFile(filepath.Join(folder, name), []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	f := newFake(t)
	if code, _, stderr := f.tandem(t, "compare", "testdata/floor.yaml", "--tickets", folder, "--tickets", "testdata/ticket.yaml"); code != exitOK {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	got := sent[*tandemv1.CompareFloorsRequest](f)[0]
	jobs := got.GetJobs()
	if len(jobs) != 3 || jobs[0].GetJob().GetId() != "a" || jobs[1].GetJob().GetId() != "b" || len(got.GetFloors()) != 1 || got.GetMix() != nil {
		t.Fatalf("request %v", got)
	}
	if !jobs[0].GetTime().AsTime().Equal(time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)) || jobs[1].GetTime() != nil {
		t.Errorf("handed in at %v and %v", jobs[0].GetTime(), jobs[1].GetTime())
	}
	if len(jobs[0].GetCutFiles()) != 1 || !bytes.Equal(jobs[0].GetCutFiles()[0].GetContent(), svg) {
		t.Errorf("cut files %v", jobs[0].GetCutFiles())
	}
}

// TestCompareUsage: nothing is asked of the daemon if a flag or a file is bad, and what is wrong is named with a remedy.
func TestCompareUsage(t *testing.T) {
	folder := t.TempDir()
	write := func(name, content string) string {
		t.Helper()
		file := filepath.Join(folder, name)
		if err := os.WriteFile(file, []byte(content), 0o600); err != nil {
			t.Fatal(err)
		}
		return file
	}
	bare := write("bare.yaml", "devices: [{id: d}]\n")
	empty := write("empty.yaml", "display_name: x\n")
	long := write("long.yaml", "devices: [{id: d}]\nshifts: [{id: s, from: '06:00', to: '06:00'}]\n")
	typo := write("typo.yaml", "devices:\n  - id: d\n    pryce: 5\n")
	bad := write("bad.yaml", "entries:\n  - job: {id: a, items: [{id: x, cut: {uri: gone.svg}}]}\n  - share: 2\n")
	nothing := write("nothing.yaml", "days: 3\n")
	if err := os.Mkdir(filepath.Join(folder, "none"), 0o700); err != nil {
		t.Fatal(err)
	}
	mix := []string{"testdata/floor.yaml", "--mix", "testdata/mix.yaml"}
	for _, tt := range []struct {
		args []string
		want []string
	}{
		{[]string{"testdata/floor.yaml"}, []string{"which jobs? name a folder of tickets with --tickets, or a file with a mix of jobs with --mix"}},
		{append(mix, "--tickets", "testdata"), []string{"--tickets and --mix exclude each other"}},
		{append(mix, "--replications", "0"), []string{"--replications is 0: give 1 or more"}},
		{append(mix, "--reaction", "-2m"), []string{"--reaction is -2m0s: give a time above zero"}},
		{append(mix, "--start", "monday"), []string{`--start is "monday": give a time with its offset from UTC`}},
		{append(mix, "--svg", ""), []string{`--svg is "": give the name of a file`}},
		{append(mix, "--add-device", "cutter-9"), []string{"--add-device cutter-9: give the id of the new device and of one that it is like, such as cutter-9=cutter-1"}},
		{append(mix, "--add-device", "Cutter 9=cutter-1"), []string{`"Cutter 9" cannot be an id: `}},
		{append(mix, "--add-device", "cutter-1=cutter-1"), []string{"testdata/floor.yaml has a device cutter-1 already: choose another id"}},
		{append(mix, "--add-device", "c=cuter"), []string{`testdata/floor.yaml has no device "cuter": use printer-1, cutter-1`}},
		{append(mix, "--without-device", "cuter"), []string{`has no device "cuter": use printer-1, cutter-1`}},
		{[]string{bare, "--mix", "testdata/mix.yaml", "--without-device", "d"}, []string{"it is the only device of "}},
		{[]string{bare, "--mix", "testdata/mix.yaml", "--add-operator"}, []string{"bare.yaml has no shifts, so people are always there"}},
		{[]string{bare, "--mix", "testdata/mix.yaml", "--add-shift"}, []string{"bare.yaml has no shifts"}},
		{[]string{long, "--mix", "testdata/mix.yaml", "--add-shift"}, []string{"leave no hour of the day: say from when to when"}},
		{append(mix, "--add-shift=14-22"), []string{`"14-22" is not a time of the day: give from when to when, such as --add-shift=14:00-22:00`}},
		{append(mix, "--invest", "5"), []string{"--invest 5: there are 1 floors"}},
		{append(mix, "--invest", "2=5"), []string{"there is one floor only: nothing is bought to get there"}},
		{append(mix, "--add-operator", "--invest", "3=5"), []string{`"3" is not the number of a floor to get to: use 2 to 2, 2 for "floor + an operator in every shift"`}},
		{append(mix, "--add-operator", "--invest", "2=-5"), []string{`"-5" is not an amount above zero`}},
		{append(mix, "--add-operator", "--invest", "NaN"), []string{`"NaN" is not an amount above zero`}},
		{[]string{empty, "--mix", "testdata/mix.yaml"}, []string{"empty.yaml: devices: are missing: a floor has one at least"}},
		{[]string{typo, filepath.Join(folder, "no.yaml"), "--mix", bad}, []string{"typo.yaml:3: devices[0].\"pryce\": unknown key; did you mean price?", "no.yaml: no such file", `bad.yaml:2: entries[0].job.items[0].cut.uri: "gone.svg" is not there`, "bad.yaml:3: entries[1].job: is missing"}},
		{[]string{"testdata/floor.yaml", "--mix", nothing}, []string{"nothing.yaml: entries: are missing: a mix has one kind of job at least"}},
		{[]string{"testdata/floor.yaml", "--tickets", filepath.Join(folder, "none")}, []string{"none: holds no ticket: a ticket's name ends in "}},
		{[]string{"testdata/floor.yaml", "--tickets", filepath.Join(folder, "gone")}, []string{"no such file or directory"}},
		{[]string{"--mix", "testdata/mix.yaml"}, []string{"requires at least 1 arg"}},
	} {
		f := newFake(t)
		code, stdout, stderr := f.tandem(t, append([]string{"compare"}, tt.args...)...)
		if code != exitUsage || stdout != "" {
			t.Errorf("%v: exit %d, data %q", tt.args, code, stdout)
		}
		for _, want := range tt.want {
			if !strings.Contains(stderr, want) {
				t.Errorf("%v: talk\n%s\nwant %q", tt.args, stderr, want)
			}
		}
		if len(f.requests) > 0 {
			t.Errorf("%v: the daemon was asked", tt.args)
		}
	}
}

// TestCompareFieldErrors: what the daemon finds wrong is told with the file and line it came from.
func TestCompareFieldErrors(t *testing.T) {
	f := newFake(t)
	f.fail["CompareFloors"] = detailed(t, codes.InvalidArgument, "the request has bad fields", &errdetails.BadRequest{FieldViolations: []*errdetails.BadRequest_FieldViolation{
		{Field: "floors[0].floor.devices[1].abilities[0].setup", Description: "is negative: give a time from zero on"},
		{Field: "floors[1].floor.shifts[1].to", Description: "is no time"},
		{Field: "floors[0].floor", Description: "has no device that prints"},
		{Field: "mix.entries[1].job.steps[0].media", Description: "is not in the floor file"},
		{Field: "mix", Description: "comes to nothing"},
		{Field: "replications", Description: "are too many: at most 1000"},
	}})
	code, stdout, stderr := f.tandem(t, "compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml", "--add-device", "cutter-9=cutter-1")
	want := `tandem: the request has bad fields
testdata/floor.yaml:16: devices[1].abilities[0].setup: is negative: give a time from zero on
testdata/floor.yaml:6: shifts[1].to: is no time
testdata/floor.yaml: has no device that prints
testdata/mix.yaml:17: entries[1].job.steps[0].media: is not in the floor file
testdata/mix.yaml: comes to nothing
replications: are too many: at most 1000
`
	if code != exitUsage || stdout != "" || stderr != want {
		t.Errorf("exit %d, data %q, talk\n%s\nwant\n%s", code, stdout, stderr, want)
	}
}

// TestCompareProgress: it is shown on a terminal only, on one line that is taken away again.
func TestCompareProgress(t *testing.T) {
	for _, tt := range []struct {
		name     string
		terminal bool
		args     []string
		env      string
		want     bool
	}{
		{"on a terminal", true, nil, "", true},
		{"piped", false, nil, "", false},
		{"quiet", true, []string{"--quiet"}, "", false},
		{"dumb", true, nil, "dumb", false},
	} {
		t.Run(tt.name, func(t *testing.T) {
			f := newFake(t)
			s, out, errs := f.surroundings(append(tt.args, "compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml")...)
			s.errIsTerminal = tt.terminal
			s.env = func(name string) string { return map[string]string{"TERM": tt.env}[name] }
			// Each message is seen before the next is sent.
			f.playing = func(done int) {
				if tt.want && done > 0 {
					errs.waitFor(t, map[int]string{10: "played 0 of 40 times", 20: "played 10 of", 30: "played 20 of", 40: "played 30 of"}[done])
				}
			}
			if code := run(t.Context(), s); code != exitOK {
				t.Fatalf("exit %d: %s", code, errs)
			}
			want := ""
			if tt.want {
				want = "\rplayed 0 of 40 times\x1b[K\rplayed 10 of 40 times\x1b[K\rplayed 20 of 40 times\x1b[K\rplayed 30 of 40 times\x1b[K\r\x1b[K"
			}
			if errs.String() != want || !strings.Contains(out.String(), "second cutter") {
				t.Errorf("talk %q, want %q", errs, want)
			}
		})
	}
}

func TestComparePicture(t *testing.T) {
	f := newFake(t)
	svg := filepath.Join(t.TempDir(), "floors.svg")
	args := []string{"compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml", "--svg", svg}
	if code, _, stderr := f.tandem(t, args...); code != exitOK {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	drawing, err := os.ReadFile(svg)
	if err != nil {
		t.Fatal(err)
	}
	for _, want := range []string{">floor + a second cutter-1<", ">cutter-9<", ">Times in Europe/Berlin, UTC+01:00.", ">13:15"} {
		if !strings.Contains(string(drawing), want) {
			t.Errorf("the picture does not say %q", want)
		}
	}
	f.comparison.Floors = f.comparison.GetFloors()[:1]
	f.comparison.Floors[0].Example = nil
	if code, _, stderr := f.tandem(t, args...); code != exitFailure || !strings.Contains(stderr, "no runs to draw") {
		t.Errorf("exit %d, talk %s", code, stderr)
	}
}

// TestCompareBreaks: a comparison that ends without its last message is an error, and so is one whose daemon goes away.
func TestCompareBreaks(t *testing.T) {
	f := newFake(t)
	f.comparison = nil
	code, stdout, stderr := f.tandem(t, "compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml")
	if code != exitFailure || stdout != "" || !strings.Contains(stderr, "ended without a comparison") {
		t.Errorf("exit %d, data %q, talk %q", code, stdout, stderr)
	}
	f = newFake(t)
	f.fail["CompareFloors"] = status.Error(codes.Unavailable, "the daemon stops")
	code, stdout, stderr = f.tandem(t, "compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml")
	if code != exitUnavailable || stdout != "" || !strings.Contains(stderr, "the daemon stops") {
		t.Errorf("exit %d, data %q, talk %q", code, stdout, stderr)
	}
	f.stop()
	code, stdout, stderr = f.tandem(t, "compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml")
	if code != exitUnavailable || stdout != "" || !strings.Contains(stderr, "remedy: start tandemd") {
		t.Errorf("exit %d, data %q, talk %q", code, stdout, stderr)
	}
}

// TestCompareInterrupted: a person may end it at any time.
func TestCompareInterrupted(t *testing.T) {
	f := newFake(t)
	ctx, interrupt := context.WithCancel(t.Context())
	f.playing = func(done int) {
		if done == 20 {
			interrupt()
		}
	}
	s, out, errs := f.surroundings("compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml")
	f.comparison = nil // or else its last message might win
	if code := run(ctx, s); code != exitInterrupted || out.String() != "" {
		t.Errorf("exit %d, data %q, talk %q", code, out, errs)
	}
}

func TestComparisonOfOneFloor(t *testing.T) {
	f := newFake(t)
	f.comparison = &tandemv1.Comparison{
		Floors:     f.comparison.GetFloors()[:1],
		Conclusion: []string{"The cutter holds the floor back."},
	}
	code, stdout, stderr := f.tandem(t, "compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml")
	if code != exitOK || stderr != "" || !strings.HasPrefix(stdout, "The cutter holds the floor back.\n\nfloor\n") || strings.Contains(stdout, "PAYS BACK") {
		t.Errorf("exit %d, talk %q, data\n%s", code, stderr, stdout)
	}
}

// TestOperatorsAlwaysThere: without shifts there is no time of which they could be busy a share.
func TestOperatorsAlwaysThere(t *testing.T) {
	f := newFake(t)
	for _, o := range f.comparison.GetFloors() {
		o.OperatorLoad = around(0, 0)
	}
	_, stdout, _ := f.tandem(t, "compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml")
	if strings.Contains(stdout, "busy") || !strings.Contains(stdout, "21.3 (20.3 to 22.3) h of work; always there, as many as are needed") {
		t.Errorf("data\n%s", stdout)
	}
}

// TestReckoningIsToldOnce: what holds for several floors is not repeated.
func TestReckoningIsToldOnce(t *testing.T) {
	f := newFake(t)
	third := proto.CloneOf(f.comparison.GetFloors()[1])
	third.Name, third.PayBack.Reckoning = "third", append(third.GetPayBack().GetReckoning(), "people cost nothing")
	f.comparison.Floors = append(f.comparison.GetFloors(), third)
	_, stdout, _ := f.tandem(t, "compare", "testdata/floor.yaml", "--mix", "testdata/mix.yaml")
	if strings.Count(stdout, "41.4 pieces an hour more") != 1 || strings.Count(stdout, "people cost nothing") != 1 {
		t.Errorf("data\n%s", stdout)
	}
}

func TestShiftAfterTheLast(t *testing.T) {
	for _, tt := range []struct {
		shifts []*tandemv1.Shift
		want   string
	}{
		{[]*tandemv1.Shift{{Id: "a", From: "08:00", To: "16:00"}}, "16:00 to 24:00"},
		{[]*tandemv1.Shift{{Id: "a", From: "07:30", To: "16:30"}}, "16:30 to 01:30"},
		{[]*tandemv1.Shift{{Id: "a", From: "16:00", To: "24:00"}, {Id: "added-3", From: "08:00", To: "16:00"}}, "00:00 to 08:00 of the next day"},
		{[]*tandemv1.Shift{{Id: "night", From: "22:00", To: "06:00"}, {Id: "b", From: "06:00", To: "14:00"}}, "14:00 to 22:00"},
		{[]*tandemv1.Shift{{Id: "a", From: "06:00", To: "22:00"}}, "22:00 to 06:00"},
	} {
		floor := &tandemv1.FloorFile{Shifts: tt.shifts}
		words, err := addShift(floor, "f", shiftAfter)
		if err != nil || words != "+ a shift "+tt.want {
			t.Errorf("%v: %q, %v; want %q", tt.shifts, words, err, tt.want)
		}
		ids := map[string]bool{}
		for _, s := range floor.GetShifts() {
			if ids[s.GetId()] {
				t.Errorf("two shifts %s", s.GetId())
			}
			ids[s.GetId()] = true
		}
	}
}

func TestFloorNames(t *testing.T) {
	files := []string{"a/harbour.yaml", "b/harbour.yaml", "quay.yml"}
	for i, want := range []string{"harbour (1)", "harbour (2)", "quay"} {
		if got := floorName(files, i); got != want {
			t.Errorf("got %q, want %q", got, want)
		}
	}
}
