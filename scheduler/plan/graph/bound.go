package graph

import (
	"math"
	"slices"
)

// bound is a makespan that no schedule is below: the longest of the paths of the jobs on fastest machines, and for sets of
// machines of the work that only they can do.
func (md *model) bound() int32 {
	best := int32(0)
	for o := range md.n {
		best = max(best, md.head[o]+md.tail[o])
	}
	sets := md.machineSets()
	all := make([]bool, md.m)
	for k := range all {
		all[k] = true
	}
	sets = append(sets, all)
	full := int64(len(sets))*int64(md.n)*int64(md.n) < 20_000_000
	for _, set := range sets {
		best = max(best, md.load(set, full))
	}
	return best
}

// machineSets are the single machines, and the sets that some operation is confined to.
func (md *model) machineSets() [][]bool {
	var sets [][]bool
	known := map[string]bool{}
	add := func(set []bool) {
		key := make([]byte, len(set))
		for k, in := range set {
			if in {
				key[k] = 1
			}
		}
		if !known[string(key)] {
			known[string(key)] = true
			sets = append(sets, set)
		}
	}
	for o := range md.n {
		set := make([]bool, md.m)
		for _, k := range md.modeOn[md.modeAt[o]:md.modeAt[o+1]] {
			set[k] = true
		}
		add(set)
	}
	return sets
}

// load bounds the makespan by the work confined to a set of machines. For every head and every tail: what starts no earlier and
// has no less behind it takes its work, spread evenly over the machines from when they are free. For one machine that is as
// good as its preemptive schedule (Carlier 1982).
func (md *model) load(set []bool, full bool) int32 {
	var ops, free []int32
	for k, in := range set {
		if in {
			free = append(free, md.free[k])
		}
	}
	slices.Sort(free)
next:
	for o := range md.n {
		for _, k := range md.modeOn[md.modeAt[o]:md.modeAt[o+1]] {
			if !set[k] {
				continue next
			}
		}
		ops = append(ops, o)
	}
	slices.SortStableFunc(ops, func(a, b int32) int {
		return int(md.tail[b] - md.fastest[b] - md.tail[a] + md.fastest[a])
	})
	heads := make([]int32, 0, len(ops))
	for _, o := range ops {
		heads = append(heads, md.head[o])
	}
	slices.Sort(heads)
	heads = slices.Compact(heads)
	if !full && len(heads) > 1 {
		heads = heads[:1]
	}
	best := int32(0)
	for _, h := range heads {
		work := int64(0)
		for _, o := range ops {
			if md.head[o] >= h {
				work += int64(md.fastest[o])
				best = max(best, level(work, h, free)+md.tail[o]-md.fastest[o])
			}
		}
	}
	return best
}

// level is when so much work, begun no earlier than head, can have ended on machines that are free at those times, sorted.
func level(work int64, head int32, free []int32) int32 {
	sum := work
	for i, f := range free {
		sum += int64(max(f, head))
		n := int64(i + 1)
		if l := (sum + n - 1) / n; i+1 == len(free) || l <= int64(max(head, free[i+1])) {
			return int32(l)
		}
	}
	return math.MaxInt32
}
