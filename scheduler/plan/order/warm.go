package order

import (
	"cmp"
	"slices"

	"tandem/scheduler/plan/problem"
)

// admit makes a schedule that was given the best one, if it is feasible; of one that is not, the order may still be of use.
// false: it is not a schedule of this problem at all.
func (r *run) admit(warm problem.Schedule) bool {
	md := r.md
	if len(warm.Start) != md.n || len(warm.Mode) != md.n {
		return false
	}
	s := newPlan(md.n)
	byStart := make([]int32, md.n)
	for o, x := range warm.Mode {
		if x < 0 || x >= int(md.modeAt[o+1]-md.modeAt[o]) {
			return false
		}
		s.mode[o] = md.modeAt[o] + int32(x)
		s.start[o] = warm.Start[o]
		s.end[o] = s.start[o] + md.modeDur[s.mode[o]]
		byStart[o] = int32(o)
	}
	slices.SortFunc(byStart, func(a, b int32) int {
		return cmp.Or(cmp.Compare(s.start[a], s.start[b]), cmp.Compare(s.end[a], s.end[b]), cmp.Compare(a, b))
	})
	if md.rebuild(s, byStart) {
		c := md.cost(s, make([]tick, md.jobs))
		r.accept(problem.Schedule{Mode: slices.Clone(warm.Mode), Start: slices.Clone(warm.Start)}, c, md.value(c))
	}
	return true
}

// rebuild finds places and changeovers for a plan whose modes and times are given, in the order of the starts, and tells whether
// that is possible.
func (md *model) rebuild(s *plan, byStart []int32) bool {
	var l line
	l.reset(md)
	for _, o := range byStart {
		x := s.mode[o]
		k := md.modeOn[x]
		if s.start[o] < md.ready(s, o) {
			return false
		}
		found := slot{mode: x, place: -1, start: s.start[o], end: s.end[o]}
		if !md.rack[k] {
			found.change = md.change(k, l.last[k], o)
		}
		begin := found.start - found.change
		for q := md.placeAt[k]; q < md.placeAt[k+1]; q++ {
			if l.place[q] <= begin && (found.place < 0 || l.place[q] > l.place[found.place]) {
				found.place = q
			}
		}
		if found.place < 0 {
			return false
		}
		if attended := md.modeAtt[x]; attended != problem.None &&
			l.crew.earliest(begin, found.change+min(attended, md.modeDur[x])) != begin {
			return false
		}
		md.put(&l, s, o, found)
	}
	return true
}
