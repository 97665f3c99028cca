package main

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/goldentest"
	tandemv1 "tandem/proto/tandem/v1"
)

func TestReportText(t *testing.T) {
	for name, calls := range map[string][][]string{
		"report-devices": {
			{"report", "devices"},
			{"report", "devices", "--period", "day"},
			{"report", "devices", "--indicators"},
			{"--quiet", "report", "devices"},
		},
		"report-jobs":  {{"report", "jobs"}, {"--quiet", "report", "jobs"}},
		"report-waste": {{"report", "waste"}, {"report", "waste", "printer-1", "--period", "day"}},
		"report-night": {{"report", "night"}, {"--quiet", "report", "night"}},
		"report-help":  {{"report", "--help"}, {"report", "night", "--help"}},
	} {
		f := newFake(t)
		var all strings.Builder
		for _, args := range calls {
			code, stdout, stderr := f.tandem(t, args...)
			all.WriteString("$ tandem " + strings.Join(args, " ") + "\n" + stdout + stderr + "-- exit " + strconv.Itoa(code) + " --\n\n")
		}
		goldentest.Compare(t, name+".txt", all.String())
	}
}

func TestReportUsage(t *testing.T) {
	for want, args := range map[string][]string{
		"say of what":                         {},
		`there is no report of "costs"`:       {"costs"},
		`--period is "month"`:                 {"devices", "--period", "month"},
		"--csv is empty":                      {"jobs", "--csv", ""},
		"--csv and --json exclude each other": {"waste", "--csv", "-", "--json"},
		`--png is ""`:                         {"night", "--png", ""},
		`--from: "noonish" is not a time`:     {"night", "--from", "noonish"},
		`--to "yesterday" is not after`:       {"devices", "--from", "today", "--to", "yesterday"},
		"unknown command":                     {"jobs", "printer-1"},
		"unknown flag: --period":              {"night", "--period", "day"},
	} {
		f := newFake(t)
		code, stdout, stderr := f.tandem(t, append([]string{"report"}, args...)...)
		if code != exitUsage || stdout != "" || !strings.Contains(stderr, want) {
			t.Errorf("%q: exit %d, data %q, talk %q, want %q", args, code, stdout, stderr, want)
		}
	}
	f := newFake(t)
	f.fail["GetJobReport"] = status.Error(codes.Unavailable, "the tables of reports are being made anew")
	if code, _, stderr := f.tandem(t, "report", "jobs"); code == exitOK || !strings.Contains(stderr, "made anew") {
		t.Errorf("exit %d, talk %q", code, stderr)
	}
}

func TestPastMoment(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	now := time.Date(2026, 3, 30, 9, 30, 0, 0, berlin) // the day after the clocks went forward
	for text, want := range map[string]string{
		"today":                     "2026-03-30 00:00",
		"yesterday":                 "2026-03-29 00:00",
		"now":                       "2026-03-30 09:30",
		"2026-03-02":                "2026-03-02 00:00",
		"2026-03-02 06:15":          "2026-03-02 06:15",
		"2026-03-02T06:15":          "2026-03-02 06:15",
		"2026-03-30T05:00:00Z":      "2026-03-30 07:00",
		"06:00":                     "2026-03-30 06:00",
		"90m":                       "2026-03-30 08:00",
		"36h":                       "2026-03-28 20:30", // 36 true hours, one of which the clock left out
		"2d":                        "2026-03-28 09:30",
		"7d":                        "2026-03-23 09:30",
		"2026-03-29T02:30:00+01:00": "2026-03-29 03:30",
	} {
		got, err := pastMoment("--from", text, now, berlin)
		if err != nil || got.In(berlin).Format("2006-01-02 15:04") != want {
			t.Errorf("%q is %v (%v), want %s", text, got.In(berlin), err, want)
		}
	}
	for _, text := range []string{"", "-3h", "0d", "-7d", "25:00", "2026-02-30", "tomorrow", "d"} {
		if got, err := pastMoment("--from", text, now, berlin); err == nil {
			t.Errorf("%q is %v", text, got)
		}
	}
}

