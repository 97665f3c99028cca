package order

import (
	"math"
	"slices"
)

// stepList changes the order of the walk and goes on from there unless that is worse, or too much worse.
func (g *general) stepList() {
	md := g.md
	kicks := 1
	if g.stalled > 40+4*md.n {
		// A valley: from the best schedule some steps at random.
		g.adopt(g.best)
		kicks = 3 + g.chance.Below(6)
		if g.now.value == worst || g.ended {
			return
		}
	}
	w := g.next
	copy(w.order, g.now.order)
	copy(w.want, g.now.want)
	copy(w.at, g.now.at)
	from := md.n
	for range kicks {
		from = min(from, g.change(kicks > 1))
	}
	if from == md.n {
		g.stalled++
		g.spend(1, 0)
		return
	}
	w.plan.copy(g.now.plan)
	c, ok := g.list.try(w.order, w.want, from, w.plan)
	g.spend(1, md.n-from)
	if !ok {
		g.stalled++
		return
	}
	s, c := g.holder.hold(w.plan, w.order, g.list.jobEnd, c)
	w.value = md.value(c)
	better := w.value.less(g.now.value)
	if !better {
		g.stalled++
	}
	found := g.offer(s, c)
	g.reward(0, found)
	if found {
		g.stalled = 0
	}
	if worse := g.now.value.less(w.value); worse && kicks == 1 && !g.bearable(w.value) {
		return
	}
	g.now, g.next = w, g.now
	g.list.keep(w.order, w.want, from, w.plan)
	g.trace()
}

// bearable says whether to go on from an order that is worse. The short searches of a shop that goes on never do, so that they do
// not drift.
func (g *general) bearable(v value) bool {
	return g.listOnly && v.first <= g.now.value.first-math.Log(1-g.chance.Float())*listHeat*g.pull.meanWork
}

// listHeat is the temperature in mean durations.
const listHeat = 0.04

// change makes one change in g.next and tells from which place on the order, or a mode, is another; md.n: nothing changed.
func (g *general) change(random bool) int {
	md, w := g.md, g.next
	x := g.pick(random)
	if md.modeAt[x+1]-md.modeAt[x] > 1 && g.chance.Below(6) == 0 {
		return g.changeMode(x)
	}
	// A machine of x, and another operation of it not too far away.
	k := md.modeOn[g.next.plan.mode[x]]
	if md.modeAt[x+1]-md.modeAt[x] > 1 && g.chance.Below(3) == 0 {
		k = md.modeOn[md.modeAt[x]+int32(g.chance.Below(int(md.modeAt[x+1]-md.modeAt[x])))]
	}
	// Late and critical ones go ahead, two times out of three.
	ahead := g.chance.Below(3) > 0
	y := g.neighbour(x, k, ahead)
	if y < 0 {
		return md.n
	}
	var from int
	if ahead {
		from = g.advance(x, y)
	} else {
		from = g.delay(x, y)
	}
	if from < md.n && w.want[x] >= 0 && md.modeOn[w.want[x]] != k {
		w.want[x] = -1
	}
	return from
}

// pick chooses the operation to change: mostly one of the chain that makes the makespan or a late job late.
func (g *general) pick(random bool) int32 {
	if len(g.chain) > 0 && !random && g.chance.Below(4) > 0 {
		return g.chain[g.chance.Below(len(g.chain))]
	}
	return int32(g.chance.Below(g.md.n))
}

func (g *general) changeMode(x int32) int {
	md, w := g.md, g.next
	old := w.want[x]
	count := int(md.modeAt[x+1] - md.modeAt[x])
	w.want[x] = -1
	if at := g.chance.Below(count + 1); at < count {
		w.want[x] = md.modeAt[x] + int32(at)
	}
	if w.want[x] == old || old < 0 && w.want[x] == g.now.plan.mode[x] {
		w.want[x] = old
		return md.n
	}
	return int(w.at[x])
}

// neighbour looks for another operation of a machine, before or after x in the order; nearer ones are likelier. -1: none.
func (g *general) neighbour(x, k int32, before bool) int32 {
	md, w := g.md, g.next
	skip := 0
	for g.chance.Below(2) == 0 && skip < 12 {
		skip += 1 + g.chance.Below(2)
	}
	by, found := 1, int32(-1)
	if before {
		by = -1
	}
	for i := int(w.at[x]) + by; i >= 0 && i < md.n; i += by {
		y := w.order[i]
		if md.modeOn[g.now.plan.mode[y]] != k {
			continue
		}
		found = y
		if skip--; skip < 0 {
			break
		}
	}
	return found
}

// advance moves x, and what has to be before it, before y.
func (g *general) advance(x, y int32) int {
	md, w := g.md, g.next
	from, to := int(w.at[y]), int(w.at[x])
	if from >= to {
		return md.n
	}
	// From the end: what something marked waits for is marked.
	stay := g.back[:0]
	g.marked[x] = true
	at := to
	for i := to; i >= from; i-- {
		o := w.order[i]
		for a := md.succAt[o]; a < md.succAt[o+1] && !g.marked[o]; a++ {
			g.marked[o] = g.marked[md.succOp[a]]
		}
		if !g.marked[o] {
			stay = append(stay, o)
		}
	}
	if g.marked[y] {
		g.unmark(from, to)
		g.back = stay
		return md.n // y has to be before x
	}
	// stay holds the rest backwards; put it behind the marked ones.
	write := from
	for i := from; i <= to; i++ {
		if o := w.order[i]; g.marked[o] {
			w.order[write] = o
			write++
		}
	}
	for i, o := range slices.Backward(stay) {
		w.order[at-i] = o
	}
	g.back = stay
	g.unmark(from, to)
	return g.number(from, to)
}

// delay moves x, and what has to be after it, behind y.
func (g *general) delay(x, y int32) int {
	md, w := g.md, g.next
	from, to := int(w.at[x]), int(w.at[y])
	if from >= to {
		return md.n
	}
	stay := g.back[:0]
	g.marked[x] = true
	for i := from; i <= to; i++ {
		o := w.order[i]
		for a := md.predAt[o]; a < md.predAt[o+1] && !g.marked[o]; a++ {
			g.marked[o] = g.marked[md.predOp[a]]
		}
		if !g.marked[o] {
			stay = append(stay, o)
		}
	}
	g.back = stay
	if g.marked[y] {
		g.unmark(from, to)
		return md.n
	}
	write := to
	for i := to; i >= from; i-- {
		if o := w.order[i]; g.marked[o] {
			w.order[write] = o
			write--
		}
	}
	copy(w.order[from:], stay)
	g.unmark(from, to)
	return g.number(from, to)
}

func (g *general) unmark(from, to int) {
	for _, o := range g.next.order[from : to+1] {
		g.marked[o] = false
	}
}

// number gives the operations between two places their places, and the first place.
func (g *general) number(from, to int) int {
	for i := from; i <= to; i++ {
		g.next.at[g.next.order[i]] = int32(i)
	}
	return from
}
