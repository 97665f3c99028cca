package plan_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"tandem/scheduler/plan"
	"tandem/scheduler/plan/problem"
)

// search plans p with a budget of evaluations and checks what comes back once more.
func search(t *testing.T, p *problem.Problem, evaluations int64) (problem.Schedule, problem.Cost) {
	t.Helper()
	s, _, err := plan.Search(p, nil, problem.Budget{Evaluations: evaluations}, 1)
	if err != nil {
		t.Fatal(err)
	}
	if err := problem.Check(p, s); err != nil {
		t.Fatal(err)
	}
	return s, problem.CostOf(p, s)
}

// line is a flow shop: times[j][k] of job j on machine k.
func line(times [][]problem.Time) *problem.Problem {
	p := &problem.Problem{}
	for range times[0] {
		p.Machines = append(p.Machines, problem.Machine{Places: []problem.Time{0}, Initial: -1})
	}
	for j, row := range times {
		p.Jobs = append(p.Jobs, problem.Job{Due: problem.Never, Weight: 1})
		for k, d := range row {
			op := problem.Op{Job: j, Modes: []problem.Mode{{Machine: k, Duration: d, Attended: problem.None}}}
			if k > 0 {
				op.Before = []problem.Arc{{Op: len(p.Ops) - 1, MaxLag: problem.Never}}
			}
			p.Ops = append(p.Ops, op)
		}
	}
	return p
}

// parallel is independent operations on m machines that are alike.
func parallel(m int, times []problem.Time) *problem.Problem {
	p := &problem.Problem{}
	for range m {
		p.Machines = append(p.Machines, problem.Machine{Places: []problem.Time{0}, Initial: -1})
	}
	for j, d := range times {
		p.Jobs = append(p.Jobs, problem.Job{Due: problem.Never, Weight: 1})
		op := problem.Op{Job: j}
		for k := range m {
			op.Modes = append(op.Modes, problem.Mode{Machine: k, Duration: d, Attended: problem.None})
		}
		p.Ops = append(p.Ops, op)
	}
	return p
}

// TestFlowShops: Johnson's rule for two machines on public textbook exercises, and the example of Nawaz, Enscore and Ham 1983 (from
// memory). Optima were recomputed by trying all orders: two of the five public pages print a wrong makespan (42 for 43, 26 for
// 28). A two-machine optimum is a permutation (Johnson 1954); for the third, all machines in the same order is a restriction that
// the search need not keep, so 54 is only what it has to reach.
func TestFlowShops(t *testing.T) {
	tests := []struct {
		name  string
		times [][]problem.Time
		want  problem.Time
		below bool // less is allowed
	}{
		{"five motors", [][]problem.Time{{12, 22}, {4, 5}, {5, 3}, {15, 16}, {10, 8}}, 65, false},
		{"A to F", [][]problem.Time{{3, 8}, {12, 10}, {5, 9}, {2, 6}, {9, 3}, {11, 1}}, 43, false},
		{"L to P", [][]problem.Time{{10, 2}, {5, 4}, {7, 5}, {3, 6}, {1, 7}}, 28, false},
		{"A to E", [][]problem.Time{{5, 8}, {3, 9}, {8, 7}, {7, 2}, {4, 6}}, 35, false},
		{"A to G", [][]problem.Time{{10, 11}, {8, 17}, {14, 10}, {13, 7}, {10, 8}, {25, 9}, {6, 15}}, 93, false},
		{"NEH", [][]problem.Time{{5, 9, 8, 10, 1}, {9, 3, 10, 1, 8}, {9, 4, 5, 8, 6}, {4, 8, 8, 7, 2}}, 54, true},
	}
	for _, test := range tests {
		_, c := search(t, line(test.times), 20_000)
		if c.Makespan > test.want || c.Makespan < test.want && !test.below {
			t.Errorf("%s: makespan %d, optimum %d", test.name, c.Makespan, test.want)
		}
	}
}

