package simulate

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
)

var opening = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// station is a device with one capacity and no set-up: the step says how long it takes.
func station(id string, operations ...string) *tandemv1.Device {
	d := &tandemv1.Device{Id: id, Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}}
	for _, op := range operations {
		a := &tandemv1.Ability{Operation: op}
		if op == "print" {
			a.UnattendedStart = &tandemv1.UnattendedStart{AllowedBy: "test", AllowTime: timestamppb.New(opening)}
		}
		d.Abilities = append(d.Abilities, a)
	}
	return d
}

func floorOf(devices ...*tandemv1.Device) *tandemv1.FloorFile {
	return &tandemv1.FloorFile{Devices: devices}
}

// chain is a job of one panel that passes the operations one after another.
func chain(id string, operations []string, times ...time.Duration) *tandemv1.Job {
	j := &tandemv1.Job{Id: id, Pieces: 1}
	for i, op := range operations {
		s := &tandemv1.Step{Id: op, Operation: op, Duration: durationpb.New(times[i])}
		if i > 0 {
			s.After = []string{operations[i-1]}
		}
		j.Steps = append(j.Steps, s)
	}
	return j
}

func at(jobs ...*tandemv1.Job) []Arrival {
	var out []Arrival
	for _, j := range jobs {
		out = append(out, Arrival{At: opening, Job: j})
	}
	return out
}

func makespan(t *testing.T, file *tandemv1.FloorFile, arrivals []Arrival, rule dispatch.Rule) time.Duration {
	t.Helper()
	r, err := Run(file, arrivals, Options{Rule: rule, Start: opening})
	if err != nil {
		t.Fatal(err)
	}
	for _, j := range r.Jobs {
		if !j.Completed {
			t.Fatalf("job %s is %v %v, want it completed", j.ID, j.State, j.Reasons)
		}
	}
	return r.Makespan()
}

// Two-machine flow shops. The optimum of each was found by trying every order; the sequences are those of Johnson's rule
// (S. M. Johnson 1954). Published: "five motors" is a widely printed textbook example; B to E are public exercises with
// solutions, recomputed because two of the printed makespans are wrong.
func TestJohnson(t *testing.T) {
	tests := []struct {
		name    string
		jobs    [][2]int // in the order of Johnson's rule
		optimum int
	}{
		{"five motors: 2,1,4,5,3", [][2]int{{4, 5}, {12, 22}, {15, 16}, {10, 8}, {5, 3}}, 65},
		{"D,A,C,B,E,F", [][2]int{{2, 6}, {3, 8}, {5, 9}, {12, 10}, {9, 3}, {11, 1}}, 43},
		{"P,O,N,M,L", [][2]int{{1, 7}, {3, 6}, {7, 5}, {5, 4}, {10, 2}}, 28},
		{"B,E,A,C,D", [][2]int{{3, 9}, {4, 6}, {5, 8}, {8, 7}, {7, 2}}, 35},
		{"G,B,A,C,F,E,D", [][2]int{{6, 15}, {8, 17}, {10, 11}, {14, 10}, {25, 9}, {10, 8}, {13, 7}}, 93},
	}
	file := floorOf(station("printer-1", "print"), station("cutter-1", "cut"))
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			optimum := time.Duration(tt.optimum) * time.Minute
			var jobs []*tandemv1.Job
			for i, p := range tt.jobs {
				jobs = append(jobs, chain(fmt.Sprintf("job-%d", i), []string{"print", "cut"}, time.Duration(p[0])*time.Minute, time.Duration(p[1])*time.Minute))
			}
			if got := makespan(t, file, at(jobs...), dispatch.FirstFree); got != optimum {
				t.Errorf("in the order of Johnson's rule: %v, want the optimum %v", got, optimum)
			}
			permute(jobs, func(order []*tandemv1.Job) {
				if got := makespan(t, file, at(order...), dispatch.FirstFree); got < optimum {
					t.Fatalf("%v beats the optimum %v", got, optimum)
				}
			}, 120)
			if got := makespan(t, file, at(jobs...), dispatch.EarliestCompletion); got < optimum {
				t.Errorf("default rule: %v beats the optimum %v", got, optimum)
			}
		})
	}
}

// permute calls fn with up to most orders of jobs.
func permute(jobs []*tandemv1.Job, fn func([]*tandemv1.Job), most int) {
	var walk func(k int)
	order := append([]*tandemv1.Job(nil), jobs...)
	walk = func(k int) {
		if most <= 0 {
			return
		}
		if k == len(order) {
			most--
			fn(order)
			return
		}
		for i := k; i < len(order); i++ {
			order[k], order[i] = order[i], order[k]
			walk(k + 1)
			order[k], order[i] = order[i], order[k]
		}
	}
	walk(0)
}

