package order

import (
	"cmp"
	"math"
	"slices"
	"testing"

	"tandem/scheduler/chance"
	"tandem/scheduler/plan/problem"
)

func budget(evaluations int64) problem.Budget { return problem.Budget{Evaluations: evaluations} }

// line makes a flow shop: times[j][s] of job j at stage s, servers of each stage.
func lineOf(times [][]int, servers ...int) *problem.Problem {
	p := &problem.Problem{}
	for s := range times[0] {
		count := 1
		if s < len(servers) {
			count = servers[s]
		}
		for range count {
			p.Machines = append(p.Machines, problem.Machine{Places: []tick{0}, Initial: -1})
		}
	}
	for j, row := range times {
		p.Jobs = append(p.Jobs, problem.Job{Due: problem.Never, Weight: 1})
		at := 0
		for s, d := range row {
			op := problem.Op{Job: j, Family: j}
			if s > 0 {
				op.Before = []problem.Arc{{Op: len(p.Ops) - 1, MaxLag: problem.Never}}
			}
			count := 1
			if s < len(servers) {
				count = servers[s]
			}
			for range count {
				op.Modes = append(op.Modes, problem.Mode{Machine: at, Duration: tick(d), Attended: problem.None})
				at++
			}
			p.Ops = append(p.Ops, op)
		}
	}
	return p
}

func randomTimes(c *chance.Stream, jobs, stages int) [][]int {
	times := make([][]int, jobs)
	for j := range times {
		for range stages {
			times[j] = append(times[j], 1+c.Below(30))
		}
	}
	return times
}

func addSetups(p *problem.Problem, c *chance.Stream, longest int) {
	for k := range p.Machines {
		for range p.Jobs {
			row := make([]tick, len(p.Jobs))
			for b := range row {
				row[b] = tick(c.Below(longest))
			}
			p.Machines[k].Setup = append(p.Machines[k].Setup, row)
		}
		p.Machines[k].Initial = c.Below(len(p.Jobs)+1) - 1
	}
}

// TestJohnson: Johnson 1954 (Naval Research Logistics Quarterly 1:61-68): on two machines the order by his rule is optimal.
func TestJohnson(t *testing.T) {
	c := chance.New(4)
	for range 30 {
		times := randomTimes(c, 2+c.Below(25), 2)
		p := lineOf(times)
		_, got := search(t, p, nil, 5000, c.Uint64())
		slices.SortFunc(times, func(a, b []int) int {
			if first, second := a[0] < a[1], b[0] < b[1]; first != second {
				if first {
					return -1
				}
				return 1
			} else if first {
				return cmp.Compare(a[0], b[0])
			}
			return cmp.Compare(b[1], a[1])
		})
		one, two := 0, 0
		for _, row := range times {
			one += row[0]
			two = max(one, two) + row[1]
		}
		if got.first != float64(two) {
			t.Errorf("%v: %v, by the rule %d", times, got.first, two)
		}
	}
}

// permutations calls f with every order of n jobs.
func permutations(n int, f func(seq []int32)) {
	seq := make([]int32, n)
	for i := range seq {
		seq[i] = int32(i)
	}
	var visit func(k int)
	visit = func(k int) {
		if k == n {
			f(seq)
			return
		}
		for i := k; i < n; i++ {
			seq[k], seq[i] = seq[i], seq[k]
			visit(k + 1)
			seq[k], seq[i] = seq[i], seq[k]
		}
	}
	visit(0)
}

// bestOrder is the best value over all orders of jobs, each put on the machines one after another.
func bestOrder(p *problem.Problem) float64 {
	stages := len(p.Machines)
	best := math.Inf(1)
	permutations(len(p.Jobs), func(seq []int32) {
		free, last := make([]tick, stages), make([]int, stages)
		for k, m := range p.Machines {
			last[k] = m.Initial
		}
		sum, end := 0.0, tick(0)
		for _, j := range seq {
			end = 0
			for k := range stages {
				op := p.Ops[int(j)*stages+k]
				change := tick(0)
				if p.Machines[k].Setup != nil && last[k] >= 0 {
					change = p.Machines[k].Setup[last[k]][op.Family]
				}
				end = max(end, free[k]+change) + op.Modes[0].Duration
				free[k], last[k] = end, op.Family
			}
			sum += p.Jobs[j].Weight * float64(max(0, end-p.Jobs[j].Due))
		}
		if p.Objective == problem.Makespan {
			sum = float64(end)
		}
		best = min(best, sum)
	})
	return best
}

