package instance

import (
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"tandem/scheduler/plan/problem"
)

func read(t *testing.T, format, file string) *problem.Problem {
	t.Helper()
	text, err := os.ReadFile(filepath.Join("testdata", file))
	if err != nil {
		t.Fatal(err)
	}
	p, err := Read(format, text)
	if err != nil {
		t.Fatal(err)
	}
	return p
}

// TestSizes holds each reader against the sizes of published instances: mk01 is 10 x 6 with 55 operations (Brandimarte 1993), k1 4 x
// 5 with 12 (Kacem et al. 2002), ft06 6 x 6, la01 10 x 5; the others as the first lines and the last numbers of their files say.
func TestSizes(t *testing.T) {
	tests := []struct {
		format, file        string
		jobs, machines, ops int
		modes               int          // of all operations
		last                problem.Time // duration of the last mode
	}{
		{"fjsp", "mk01.txt", 10, 6, 55, 115, 2},
		{"fjsp", "k1.txt", 4, 5, 12, 60, 2},
		{"jsp", "ft06.txt", 6, 6, 36, 36, 1},
		{"jsp", "la01.txt", 10, 5, 50, 50, 96},
		{"fajsp", "yfjs01.txt", 4, 7, 40, 104, 194},
		{"fajsp", "dafjs01.txt", 4, 5, 26, 82, 85},
		{"fjsp-sdst", "fjsp-sdst-01.txt", 2, 2, 4, 8, 65},
		{"hfsp", "hfsp-0001.txt", 50, 15, 250, 750, 40},
		{"pfsp-sdst", "pfsp-sdst-0001.txt", 20, 5, 100, 100, 28},
		{"pfsp-tt", "pfsp-tt-0001.txt", 50, 10, 500, 500, 67},
	}
	for _, test := range tests {
		p := read(t, test.format, test.file)
		modes, last := 0, problem.Time(0)
		for _, op := range p.Ops {
			modes += len(op.Modes)
			last = op.Modes[len(op.Modes)-1].Duration
		}
		if len(p.Jobs) != test.jobs || len(p.Machines) != test.machines || len(p.Ops) != test.ops {
			t.Errorf("%s: %d jobs, %d machines, %d operations", test.file, len(p.Jobs), len(p.Machines), len(p.Ops))
		}
		if modes != test.modes || last != test.last {
			t.Errorf("%s: %d modes, last duration %d", test.file, modes, last)
		}
	}
}

func TestTables(t *testing.T) {
	p := read(t, "pfsp-sdst", "pfsp-sdst-0001.txt")
	// The first changeovers of the first machine and the last ones of the last, as the file has them.
	if s := p.Machines[0].Setup; s[0][0] != 0 || s[0][1] != 5 || s[1][0] != 9 {
		t.Errorf("first machine %v", s[0])
	}
	if s := p.Machines[4].Setup; s[19][0] != 8 || s[19][18] != 6 || s[19][19] != 0 {
		t.Errorf("last machine %v", s[19])
	}
	p = read(t, "fjsp-sdst", "fjsp-sdst-01.txt")
	if s := p.Machines[0].Setup; s[0][0] != 6 || s[0][1] != 3 || s[1][0] != 3 || s[2][2] != 7 {
		t.Errorf("first machine %v", s)
	}
	p = read(t, "pfsp-tt", "pfsp-tt-0001.txt")
	if p.Objective != problem.WeightedTardiness || p.Jobs[0].Due != 2142 || p.Jobs[1].Due != 2511 || p.Jobs[0].Weight != 1 {
		t.Errorf("due times %v", p.Jobs[:2])
	}
	if p.Ops[0].Modes[0].Duration != 1 || p.Ops[1].Modes[0].Duration != 4 || p.Ops[10].Modes[0].Duration != 9 {
		t.Error("times are not job by job")
	}
}

