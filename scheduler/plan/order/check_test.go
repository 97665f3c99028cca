package order

import (
	"slices"

	"tandem/scheduler/chance"
	"tandem/scheduler/plan/problem"
)

// check holds a schedule against the problem and adds up its cost, sharing nothing with the builders.
func check(p *problem.Problem, s problem.Schedule) (problem.Cost, error) {
	if err := problem.Check(p, s); err != nil {
		return problem.Cost{}, err
	}
	return problem.CostOf(p, s), nil
}

// worth is what a cost comes to.
func worth(p *problem.Problem, c problem.Cost) value {
	return value{c.Value(p), float64(c.Makespan)}
}

// features are what a random problem may have.
type features struct {
	ops, machines           int
	longest                 int
	maxLags, racks, setups  bool
	operators, tardy, price bool
}

// random makes a problem; durations are from 1 to f.longest.
func random(f features, seed uint64) *problem.Problem {
	c := chance.New(seed)
	p := &problem.Problem{}
	const families = 3
	for range f.machines {
		m := problem.Machine{Places: []tick{tick(c.Below(3))}, Initial: -1}
		switch {
		case f.racks && c.Below(4) == 0:
			m.Places = append(m.Places, tick(c.Below(3)))
		case f.setups && c.Below(4) > 0:
			m.Initial = c.Below(families+1) - 1
			for a := range families {
				row := make([]tick, families)
				for b := range row {
					if a != b {
						row[b] = tick(c.Below(3))
					}
				}
				m.Setup = append(m.Setup, row)
			}
		}
		p.Machines = append(p.Machines, m)
	}
	jobs := 1 + c.Below(f.ops)
	if f.tardy {
		p.Objective = problem.WeightedTardiness
	}
	for range jobs {
		p.Jobs = append(p.Jobs, problem.Job{Due: tick(c.Below(3 * f.longest)), Weight: float64(1 + c.Below(4))})
	}
	for o := range f.ops {
		op := problem.Op{Job: c.Below(jobs), Family: c.Below(families), Release: tick(max(0, c.Below(6)-3))}
		for a := range o {
			if p.Ops[a].Job == op.Job && c.Below(2) == 0 {
				arc := problem.Arc{Op: a, Lag: tick(c.Below(3)), MaxLag: problem.Never}
				if f.maxLags && c.Below(2) == 0 {
					arc.MaxLag = arc.Lag + tick(c.Below(2))
				}
				op.Before = append(op.Before, arc)
			}
		}
		first := c.Below(f.machines)
		for i := range 1 + c.Below(min(2, f.machines)) {
			attended := [...]tick{problem.None, problem.Whole, 0, 1}[c.Below(4)]
			op.Modes = append(op.Modes, problem.Mode{
				Machine: (first + i) % f.machines, Duration: tick(1 + c.Below(f.longest)), Attended: attended,
			})
		}
		p.Ops = append(p.Ops, op)
	}
	if f.operators {
		p.Attendance = []problem.Window{{Operators: 1 + c.Below(2)}, {From: 4, Operators: c.Below(2)}, {From: 6, Operators: 1}}
	}
	if f.price {
		p.SetupPrice = 0.5
	}
	return p
}

// everyOrder finds the best value over all orders of operations and all modes. Each is appended at the first time, tick by tick, at
// which the checker has no objection. Without maximum lags no schedule is better.
func everyOrder(p *problem.Problem) value {
	best := worst
	s := problem.Schedule{Mode: make([]int, len(p.Ops)), Start: make([]tick, len(p.Ops))}
	placed := make([]bool, len(p.Ops))
	var order []int
	var visit func()
	visit = func() {
		if len(order) == len(p.Ops) {
			c, err := check(p, s)
			if err != nil {
				panic(err)
			}
			if v := worth(p, c); v.less(best) {
				best = v
			}
			return
		}
		for o, op := range p.Ops {
			if placed[o] || slices.ContainsFunc(op.Before, func(a problem.Arc) bool { return !placed[a.Op] }) {
				continue
			}
			placed[o] = true
			order = append(order, o)
			for x := range op.Modes {
				s.Mode[o] = x
				if appendFirst(p, s, order) {
					visit()
				}
			}
			order = order[:len(order)-1]
			placed[o] = false
		}
	}
	visit()
	return best
}

// appendFirst looks for the first start of the last operation of order, behind what is on its machine.
func appendFirst(p *problem.Problem, s problem.Schedule, order []int) bool {
	part := &problem.Problem{Machines: p.Machines, Jobs: p.Jobs, Attendance: p.Attendance}
	var sub problem.Schedule
	at := map[int]int{}
	from := tick(0)
	o := order[len(order)-1]
	for i, q := range order {
		at[q] = i
		op := p.Ops[q]
		op.Before = slices.Clone(op.Before)
		for a := range op.Before {
			op.Before[a].Op = at[op.Before[a].Op]
		}
		op.Job = 0
		part.Ops = append(part.Ops, op)
		sub.Mode = append(sub.Mode, s.Mode[q])
		sub.Start = append(sub.Start, s.Start[q])
		if q != o && len(p.Machines[op.Modes[s.Mode[q]].Machine].Places) == 1 && op.Modes[s.Mode[q]].Machine == p.Ops[o].Modes[s.Mode[o]].Machine {
			from = max(from, s.Start[q]+op.Modes[s.Mode[q]].Duration)
		}
	}
	for t := from; t < 200; t++ {
		sub.Start[len(order)-1] = t
		if _, err := check(part, sub); err == nil {
			s.Start[o] = t
			return true
		}
	}
	return false
}

// everyTime finds the best value over all modes and all starts up to horizon.
func everyTime(p *problem.Problem, horizon tick) value {
	best := worst
	s := problem.Schedule{Mode: make([]int, len(p.Ops)), Start: make([]tick, len(p.Ops))}
	var visit func(o int)
	visit = func(o int) {
		if o == len(p.Ops) {
			if c, err := check(p, s); err == nil && worth(p, c).less(best) {
				best = worth(p, c)
			}
			return
		}
		for x := range p.Ops[o].Modes {
			s.Mode[o] = x
			from := p.Ops[o].Release
			for _, a := range p.Ops[o].Before {
				from = max(from, s.Start[a.Op]+p.Ops[a.Op].Modes[s.Mode[a.Op]].Duration+a.Lag)
			}
			for t := from; t <= horizon; t++ {
				s.Start[o] = t
				visit(o + 1)
			}
		}
	}
	visit(0)
	return best
}