// Values are from textbooks, from memory, and recomputed here over all orders.
func TestTextbooks(t *testing.T) {
	jobs := func(times [][]int, due, weight []int) *problem.Problem {
		p := lineOf(times)
		if due != nil {
			p.Objective = problem.WeightedTardiness
		}
		for j := range due {
			p.Jobs[j] = problem.Job{Due: tick(due[j]), Weight: float64(weight[j])}
		}
		return p
	}
	for _, test := range []struct {
		name string
		p    *problem.Problem
		want float64
	}{
		{
			"the example of Nawaz, Enscore & Ham 1983",
			jobs([][]int{{5, 9, 8, 10, 1}, {9, 3, 10, 1, 8}, {9, 4, 5, 8, 6}, {4, 8, 8, 7, 2}}, nil, nil), 54,
		},
		{
			"weighted tardiness, Pinedo, Scheduling",
			jobs([][]int{{10}, {10}, {13}, {4}}, []int{4, 2, 1, 12}, []int{14, 12, 1, 12}), 408,
		},
		{
			"tardiness, Pinedo, Scheduling",
			jobs([][]int{{121}, {79}, {147}, {83}, {130}}, []int{260, 266, 266, 336, 337}, []int{1, 1, 1, 1, 1}), 370,
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			if got := bestOrder(test.p); got != test.want {
				t.Fatalf("the best of all orders is %v, not %v", got, test.want)
			}
			if _, got := search(t, test.p, nil, 1000, 1); got.first != test.want {
				t.Errorf("found %v, optimum %v", got.first, test.want)
			}
		})
	}
}

// TestSmith: Smith 1956 (Naval Research Logistics Quarterly 3:59-66): jobs in the order of work by weight have the smallest weighted
// sum of ends.
func TestSmith(t *testing.T) {
	c := chance.New(8)
	for range 20 {
		p := lineOf(randomTimes(c, 2+c.Below(20), 1))
		p.Objective = problem.WeightedTardiness
		jobs := make([]int, len(p.Jobs))
		for j := range p.Jobs {
			p.Jobs[j] = problem.Job{Weight: float64(1 + c.Below(9))}
			jobs[j] = j
		}
		work := func(j int) float64 { return float64(p.Ops[j].Modes[0].Duration) }
		slices.SortFunc(jobs, func(a, b int) int {
			return cmp.Compare(work(a)*p.Jobs[b].Weight, work(b)*p.Jobs[a].Weight)
		})
		want, end := 0.0, 0.0
		for _, j := range jobs {
			end += work(j)
			want += end * p.Jobs[j].Weight
		}
		if _, got := search(t, p, nil, 5000, 1); got.first != want {
			t.Errorf("found %v, optimum %v", got.first, want)
		}
	}
}

// TestInsertions holds the accelerated evaluation of an insertion against building the order.
func TestInsertions(t *testing.T) {
	c := chance.New(2)
	for i := range 60 {
		p := lineOf(randomTimes(c, 3+c.Below(12), 1+c.Below(6)))
		if i%2 == 0 {
			addSetups(p, c, 20)
		}
		if i%3 == 0 {
			p.Objective = problem.WeightedTardiness
			for j := range p.Jobs {
				p.Jobs[j] = problem.Job{Due: tick(c.Below(150)), Weight: float64(1 + c.Below(3))}
			}
		}
		md, err := compile(p)
		if err != nil {
			t.Fatal(err)
		}
		shop := structure(md)
		if shop == nil || !shop.single() {
			t.Fatal("not seen to be a flow shop")
		}
		f, plain := newFlow(shop), newFlow(shop)
		all := make([]int32, shop.n)
		for j := range all {
			all[j] = int32(j)
		}
		for range 5 {
			shuffle(c, all)
			seq, j := all[1:], all[0]
			f.prepare(seq)
			for at := range len(seq) + 1 {
				want := plain.evaluate(slices.Insert(slices.Clone(seq), at, j))
				got := float64(f.insertion(seq, j, at, math.MaxInt32))
				if f.late {
					got = f.lateInsertion(seq, j, at, math.Inf(1))
					if limit := want - 1; f.lateInsertion(seq, j, at, limit) <= limit || f.lateInsertion(seq, j, at, want) != want {
						t.Fatalf("a limit changes the value %v", want)
					}
				} else if f.insertion(seq, j, at, int32(want)) != int32(want) || f.insertion(seq, j, at, int32(want)-1) < int32(want) {
					t.Fatalf("a limit changes the value %v", want)
				}
				if got != want {
					t.Fatalf("problem %d: inserted at %d: %v, built %v", i, at, got, want)
				}
			}
		}
	}
}

// TestShopsMeetEveryOrder: small flow shops and hybrid flow shops against all orders. A schedule that is no order of jobs may be better.
func TestShopsMeetEveryOrder(t *testing.T) {
	c := chance.New(3)
	for i := range 40 {
		p := lineOf(randomTimes(c, 6, 3))
		if i%2 == 0 {
			addSetups(p, c, 20)
		}
		if i%4 > 1 {
			p.Objective = problem.WeightedTardiness
			for j := range p.Jobs {
				p.Jobs[j] = problem.Job{Due: tick(40 + c.Below(100)), Weight: float64(1 + c.Below(3))}
			}
		}
		want := bestOrder(p)
		if _, got := search(t, p, nil, 20_000, c.Uint64()); got.first > want {
			t.Errorf("problem %d: %v, the best order is %v", i, got.first, want)
		}
	}
	missed := 0
	for i := range 40 {
		p := lineOf(randomTimes(c, 3, 2), 1+i%2, 2-i%2)
		want := everyOrder(p)
		_, got := search(t, p, nil, 2000, c.Uint64())
		if got.less(want) {
			t.Fatalf("%v is below the optimum %v", got, want)
		}
		if want.less(got) {
			missed++
		}
	}
	if missed > 2 {
		t.Errorf("the optimum is missed in %d of 40 hybrid flow shops", missed)
	}
}