func TestErrors(t *testing.T) {
	tests := []struct {
		format, text string
		line         int
		field        string
	}{
		{"jsp", "", 2, "number of jobs"},
		{"jsp", "2 x", 1, "number of machines"},
		{"jsp", "1 0", 1, "number of machines"},
		{"jsp", "1 2\n0 3 1", 3, "jobs"},
		{"jsp", "1 2\n0 3 2 4", 2, "machine for operation 1 of job 0"},
		{"jsp", "1 2\n0 3\n1 -4", 3, "duration of operation 1 of job 0"},
		{"jsp", "1 1\n0 3\n\n7", 4, "end of the text"},
		{"fjsp", "1 2\n1 3 0 1", 2, "number of machines for operation 0 of job 0"},
		{"fjsp", "1 2\n1 2 0 1 0 1", 2, "machine for operation 0 of job 0"},
		{"fjsp", "1 2\n1 2 0 1 1", 3, "duration of operation 0 of job 0"},
		{"fjsp-sdst", "1 1 1.5\n1 1 0 5\n0", 2, "machine for operation 0 of job 0"},
		{"fjsp-sdst", "1 1 1.5\n1 1 1 5\n", 4, "changeovers"},
		{"fajsp", "2 1 1\n0 2\n1 0 5\n1 0 5", 2, "second operation of an arc"},
		{"fajsp", "2 100000000 1", 1, "number of arcs"},
		{"hfsp", "1 2\n3 0\n1 1", 2, "machines of stage 1"},
		{"hfsp", "100000 100000 1", 1, "machines per stage and times"},
		{"pfsp-tt", "1 1\n-1\n5", 2, "due time of job 0"},
	}
	for _, test := range tests {
		_, err := Read(test.format, []byte(test.text))
		var bad *Error
		if !errors.As(err, &bad) || bad.Line != test.line || bad.Field != test.field || bad.Reason == "" {
			t.Errorf("%s %q: got %v, want line %d, field %q", test.format, test.text, err, test.line, test.field)
		}
	}
	if _, err := Read("fajsp", []byte("2 2 1\n0 1\n1 0\n1 0 5\n1 0 5")); err == nil || !strings.Contains(err.Error(), "circle") {
		t.Errorf("circle: %v", err)
	}
	if _, err := Read("csv", nil); err == nil || !strings.Contains(err.Error(), "pfsp-tt") {
		t.Errorf("format: %v", err)
	}
}

// TestTaillard holds all 80 job shops against the lower bound published with each (the longest job or the busiest machine, E.
// Taillard 1993), and the first flow shop against its published first rows.
func TestTaillard(t *testing.T) {
	shops := TaillardJobShops()
	if len(shops) != 80 {
		t.Fatalf("%d job shops", len(shops))
	}
	for _, k := range shops {
		job, machine := make(map[int]problem.Time), make(map[int]problem.Time)
		for _, op := range k.Problem.Ops {
			job[op.Job] += op.Modes[0].Duration
			machine[op.Modes[0].Machine] += op.Modes[0].Duration
		}
		bound := problem.Time(0)
		for _, v := range job {
			bound = max(bound, v)
		}
		for _, v := range machine {
			bound = max(bound, v)
		}
		if bound != k.Lower || k.Upper < k.Lower || problem.Validate(k.Problem) != nil {
			t.Errorf("%s: bound %d, published %d", k.Name, bound, k.Lower)
		}
	}
	flow := TaillardFlowShops()
	rows := [][]problem.Time{
		{54, 83, 15, 71, 77, 36, 53, 38, 27, 87, 76, 91, 14, 29, 12, 77, 32, 87, 68, 94},
		{79, 3, 11, 99, 56, 70, 99, 60, 5, 56, 3, 61, 73, 75, 47, 14, 21, 86, 5, 77},
	}
	for k, row := range rows {
		for j, want := range row {
			if got := flow[0].Problem.Ops[j*5+k].Modes[0].Duration; got != want {
				t.Errorf("ta001 machine %d job %d: %d, published %d", k, j, got, want)
			}
		}
	}
	if got := flow[1].Problem.Ops[0].Modes[0].Duration; got != 26 { // published as "26 38 27 88 ..."
		t.Errorf("ta002 begins with %d", got)
	}
}

func FuzzRead(f *testing.F) {
	files, err := filepath.Glob("testdata/*-*.txt")
	if err != nil || len(files) == 0 {
		f.Fatalf("no files: %v", err)
	}
	for _, file := range files {
		text, err := os.ReadFile(file)
		if err != nil {
			f.Fatal(err)
		}
		for i := range Formats() {
			f.Add(i, text)
		}
	}
	f.Fuzz(func(t *testing.T, format int, text []byte) {
		names := Formats()
		p, err := Read(names[((format%len(names))+len(names))%len(names)], text)
		if err == nil && problem.Validate(p) != nil {
			t.Error("read, but not valid")
		}
	})
}