// Every file is read back as RFC 4180 has it, holds the figures of the report, and begins no formula, whatever names are in it: what
// begins with = + - @ or a tab is a formula to some spreadsheet (common practice, no source).
func TestReportCSV(t *testing.T) {
	f := newFake(t)
	hostile := []string{`=HYPERLINK("x","a, b")`, "+1+1", "-1+1", "@SUM(1)", "\t=1+1", "  =1", "\r=1", "two\nlines", `"quoted", and, commas`}
	for i, text := range hostile {
		f.reportOfDevices.Periods[0].Shift = text
		f.reportOfWaste.Periods[0].Spoiled = append(f.reportOfWaste.Periods[0].Spoiled, &tandemv1.Spoilage{Cause: text, ByPerson: true, Pieces: int64(100 + i)})
		f.reportOfNight.Jobs = append(f.reportOfNight.Jobs, &tandemv1.NightJob{Job: text, DisplayName: text})
	}
	files := map[string][][]string{}
	for _, what := range []string{"devices", "jobs", "waste", "night"} {
		file := filepath.Join(t.TempDir(), what+".csv")
		code, stdout, stderr := f.tandem(t, "report", what, "--csv", file)
		if code != exitOK || stdout != "" || !strings.Contains(stderr, what+".csv: ") {
			t.Fatalf("%s: exit %d, data %q, talk %q", what, code, stdout, stderr)
		}
		data, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		if _, stdout, _ := f.tandem(t, "report", what, "--csv", "-"); stdout != string(data) {
			t.Errorf("%s: standard output differs from the file", what)
		}
		rows, err := csv.NewReader(strings.NewReader(string(data))).ReadAll() // refuses rows of another length than the head
		if err != nil {
			t.Fatalf("%s: %v", what, err)
		}
		files[what] = rows
		for n, row := range rows {
			for i, cell := range row {
				if begin := strings.TrimLeft(cell, " \t\r\n"); begin != "" && strings.ContainsAny(begin[:1], "=+-@") || strings.HasPrefix(cell, "\t") {
					t.Errorf("%s: row %d has %q at %s", what, n, cell, rows[0][i])
				}
			}
		}
	}
	cell := func(what string, row int, head string) string {
		for i, h := range files[what][0] {
			if h == head {
				return files[what][row][i]
			}
		}
		t.Fatalf("%s has no %s: %q", what, head, files[what][0])
		return ""
	}
	for _, c := range []struct {
		what       string
		row        int
		head, want string
	}{
		{"devices", 1, "device", "printer-1"},
		{"devices", 1, "from", "2026-11-24T00:00:00+01:00"},
		{"devices", 1, "production_outside_seconds", "7200"},
		{"devices", 1, "apt_seconds", "26100"},
		{"devices", 1, "oee_index", "0.757"},
		{"devices", 1, "worker_efficiency", ""},
		{"devices", 1, "pieces_good", "1480"},
		{"jobs", 1, "flow_p90_seconds", "93600"},
		{"jobs", 1, "throughput_rate", "71.3"},
		{"jobs", 1, "actual_to_planned_scrap_ratio", ""},
		{"waste", 2, "square_metres", "0.42"},
		{"waste", 4, "cause", `'=HYPERLINK("x","a, b")`},
		{"waste", 4, "pieces", "100"},
		{"waste", 5, "cause", "'+1+1"},
		{"waste", 6, "cause", "'-1+1"},
		{"waste", 7, "cause", "'@SUM(1)"},
		{"waste", 12, "cause", `"quoted", and, commas`},
		{"waste", len(files["waste"]) - 1, "used_m", "74.3"},
		{"night", 1, "to", "2026-11-25T02:10:00+01:00"},
		{"night", 3, "to", ""}, // it goes on
	} {
		if got := cell(c.what, c.row, c.head); got != c.want {
			t.Errorf("%s: row %d has %s %q, want %q", c.what, c.row, c.head, got, c.want)
		}
	}
}

func TestReportPictures(t *testing.T) {
	f := newFake(t)
	for _, what := range []string{"devices", "jobs", "waste", "night"} {
		svg := filepath.Join(t.TempDir(), what+".svg")
		code, stdout, stderr := f.tandem(t, "report", what, "--quiet", "--svg", svg)
		if code != exitOK {
			t.Fatalf("%s: exit %d, %q %q", what, code, stdout, stderr)
		}
		if data, err := os.ReadFile(svg); err != nil || !strings.Contains(string(data), "</svg>") {
			t.Errorf("%s: %v", what, err)
		}
	}
	f.reportOfWaste = &tandemv1.WasteReport{Source: f.reportOfWaste.GetSource()}
	if code, _, stderr := f.tandem(t, "report", "waste", "--svg", filepath.Join(t.TempDir(), "w.svg")); code == exitOK || !strings.Contains(stderr, "nothing to draw") {
		t.Errorf("nothing: exit %d, talk %q", code, stderr)
	}
}

// Pieces can be spoiled that no run of the period has made: of a job that was canceled, or made the day before.
func TestSpoiledShare(t *testing.T) {
	p := &tandemv1.WastePeriod{Pieces: 40}
	for pieces, want := range map[int64]string{10: "25.0 %", 40: "100.0 %", 60: "-"} {
		if got := spoiledShare(&tandemv1.Spoilage{Pieces: pieces}, p).Text; got != want {
			t.Errorf("%d of 40: %q, want %q", pieces, got, want)
		}
	}
}
