package graph

import "tandem/scheduler/chance"

// tabu goes from schedule to schedule, each time by the move that promises most and is not forbidden, until so many steps have
// brought nothing better than the best one on the way, which it leaves in m.found.
type tabu struct {
	moves
	run   *run
	found plan
}

func newTabu(md *model, r *run, luck *chance.Stream) *tabu {
	return &tabu{
		moves: moves{state: newState(md), taboo: newForbidden(md), luck: luck},
		run:   r, found: newPlan(md.n),
	}
}

// from searches from a plan.
func (t *tabu) from(p *plan, patience int64) {
	t.load(p)
	t.taboo.clear()
	t.save(&t.found)
	t.run.offer(t.state, t.found.length)
	length := t.found.length
	for since := int64(0); since < patience && t.run.spend(t.md.n); since++ {
		t.record = t.found.length
		t.look(length)
		st := t.choice.best
		if t.choice.equals == 0 {
			if t.choice.anyMany == 0 {
				return // no move is known that could shorten the path
			}
			st = t.choice.any
		}
		t.taboo.now++
		span := int64(len(t.path))
		t.forbid(st, 3+span/6+int64(below(t.luck, int32(3+span/6))))
		if !t.move(st.v, st.mode, st.at) {
			t.taboo.mode[st.mode] = t.taboo.now + span
			continue
		}
		length = t.makespan()
		if length < t.found.length {
			t.save(&t.found)
			t.run.offer(t.state, length)
			since = 0
		}
	}
}
