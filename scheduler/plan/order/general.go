package order

import (
	"math"
	"slices"

	"tandem/scheduler/chance"
	"tandem/scheduler/plan/problem"
)

// general is the search for problems of no particular structure. It goes between two ways: orders of the list builder are
// changed where the cost arises, and urgencies of the pull builder are shaken. Which of them gets the next evaluation follows
// from what they have found.
type general struct {
	*run
	chance *chance.Stream
	list   *list
	pull   *pull
	holder *holder

	now, next *walk
	back      []int32 // scratch space for operations
	marked    []bool
	chain     []int32
	lastOn    []int32 // operation placed last on each place
	listOnly  bool    // the pull builder is left out, and what is a little worse is accepted
	stalled   int     // evaluations since the walk found something better

	rule, base rule // of the pull builder: being tried, and the best of its line
	baseValue  value
	free       []int32 // no mode is wanted
	plan       *plan
	shaken     int
	gain       [2]float64 // of list and pull
}

// walk is an order, the modes it asks for, and what the list builder makes of it.
type walk struct {
	order, want []int32
	at          []int32 // place of each operation in the order
	plan        *plan
	value       value
}

func newWalk(n int) *walk {
	return &walk{order: make([]int32, n), want: make([]int32, n), at: make([]int32, n), plan: newPlan(n), value: worst}
}

func newGeneral(r *run, seed uint64) *general {
	n := r.md.n
	g := &general{
		run: r, chance: chance.New(seed), list: newList(r.md), pull: newPull(r.md), holder: newHolder(r.md), now: newWalk(n), next: newWalk(n),
		marked: make([]bool, n), lastOn: make([]int32, len(r.md.place)), free: make([]int32, n), plan: newPlan(n), baseValue: worst, gain: [2]float64{1, 1},
	}
	for o := range g.free {
		g.free[o] = -1
	}
	g.rule.bias = make([]float64, n)
	g.base.bias = make([]float64, n)
	return g
}

// search goes on until the budget is spent.
func (g *general) search() {
	if g.now.value == worst && g.value == worst {
		return
	}
	for g.going() {
		// Either way gets at least a fifth of the evaluations.
		share := min(0.8, max(0.2, g.gain[0]/(g.gain[0]+g.gain[1])))
		if g.now.value != worst && (g.listOnly || g.chance.Float() < share) {
			g.stepList()
		} else {
			g.stepPull()
		}
	}
}

// reward keeps account of how often a way finds a best schedule.
func (g *general) reward(way int, found bool) {
	g.gain[way] *= 0.98
	if found {
		g.gain[way]++
	}
	g.gain[way] = max(g.gain[way], 0.02)
}

// rules tries dispatch rules with several settings.
func (g *general) rules() {
	looks := [...]struct {
		slack, change float64
		free          bool
	}{
		{2, 0.3, false},
		{2, 0.3, true},
		{6, 0.3, false},
		{6, 1, true},
		{1, 0.1, false},
		{20, 0.3, false},
		{3, 0.1, true},
		{3, 2, false},
		{0.5, 0.5, false},
		{20, 0.1, true},
		{8, 0.1, false},
		{1, 1, true},
	}
	tries := len(looks)
	if g.budget.Evaluations > 0 {
		tries = min(tries, max(2, int(g.budget.Evaluations/12)))
	}
	for _, l := range looks[:tries] {
		if g.ended && g.value != worst {
			return
		}
		g.rule.slack = 1 / (l.slack * g.pull.meanWork)
		g.rule.change = 1 / (l.change * g.pull.meanGap)
		g.rule.free = l.free
		g.tryRule(g.free)
	}
}

// tryRule builds with the rule; the base of the way becomes what is at least as good.
func (g *general) tryRule(want []int32) bool {
	c, ok := g.pull.build(&g.rule, want, g.plan)
	g.spend(1, g.md.n*3)
	if !ok {
		return false
	}
	s, c := g.holder.hold(g.plan, g.pull.placed, g.pull.jobEnd, c)
	v := g.md.value(c)
	if !g.baseValue.less(v) {
		g.baseValue = v
		g.base.slack, g.base.change, g.base.free = g.rule.slack, g.rule.change, g.rule.free
		copy(g.base.bias, g.rule.bias)
		g.shaken = 0
	}
	if !g.offer(s, c) {
		return false
	}
	g.adopt(g.best)
	return true
}

// stepPull shakes the urgencies of some jobs or operations.
func (g *general) stepPull() {
	md := g.md
	if g.shaken++; g.shaken > 60+md.n {
		g.rebase()
	}
	g.rule.slack, g.rule.change, g.rule.free = g.base.slack, g.base.change, g.base.free
	copy(g.rule.bias, g.base.bias)
	for range 1 + g.chance.Below(6) {
		by := g.chance.Normal()
		if g.chance.Below(2) == 0 {
			g.rule.bias[g.chance.Below(md.n)] += 2 * by
			continue
		}
		j := md.job[g.chance.Below(md.n)]
		if len(g.chain) > 0 && g.chance.Below(2) == 0 {
			j, by = md.job[g.chain[g.chance.Below(len(g.chain))]], math.Abs(by)
		}
		for o := range g.rule.bias {
			if md.job[o] == j {
				g.rule.bias[o] += by
			}
		}
	}
	if g.chance.Below(8) == 0 {
		f := 0.5 + 1.5*g.chance.Float()
		g.rule.slack *= f
	}
	g.reward(1, g.tryRule(g.free))
}

// rebase begins anew: from the best schedule, as its order says, or from a rule without bias.
func (g *general) rebase() {
	g.shaken = 0
	g.baseValue = worst
	clear(g.base.bias)
	if g.chance.Below(2) == 0 {
		g.base.slack, g.base.change = 0, 0
		for o, t := range g.best.Start {
			g.base.bias[o] = -float64(t) / g.pull.meanWork
		}
		g.base.free = false
		return
	}
	g.base.slack = 1 / ((0.5 + 8*g.chance.Float()) * g.pull.meanWork)
	g.base.change = 1 / ((0.1 + g.chance.Float()) * g.pull.meanGap)
	g.base.free = g.chance.Below(2) == 0
}

// adopt makes the walk go on from a schedule.
func (g *general) adopt(s problem.Schedule) {
	md, w := g.md, g.now
	key := make([]tick, md.n)
	rank := make([]int32, md.n)
	for i, o := range md.topo {
		rank[o] = int32(i)
		w.order[i] = o
		key[o] = s.Start[o]
		for a := md.predAt[o]; a < md.predAt[o+1]; a++ {
			key[o] = max(key[o], key[md.predOp[a]])
		}
	}
	slices.SortFunc(w.order, func(a, b int32) int {
		if key[a] != key[b] {
			if key[a] < key[b] {
				return -1
			}
			return 1
		}
		return int(rank[a] - rank[b])
	})
	for i, o := range w.order {
		w.at[o] = int32(i)
		w.want[o] = -1
	}
	g.keepWalk()
	if g.value.less(w.value) {
		for o, x := range s.Mode {
			w.want[o] = md.modeAt[o] + int32(x)
		}
		g.keepWalk()
	}
	g.stalled = 0
	g.trace()
}

// keepWalk builds the walk from the start.
func (g *general) keepWalk() {
	w := g.now
	w.value = worst
	c, ok := g.list.keep(w.order, w.want, 0, w.plan)
	g.spend(1, g.md.n)
	if ok {
		s, c := g.holder.hold(w.plan, w.order, g.list.jobEnd, c)
		w.value = g.md.value(c)
		g.offer(s, c)
	}
}
