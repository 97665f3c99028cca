package order

import (
	"slices"

	"tandem/scheduler/plan/problem"
)

// holder starts operations later, where nothing else is harmed by it, so that those that may not wait for long after them do not
// have to. The builders start everything as early as they can.
type holder struct {
	md   *model
	plan *plan
	next []tick // when something begins on each place
}

func newHolder(md *model) *holder {
	return &holder{md: md, plan: newPlan(md.n), next: make([]tick, len(md.place))}
}

// hold gives a plan with a smaller overrun, or the same one. order is that in which the operations were placed, jobEnd when the
// jobs end.
func (h *holder) hold(s *plan, order []int32, jobEnd []tick, c problem.Cost) (*plan, problem.Cost) {
	if c.Overrun == 0 {
		return s, c
	}
	md := h.md
	h.plan.copy(s)
	s2 := h.plan
	for q := range h.next {
		h.next[q] = problem.Never
	}
	for _, o := range slices.Backward(order) {
		if shift := h.shift(o, max(jobEnd[md.job[o]], md.due[md.job[o]])); shift > 0 {
			s2.start[o] += shift
			s2.end[o] += shift
		}
		h.next[s2.place[o]] = s2.start[o] - s2.change[o]
	}
	held := c
	if held.Overrun = md.overruns(s2); held.Overrun < c.Overrun {
		return s2, held
	}
	return s, c
}

// shift is by how much an operation is to start later, its job to end by limit.
func (h *holder) shift(o int32, limit tick) tick {
	md, s := h.md, h.plan
	if md.stay(s.mode[o], s.change[o]) > 0 {
		return 0 // somebody else may be with another machine then
	}
	want, slack := tick(0), min(h.next[s.place[o]], limit)-s.end[o]
	for a := md.succAt[o]; a < md.succAt[o+1]; a++ {
		w := md.succOp[a]
		want = max(want, s.start[w]-s.end[o]-md.succMax[a])
		slack = min(slack, s.start[w]-md.succLag[a]-s.end[o])
	}
	return min(want, slack)
}
