package order

import (
	"reflect"
	"testing"

	"tandem/scheduler/chance"
	"tandem/scheduler/plan/problem"
)

func everything(seed uint64) features {
	return features{
		ops: 70, machines: 6, longest: 20, maxLags: seed%2 == 0, setups: true, racks: true, operators: seed%3 == 0,
		tardy: seed%4 > 0, price: true,
	}
}

// TestListResumes holds an order that is built from the place of its change on against one that is built from the start.
func TestListResumes(t *testing.T) {
	for seed := range uint64(40) {
		md, err := compile(random(everything(seed), seed))
		if err != nil {
			t.Fatal(err)
		}
		g := newGeneral(newRun(md, budget(1<<40)), seed)
		g.rules()
		if g.now.value == worst {
			t.Fatalf("seed %d: no start", seed)
		}
		resumed := 0
		for range 300 {
			w := g.next
			copy(w.order, g.now.order)
			copy(w.want, g.now.want)
			copy(w.at, g.now.at)
			from := g.change(false)
			w.plan.copy(g.now.plan)
			c, ok := g.list.try(w.order, w.want, from, w.plan)
			plain := newPlan(md.n)
			cPlain, okPlain := newList(md).keep(w.order, w.want, 0, plain)
			if ok != okPlain || c != cPlain || ok && !reflect.DeepEqual(w.plan, plain) {
				t.Fatalf("seed %d: resumed at %d: %+v %v, from the start %+v %v", seed, from, c, ok, cPlain, okPlain)
			}
			if from == md.n || !ok {
				continue
			}
			for i, o := range w.order {
				if int(w.at[o]) != i {
					t.Fatalf("operation %d is at %d, not %d", o, i, w.at[o])
				}
				for a := md.predAt[o]; a < md.predAt[o+1]; a++ {
					if w.at[md.predOp[a]] >= w.at[o] {
						t.Fatalf("operation %d comes before %d, which it waits for", o, md.predOp[a])
					}
				}
			}
			resumed++
			if g.chance.Below(3) == 0 {
				g.now, g.next = g.next, g.now
				g.now.value = md.value(c)
				g.list.keep(g.now.order, g.now.want, from, g.now.plan)
				g.trace()
			}
		}
		if resumed < 100 {
			t.Errorf("seed %d: only %d changes", seed, resumed)
		}
	}
}

// TestPullLeavesNothingOut: what the pull builder makes is a schedule, and appending its operations in the order in which it placed
// them to the machines it chose gives the same one.
func TestPullIsAList(t *testing.T) {
	for seed := range uint64(60) {
		p := random(everything(seed), seed)
		md, err := compile(p)
		if err != nil {
			t.Fatal(err)
		}
		b, s, free := newPull(md), newPlan(md.n), make([]int32, md.n)
		c := chance.New(seed)
		r := rule{slack: c.Float(), change: c.Float(), bias: make([]float64, md.n), free: seed%2 == 0}
		for o := range free {
			free[o] = -1
			r.bias[o] = c.Normal()
			if c.Below(5) == 0 {
				free[o] = md.modeAt[o]
			}
		}
		cost, ok := b.build(&r, free, s)
		if !ok {
			t.Fatalf("seed %d: nothing built", seed)
		}
		if got, err := check(p, md.schedule(s)); err != nil || got != cost {
			t.Fatalf("seed %d: %v, %+v told, %+v found", seed, err, cost, got)
		}
		for o, x := range free {
			if x >= 0 && s.mode[o] != x {
				t.Fatalf("seed %d: operation %d is not in the mode that is wanted", seed, o)
			}
		}
		again := newPlan(md.n)
		if cost2, ok := newList(md).keep(b.placed, s.mode, 0, again); !ok || cost2 != cost || !reflect.DeepEqual(s, again) {
			t.Fatalf("seed %d: as a list %+v, not %+v", seed, cost2, cost)
		}
	}
}