// TestOneMachine: examples of M. Pinedo, "Scheduling", chapter 3, and Smith's rule (numbers from memory; each optimum was found
// again by trying all orders).
func TestOneMachine(t *testing.T) {
	tests := []struct {
		name    string
		times   []problem.Time
		due     []problem.Time
		weight  []float64
		release []problem.Time
		optimum float64
	}{
		{"sum T", []problem.Time{121, 79, 147, 83, 130}, []problem.Time{260, 266, 266, 336, 337}, nil, nil, 370},
		{"sum wT", []problem.Time{10, 10, 13, 4}, []problem.Time{4, 2, 1, 12}, []float64{14, 12, 1, 12}, nil, 408},
		// sum wC: lateness against a due time of 0 is the completion time.
		{"sum wC", []problem.Time{6, 2, 4, 5}, []problem.Time{0, 0, 0, 0}, []float64{3, 1, 4, 2}, nil, 92},
		// Lmax 5 (1, 3, 4, 2): with 5 more for everybody nobody is late. TestLmax has the other side.
		{"Lmax 5", []problem.Time{4, 2, 6, 5}, []problem.Time{13, 17, 16, 15}, nil, []problem.Time{0, 1, 3, 5}, 0},
	}
	for _, test := range tests {
		p := parallel(1, test.times)
		p.Objective = problem.WeightedTardiness
		for j := range p.Jobs {
			p.Jobs[j].Due = test.due[j]
			if test.weight != nil {
				p.Jobs[j].Weight = test.weight[j]
			}
			if test.release != nil {
				p.Ops[j].Release = test.release[j]
			}
		}
		if _, c := search(t, p, 20_000); c.Tardiness != test.optimum {
			t.Errorf("%s: %v, optimum %v", test.name, c.Tardiness, test.optimum)
		}
	}
}

// TestLmax: with 4 more for everybody somebody is late in every order of the example above, and the search says so.
func TestLmax(t *testing.T) {
	p := parallel(1, []problem.Time{4, 2, 6, 5})
	p.Objective = problem.WeightedTardiness
	for j, due := range []problem.Time{12, 16, 15, 14} {
		p.Jobs[j].Due, p.Ops[j].Release = due, []problem.Time{0, 1, 3, 5}[j]
	}
	if _, c := search(t, p, 20_000); c.Tardiness == 0 {
		t.Error("nobody is late, though the least greatest lateness is 5")
	}
}

// listed gives the makespan if the operations, in this order, each go to the machine that is free first.
func listed(m int, times []problem.Time) problem.Time {
	free, last := make([]problem.Time, m), problem.Time(0)
	for _, d := range times {
		k := 0
		for i := range free {
			if free[i] < free[k] {
				k = i
			}
		}
		free[k] += d
		last = max(last, free[k])
	}
	return last
}

// TestLongestFirst: Graham's worst cases for "longest first" on m machines (Graham 1969; from memory): two each of m+1 to 2m-1 and
// three of m. The rule gives 4m-1, the optimum is 3m, and the search has to find it.
func TestLongestFirst(t *testing.T) {
	for m := 2; m <= 5; m++ {
		t.Run(fmt.Sprint(m), func(t *testing.T) {
			var times []problem.Time
			for d := 2*m - 1; d > m; d-- {
				times = append(times, problem.Time(d), problem.Time(d))
			}
			times = append(times, problem.Time(m), problem.Time(m), problem.Time(m))
			if got := listed(m, times); got != problem.Time(4*m-1) {
				t.Errorf("longest first gives %d, not %d", got, 4*m-1)
			}
			if _, c := search(t, parallel(m, times), 20_000); c.Makespan != problem.Time(3*m) {
				t.Errorf("makespan %d, optimum %d", c.Makespan, 3*m)
			}
		})
	}
}

// optimum tries every machine for every operation, except that of the first.
func optimum(m int, times []problem.Time) problem.Time {
	best := listed(m, times)
	free := make([]problem.Time, m)
	var visit func(i int, last problem.Time)
	visit = func(i int, last problem.Time) {
		if last >= best {
			return
		}
		if i == len(times) {
			best = last
			return
		}
		for k := range free {
			free[k] += times[i]
			visit(i+1, max(last, free[k]))
			free[k] -= times[i]
			if free[k] == 0 {
				break // the machines that are still empty are alike
			}
		}
	}
	visit(0, 0)
	return best
}

// TestGraham: whatever the order, a list gives at most 2-1/m times the optimum (Graham 1966), and longest first at most 4/3-1/(3m)
// times (Graham 1969); the optimum is found by trying everything, and the search has to find it as well.
func TestGraham(t *testing.T) {
	chance := rand.New(rand.NewPCG(1, 2))
	for range 60 {
		m, times := 2+chance.IntN(3), make([]problem.Time, 4+chance.IntN(6))
		for i := range times {
			times[i] = problem.Time(1 + chance.IntN(30))
		}
		opt := optimum(m, times)
		mm := problem.Time(m)
		if got := listed(m, times); got*mm > (2*mm-1)*opt {
			t.Errorf("list of %v on %d: %d, optimum %d", times, m, got, opt)
		}
		_, c := search(t, parallel(m, times), 20_000)
		slices.SortFunc(times, func(a, b problem.Time) int { return int(b - a) })
		if got := listed(m, times); got*3*mm > (4*mm-1)*opt {
			t.Errorf("longest first of %v on %d: %d, optimum %d", times, m, got, opt)
		}
		if c.Makespan != opt {
			t.Errorf("%v on %d: search %d, optimum %d", times, m, c.Makespan, opt)
		}
	}
}
