package graph

import (
	"math"

	"tandem/scheduler/plan/problem"
)

// farthest is the longest time that a path may add up to; twice as much still fits in an int32.
const farthest = math.MaxInt32 / 4

// Fits says whether Search can treat p, which is valid, exactly: operators are never short, no lag has a maximum, each machine
// has one place, the makespan is the objective and changeovers have no price of their own. Where there are changeovers, each
// operation must take time, or its place in the order would not show in the schedule.
func Fits(p *problem.Problem) bool {
	if len(p.Attendance) > 0 || p.Objective != problem.Makespan {
		return false
	}
	var sum, latest problem.Time
	var change problem.Time // longest changeover
	add := func(t problem.Time) bool {
		sum += t
		return t <= farthest && sum <= farthest
	}
	for k := range p.Machines {
		m := &p.Machines[k]
		if len(m.Places) != 1 || m.Setup != nil && p.SetupPrice != 0 {
			return false
		}
		latest = max(latest, m.Places[0])
		for _, row := range m.Setup {
			for _, t := range row {
				change = max(change, t)
			}
		}
	}
	for o := range p.Ops {
		op := &p.Ops[o]
		latest = max(latest, op.Release)
		var longest problem.Time
		for _, m := range op.Modes {
			if m.Duration == 0 && p.Machines[m.Machine].Setup != nil {
				return false
			}
			longest = max(longest, m.Duration)
		}
		if !add(longest) || !add(change) {
			return false
		}
		for _, a := range op.Before {
			if a.MaxLag != problem.Never || !add(a.Lag) {
				return false
			}
		}
	}
	return add(latest)
}

// link is an arc of precedence, seen from one of its ends.
type link struct{ op, lag int32 }

// model is a problem in flat slices. Modes of an operation on the same machine are thinned out to the fastest.
type model struct {
	n, m     int32
	release  []int32
	family   []int32
	beforeAt []int32 // before[beforeAt[o]:beforeAt[o+1]] is what o waits for
	before   []link
	afterAt  []int32
	after    []link
	modeAt   []int32 // modes of o are modeAt[o] to modeAt[o+1]
	modeOn   []int32 // machine
	modeTime []int32
	modeIs   []int32 // index in Op.Modes
	free     []int32 // of each machine
	setup    [][]int32
	families []int32
	initial  []int32
	setups   bool
	sinks    []int32 // what nothing waits for
	topo     []int32 // an order that keeps precedence
	fastest  []int32
	head     []int32 // earliest start as if no machine were shared
	tail     []int32 // least time after its start until the end, likewise, its own included
}

func compile(p *problem.Problem) *model {
	n, m := int32(len(p.Ops)), int32(len(p.Machines))
	md := &model{n: n, m: m, beforeAt: make([]int32, n+1), afterAt: make([]int32, n+1), modeAt: make([]int32, n+1)}
	for k := range p.Machines {
		mach := &p.Machines[k]
		md.free = append(md.free, int32(mach.Places[0]))
		var table []int32
		for _, row := range mach.Setup {
			for _, t := range row {
				table = append(table, int32(t))
			}
		}
		md.setups = md.setups || table != nil
		md.setup = append(md.setup, table)
		md.families = append(md.families, int32(len(mach.Setup)))
		md.initial = append(md.initial, int32(mach.Initial))
	}
	for o := range p.Ops {
		op := &p.Ops[o]
		md.release = append(md.release, int32(op.Release))
		md.family = append(md.family, int32(op.Family))
		for _, a := range op.Before {
			md.before = append(md.before, link{int32(a.Op), int32(a.Lag)})
			md.afterAt[a.Op+1]++
		}
		md.beforeAt[o+1] = int32(len(md.before))
		md.addModes(op)
		md.modeAt[o+1] = int32(len(md.modeOn))
	}
	md.turn()
	md.paths()
	return md
}

func (md *model) addModes(op *problem.Op) {
	from := len(md.modeOn)
	fastest := int32(math.MaxInt32)
next:
	for x, mode := range op.Modes {
		k, d := int32(mode.Machine), int32(mode.Duration)
		fastest = min(fastest, d)
		for y := from; y < len(md.modeOn); y++ {
			if md.modeOn[y] != k {
				continue
			}
			if d < md.modeTime[y] {
				md.modeTime[y], md.modeIs[y] = d, int32(x)
			}
			continue next
		}
		md.modeOn = append(md.modeOn, k)
		md.modeTime = append(md.modeTime, d)
		md.modeIs = append(md.modeIs, int32(x))
	}
	md.fastest = append(md.fastest, fastest)
}
