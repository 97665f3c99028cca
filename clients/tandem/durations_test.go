package main

import (
	"encoding/csv"
	"os"
	"path/filepath"
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

func someDurations() []*tandemv1.LearnedDuration {
	return []*tandemv1.LearnedDuration{
		{
			Device: "cutter-1", Operation: "cut", Mode: "kiss", Samples: 31, Rejected: 2, FactorP50: 1.124, FactorP90: 1.31, FactorLow: 0.948, FactorHigh: 1.402,
			LastModel: minutes(34), LastActual: minutes(38.5),
		},
		{
			Device: "cutter-1", Operation: "cut", Mode: "through", Samples: 3, FactorP50: 0.98, FactorP90: 1.2, FactorLow: 0.7, FactorHigh: 1.3,
			LastModel: minutes(12), LastActual: minutes(11),
		},
		{Device: "rack-1", Operation: "dry", Samples: 8, FactorP50: 1, FactorP90: 1.01, FactorLow: 0.99, FactorHigh: 1.02},
	}
}

func TestDurationsUsage(t *testing.T) {
	for want, args := range map[string][]string{
		"--reset is empty":                    {"--reset", ""},
		`leave out "rack-1"`:                  {"rack-1", "--reset", "cutter-1"},
		"--csv exclude each other":            {"--reset", "cutter-1", "--csv", "-"},
		"--csv is empty":                      {"--csv", ""},
		"--csv and --json exclude each other": {"--csv", "-", "--json"},
		"--operation says what to forget":     {"--operation", "cut"},
		"--mode says what to forget":          {"cutter-1", "--mode", "kiss"},
		"--request-id says what to forget":    {"--request-id", "k"},
		"who asks?":                           {"--reset", "cutter-1", "--actor", ""},
	} {
		f := newFake(t)
		code, stdout, stderr := f.tandem(t, append([]string{"durations"}, args...)...)
		if code != exitUsage || stdout != "" || !strings.Contains(stderr, want) {
			t.Errorf("%q: exit %d, data %q, talk %q, want %q", args, code, stdout, stderr, want)
		}
		if len(f.requests) > 0 {
			t.Errorf("%q: the daemon was asked: %v", args, f.requests)
		}
	}
}

func TestNothingLearned(t *testing.T) {
	f := newFake(t)
	f.learned = nil
	if code, stdout, stderr := f.tandem(t, "durations"); code != exitOK || stdout != "" || !strings.Contains(stderr, "nothing learned yet") {
		t.Errorf("exit %d, data %q, talk %q", code, stdout, stderr)
	}
	// A file with the heads alone is what a script can read.
	if _, stdout, _ := f.tandem(t, "durations", "--csv", "-"); strings.Count(stdout, "\n") != 1 || !strings.HasPrefix(stdout, "device,operation,") {
		t.Errorf("data %q", stdout)
	}
}

// TestDurationsCSV reads the file back as RFC 4180 has it; foreign text begins no formula.
func TestDurationsCSV(t *testing.T) {
	f := newFake(t)
	f.learned[0].Mode = `=HYPERLINK("x","a, b")`
	f.learned[1].Mode = " -1+1"
	f.learned[2].Mode = "two\nlines"
	file := filepath.Join(t.TempDir(), "d.csv")
	code, stdout, stderr := f.tandem(t, "durations", "--csv", file)
	if code != exitOK || stdout != "" || !strings.Contains(stderr, "d.csv: 3 lines") {
		t.Fatalf("exit %d, data %q, talk %q", code, stdout, stderr)
	}
	data, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if _, stdout, _ := f.tandem(t, "durations", "--csv", "-"); stdout != string(data) {
		t.Errorf("standard output differs from the file:\n%s", stdout)
	}
	rows, err := csv.NewReader(strings.NewReader(string(data))).ReadAll()
	if err != nil {
		t.Fatal(err)
	}
	for i, want := range [][]string{
		{"device", "operation", "mode", "runs", "left_out", "factor_p50", "factor_p90", "factor_low", "factor_high", "last_model_seconds", "last_actual_seconds"},
		{"cutter-1", "cut", `'=HYPERLINK("x","a, b")`, "31", "2", "1.124", "1.31", "0.948", "1.402", "2040", "2310"},
		{"cutter-1", "cut", "' -1+1", "3", "0", "0.98", "1.2", "0.7", "1.3", "720", "660"},
		{"rack-1", "dry", "two lines", "8", "0", "1", "1.01", "0.99", "1.02", "", ""},
	} {
		if got := strings.Join(rows[i], "|"); got != strings.Join(want, "|") {
			t.Errorf("row %d is %s", i, got)
		}
	}
	if code, _, stderr := f.tandem(t, "durations", "--csv", filepath.Join(file, "no")); code != exitFailure || !strings.Contains(stderr, "write CSV") {
		t.Errorf("exit %d, talk %q", code, stderr)
	}
}