// A deterministic line with one machine at each stage and n identical jobs at time 0 ends after sum(p) + (n-1)*max(p)
// (textbook identity, from memory).
func TestDeterministicLine(t *testing.T) {
	ops := []string{"print", "laminate", "cut", "pack"}
	times := []time.Duration{7 * time.Minute, 3 * time.Minute, 11 * time.Minute, 2 * time.Minute}
	file := floorOf(station("printer-1", "print"), station("laminator-1", "laminate"), station("cutter-1", "cut"), station("bench-1", "pack"))
	for _, n := range []int{1, 2, 10, 60} {
		var jobs []*tandemv1.Job
		for i := range n {
			jobs = append(jobs, chain(fmt.Sprintf("job-%d", i), ops, times...))
		}
		want := 23*time.Minute + time.Duration(n-1)*11*time.Minute
		for _, rule := range []dispatch.Rule{dispatch.FirstFree, dispatch.EarliestCompletion} {
			if got := makespan(t, file, at(jobs...), rule); got != want {
				t.Errorf("%d jobs, %v: %v, want %v", n, rule, got, want)
			}
		}
	}
}

// One job of decals timed both ways: 923 s on a printer and a cutter side by side, 1,575 s on one combined machine, a ratio
// of 1.706 (common practice, no source). The split of each total into print and cut is ours.
func TestSideBySideAgainstCombined(t *testing.T) {
	const second = time.Second
	job := func(i int, print, cut time.Duration) *tandemv1.Job {
		return chain(fmt.Sprintf("job-%d", i), []string{"print", "cut"}, print, cut)
	}
	combinedDevice := station("combined-1", "print", "cut")
	combinedDevice.Abilities[1].ContinuesLoaded = true
	apart := floorOf(station("printer-1", "print"), station("cutter-1", "cut"))
	combined := floorOf(combinedDevice)
	if got := makespan(t, apart, at(job(0, 540*second, 383*second)), dispatch.EarliestCompletion); got != 923*second {
		t.Errorf("one job side by side: %v, want 923 s", got)
	}
	if got := makespan(t, combined, at(job(0, 900*second, 675*second)), dispatch.EarliestCompletion); got != 1575*second {
		t.Errorf("one job on the combined machine: %v, want 1,575 s", got)
	}
	if ratio := 1575.0 / 923; ratio < 1.7055 || ratio > 1.7065 {
		t.Errorf("ratio %.4f, want 1.706", ratio)
	}
	const n = 50
	var a, c []*tandemv1.Job
	for i := range n {
		a = append(a, job(i, 540*second, 383*second))
		c = append(c, job(i, 900*second, 675*second))
	}
	// From one job to n jobs the makespan grows by n-1 cycles.
	if cycle := (makespan(t, apart, at(a...), dispatch.EarliestCompletion) - 923*second) / (n - 1); cycle != 540*second {
		t.Errorf("cycle side by side: %v, want the slower of print and cut, 540 s", cycle)
	}
	if cycle := (makespan(t, combined, at(c...), dispatch.EarliestCompletion) - 1575*second) / (n - 1); cycle != 1575*second {
		t.Errorf("cycle on the combined machine: %v, want the sum of print and cut, 1,575 s", cycle)
	}
}

func TestCombinedOnly(t *testing.T) {
	file := floorOf(station("printer-1", "print"), station("combined-1", "print", "cut"), station("bench-1", "pack"))
	got := CombinedOnly(file)
	if n := len(got.GetDevices()[0].GetAbilities()); n != 0 {
		t.Errorf("the printer keeps %d abilities, want 0", n)
	}
	if n := len(got.GetDevices()[1].GetAbilities()); n != 2 {
		t.Errorf("the combined device keeps %d abilities, want 2", n)
	}
	if n := len(got.GetDevices()[2].GetAbilities()); n != 1 {
		t.Errorf("the bench keeps %d abilities, want 1", n)
	}
	if CombinedOnly(floorOf(station("printer-1", "print"))) != nil {
		t.Error("a floor without a combined device has no such variant")
	}
}

func TestSameInputSameResult(t *testing.T) {
	file := floorOf(station("printer-1", "print"), station("printer-2", "print"), station("cutter-1", "cut"))
	var jobs []*tandemv1.Job
	for i := range 30 {
		jobs = append(jobs, chain(fmt.Sprintf("job-%d", i), []string{"print", "cut"}, time.Duration(i%7+1)*time.Minute, time.Duration(i%5+1)*time.Minute))
	}
	var first string
	for i := range 20 {
		r, err := Run(file, at(jobs...), Options{Start: opening, Reaction: time.Minute})
		if err != nil {
			t.Fatal(err)
		}
		if got := fmt.Sprintf("%+v", r); i == 0 {
			first = got
		} else if got != first {
			t.Fatalf("run %d differs from the first:\n%s\n%s", i, got, first)
		}
	}
}