// TestPullIsNonDelay: no machine stands still while an operation waits for it alone.
func TestPullIsNonDelay(t *testing.T) {
	for seed := range uint64(40) {
		p := random(features{ops: 40, machines: 5, longest: 9, tardy: true}, seed)
		for o := range p.Ops {
			p.Ops[o].Modes = p.Ops[o].Modes[:1]
		}
		md, err := compile(p)
		if err != nil {
			t.Fatal(err)
		}
		b, s, free := newPull(md), newPlan(md.n), make([]int32, md.n)
		for o := range free {
			free[o] = -1
		}
		if _, ok := b.build(&rule{bias: make([]float64, md.n), slack: 0.1}, free, s); !ok {
			t.Fatal("nothing built")
		}
		for o := range int32(md.n) {
			k, ready := p.Ops[o].Modes[0].Machine, md.ready(s, o)
			for at := max(ready, p.Machines[k].Places[0]); at < s.start[o]; at++ {
				busy := false
				for q := range md.n {
					busy = busy || p.Ops[q].Modes[0].Machine == k && s.start[q] <= at && at < s.end[q]
				}
				if !busy {
					t.Fatalf("seed %d: machine %d stands still at %d, operation %d is ready at %d", seed, k, at, o, ready)
				}
			}
		}
	}
}

// decals is a small shop: three printers, one of them slower, that change media; most jobs are laminated, all are cut.
func decals(jobs int, seed uint64) *problem.Problem {
	r := chance.New(seed)
	mode := func(k int, d tick) problem.Mode { return problem.Mode{Machine: k, Duration: d, Attended: problem.None} }
	p := &problem.Problem{Objective: problem.WeightedTardiness, SetupPrice: 0.03}
	setup := make([][]tick, 5)
	for i := range setup {
		setup[i] = make([]tick, 5)
		for j := range setup[i] {
			if i != j {
				setup[i][j] = 15
			}
		}
	}
	film := make([][]tick, 5)
	for i := range film {
		film[i] = make([]tick, 5)
		for j := range film[i] {
			if i != j {
				film[i][j] = 10
			}
		}
	}
	for range 3 {
		p.Machines = append(p.Machines, problem.Machine{Places: []tick{0}, Setup: setup, Initial: -1})
	}
	p.Machines = append(p.Machines, problem.Machine{Places: []tick{0}, Setup: film, Initial: -1})
	for range 2 {
		p.Machines = append(p.Machines, problem.Machine{Places: []tick{0}, Initial: -1})
	}
	for j := range jobs {
		med := r.Below(5)
		d := tick(10 + r.Below(60))
		rel := tick(r.Below(jobs * 8))
		p.Jobs = append(p.Jobs, problem.Job{Due: rel + tick(float64(4*d)*(1.2+1.8*r.Float())), Weight: float64(1 + r.Below(4))})
		id := len(p.Ops)
		p.Ops = append(p.Ops, problem.Op{Job: j, Release: rel, Family: med, Modes: []problem.Mode{mode(0, d), mode(1, d), mode(2, d*3/2)}})
		lag := tick(30 + r.Below(90))
		if r.Below(10) < 6 {
			p.Ops = append(p.Ops, problem.Op{Job: j, Family: med, Before: []problem.Arc{{Op: id, Lag: lag, MaxLag: problem.Never}}, Modes: []problem.Mode{mode(3, d/2)}})
			id++
			lag = 0
		}
		p.Ops = append(p.Ops, problem.Op{Job: j, Family: 0, Before: []problem.Arc{{Op: id, Lag: lag, MaxLag: problem.Never}}, Modes: []problem.Mode{mode(4, d/2), mode(5, d/2)}})
	}
	return p
}

func BenchmarkList(b *testing.B) {
	md, err := compile(decals(77, 1)) // 200 operations
	if err != nil {
		b.Fatal(err)
	}
	g := newGeneral(newRun(md, budget(1<<40)), 1)
	g.rules()
	b.ReportAllocs()
	for b.Loop() {
		g.list.keep(g.now.order, g.free, 0, g.now.plan)
	}
}

func BenchmarkPull(b *testing.B) {
	md, err := compile(decals(77, 1)) // 200 operations
	if err != nil {
		b.Fatal(err)
	}
	g := newGeneral(newRun(md, budget(1<<40)), 1)
	g.rules()
	b.ReportAllocs()
	for b.Loop() {
		g.pull.build(&g.base, g.free, g.plan)
	}
}
