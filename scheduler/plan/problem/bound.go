package problem

import (
	"math"
	"slices"
)

// LowerBound is a makespan that no schedule of p, which is valid, is below: the longest path of a job on fastest machines, and for
// sets of machines the work that only they can do. Calendars and changeovers are left out: they only make it later.
func LowerBound(p *Problem) Time {
	b := newBound(p)
	best := Time(0)
	for o := range p.Ops {
		best = max(best, b.head[o]+b.fastest[o]+b.after[o])
	}
	sets := b.machineSets()
	all := make([]bool, len(p.Machines))
	for k := range all {
		all[k] = true
	}
	sets = append(sets, all)
	// Every head is looked at where that is no more work than a search does in a moment.
	full := int64(len(sets))*int64(len(p.Ops))*int64(len(p.Ops)) < 20_000_000
	for _, set := range sets {
		best = max(best, b.load(set, full))
	}
	return best
}

// bound is what bounds an operation as if no machine were shared.
type bound struct {
	p       *Problem
	fastest []Time
	head    []Time // earliest start
	after   []Time // least time after its end
}

func newBound(p *Problem) *bound {
	n := len(p.Ops)
	b := &bound{p: p, fastest: make([]Time, n), head: make([]Time, n), after: make([]Time, n)}
	for o, op := range p.Ops {
		b.fastest[o] = op.Modes[0].Duration
		for _, m := range op.Modes {
			b.fastest[o] = min(b.fastest[o], m.Duration)
		}
	}
	order := inOrder(p)
	for _, o := range order {
		b.head[o] = p.Ops[o].Release
		for _, a := range p.Ops[o].Before {
			b.head[o] = max(b.head[o], b.head[a.Op]+b.fastest[a.Op]+a.Lag)
		}
	}
	for _, o := range slices.Backward(order) {
		for _, a := range p.Ops[o].Before {
			b.after[a.Op] = max(b.after[a.Op], a.Lag+b.fastest[o]+b.after[o])
		}
	}
	return b
}

// machineSets are the sets of machines that some operation is confined to.
func (b *bound) machineSets() [][]bool {
	var sets [][]bool
	known := map[string]bool{}
	for _, op := range b.p.Ops {
		set, key := make([]bool, len(b.p.Machines)), make([]byte, len(b.p.Machines))
		for _, m := range op.Modes {
			set[m.Machine], key[m.Machine] = true, 1
		}
		if !known[string(key)] {
			known[string(key)] = true
			sets = append(sets, set)
		}
	}
	return sets
}

// load bounds the makespan by the work confined to a set of machines. For every head and every tail: what starts no earlier and
// has no less behind it takes its work, spread evenly over the places from when they are free. For one machine that is as good as
// its preemptive schedule (Carlier 1982).
func (b *bound) load(set []bool, full bool) Time {
	var ops []int
	var free []Time
	for k, in := range set {
		if in {
			free = append(free, b.p.Machines[k].Places...)
		}
	}
	slices.Sort(free)
	for o, op := range b.p.Ops {
		if !slices.ContainsFunc(op.Modes, func(m Mode) bool { return !set[m.Machine] }) {
			ops = append(ops, o)
		}
	}
	slices.SortStableFunc(ops, func(x, y int) int { return int(b.after[y] - b.after[x]) })
	var heads []Time
	for _, o := range ops {
		heads = append(heads, b.head[o])
	}
	slices.Sort(heads)
	heads = slices.Compact(heads)
	if !full && len(heads) > 1 {
		heads = heads[:1]
	}
	best := Time(0)
	for _, h := range heads {
		work := Time(0)
		for _, o := range ops {
			if b.head[o] >= h {
				work += b.fastest[o]
				best = max(best, level(work, h, free)+b.after[o])
			}
		}
	}
	return best
}

// level is when so much work, begun no earlier than head, can have ended on places that are free at those times, sorted.
func level(work, head Time, free []Time) Time {
	sum := work
	for i, f := range free {
		sum += max(f, head)
		n := Time(i + 1)
		if l := (sum + n - 1) / n; i+1 == len(free) || l <= max(head, free[i+1]) {
			return l
		}
	}
	return math.MaxInt64
}
