package order

import "tandem/scheduler/plan/problem"

// step is how far apart the places of an order are at which the list builder can resume.
const step = 12

// list builds schedules from orders of operations, predecessors first: each operation in turn is appended to its machine. want
// is the mode of an operation, -1: the one in which it ends first.
type list struct {
	md     *model
	marks  []line // state before place i*step of the order built last with keep
	line   line
	jobEnd []tick
}

func newList(md *model) *list {
	b := &list{md: md, marks: make([]line, md.n/step+1), jobEnd: make([]tick, md.jobs)}
	for i := range b.marks {
		b.marks[i].reset(md)
	}
	return b
}

// keep builds the whole of an order, unchanged before place from, into s and remembers the states it goes through.
func (b *list) keep(order, want []int32, from int, s *plan) (problem.Cost, bool) {
	return b.build(order, want, from, s, true)
}

// try builds an order that is the same as the one kept last before place from, into s, which holds the plan kept.
func (b *list) try(order, want []int32, from int, s *plan) (problem.Cost, bool) {
	return b.build(order, want, from, s, false)
}

func (b *list) build(order, want []int32, from int, s *plan, keep bool) (problem.Cost, bool) {
	md := b.md
	at := from / step
	if at == 0 {
		b.line.reset(md)
	} else {
		b.line.copy(&b.marks[at])
	}
	for i := at * step; i < len(order); i++ {
		if keep && i%step == 0 {
			b.marks[i/step].copy(&b.line)
		}
		o := order[i]
		ready := md.ready(s, o)
		var found slot
		var ok bool
		if x := want[o]; x >= 0 {
			found, ok = md.fit(&b.line, o, x, ready)
		} else {
			found, ok = md.choose(&b.line, o, ready)
		}
		if !ok {
			return problem.Cost{}, false
		}
		md.put(&b.line, s, o, found)
	}
	return md.cost(s, b.jobEnd), true
}
