package dispatch

import (
	"container/heap"
	"time"

	"tandem/scheduler/floor"
)

// entryHeap is a heap of entries that knows where each one is, so that any can be taken out.
type entryHeap struct {
	list   []*entry
	before func(a, b *entry) bool
	place  int // which of an entry's places is for this heap
}

// Len, Less, Swap, Push and Pop are for container/heap.
func (h *entryHeap) Len() int { return len(h.list) }

func (h *entryHeap) Less(i, j int) bool {
	a, b := h.list[i], h.list[j]
	if h.before(a, b) {
		return true
	}
	return !h.before(b, a) && a.order < b.order
}

func (h *entryHeap) Swap(i, j int) {
	h.list[i], h.list[j] = h.list[j], h.list[i]
	h.list[i].places[h.place], h.list[j].places[h.place] = i, j
}

// Push adds x at the end.
func (h *entryHeap) Push(x any) {
	e := x.(*entry)
	e.places[h.place] = len(h.list)
	h.list = append(h.list, e)
}

// Pop takes the last one off.
func (h *entryHeap) Pop() any {
	last := h.list[len(h.list)-1]
	h.list[len(h.list)-1] = nil
	h.list = h.list[:len(h.list)-1]
	return last
}

func (h *entryHeap) top() *entry {
	if len(h.list) == 0 {
		return nil
	}
	return h.list[0]
}

func (h *entryHeap) add(e *entry)    { heap.Push(h, e) }
func (h *entryHeap) remove(e *entry) { heap.Remove(h, e.places[h.place]) }

// group holds waiting steps that ask the same of a device.
type group struct {
	class   *floor.Class
	supply  string // media or film that must be on the device; empty: any
	mean    *mean
	waiting int // entries
	rule    Rule
	scale   Scale
	early   [2]entryHeap // slack is left: the same entries, ordered for two levels of the mean
	levels  [2]int       // those levels: one even, one odd
	late    entryHeap    // no slack is left
	turns   entryHeap    // those of early, by when their slack runs out
	short   entryHeap    // all, by their length, if they need a supply
}

func newGroup(c *floor.Class, supply string, m *mean, rule Rule, scale Scale) *group {
	g := &group{class: c, supply: supply, mean: m, rule: rule, scale: scale, levels: [2]int{0, 1}}
	g.short = entryHeap{before: func(a, b *entry) bool { return a.length < b.length }, place: 3}
	for k := range g.early {
		g.early[k] = entryHeap{before: func(a, b *entry) bool { return a.early[k] > b.early[k] }, place: k}
	}
	g.late.before = func(a, b *entry) bool { return a.urgency > b.urgency }
	g.turns = entryHeap{before: func(a, b *entry) bool { return a.slackAt < b.slackAt }, place: 2}
	if rule == FirstFree {
		g.late.before = func(a, b *entry) bool { return a.order < b.order }
	}
	return g
}

// push puts an entry into the heaps it belongs to now.
func (g *group) push(e *entry, now time.Time) {
	g.waiting++
	if g.supply != "" {
		g.short.add(e)
	}
	g.place(e, now)
}

// pop takes an entry out.
func (g *group) pop(e *entry) {
	g.waiting--
	if g.supply != "" {
		g.short.remove(e)
	}
	g.unplace(e)
}

// place puts an entry where it is ordered by its index.
func (g *group) place(e *entry, now time.Time) {
	if g.rule == EarliestCompletion && e.slackAt > seconds(now) {
		e.home = nil
		for k := range g.early {
			e.early[k] = g.earlyKey(e, g.levels[k])
			g.early[k].add(e)
		}
		g.turns.add(e)
		return
	}
	e.home = &g.late
	g.late.add(e)
}

func (g *group) unplace(e *entry) {
	if e.home == &g.late {
		g.late.remove(e)
		return
	}
	g.early[0].remove(e)
	g.early[1].remove(e)
	g.turns.remove(e)
}

// ordered returns the heap of the early ones for the level the mean has now. A mean that swings between two levels finds
// both heaps in order; only one that has moved on by a factor of two costs a new ordering.
func (g *group) ordered() *entryHeap {
	k := g.mean.level & 1
	if g.levels[k] != g.mean.level {
		g.levels[k] = g.mean.level
		for _, e := range g.early[k].list {
			e.early[k] = g.earlyKey(e, g.levels[k])
		}
		heap.Init(&g.early[k])
	}
	return &g.early[k]
}

// slackSpan is K: the slack, in seconds, that lowers the index by a factor of e.
func (g *group) slackSpan(level int) float64 { return g.scale.Slack * used(level) }

// earlyKey orders by index as long as slack is left: time moves all keys alike and is left out.
func (g *group) earlyKey(e *entry, level int) float64 {
	return e.urgency - e.slackAt/g.slackSpan(level)
}

// top returns the entry with the greatest index, changeovers aside, and the logarithm of that index.
func (g *group) top(now time.Time) (*entry, float64) {
	t := seconds(now)
	for e := g.turns.top(); e != nil && e.slackAt <= t; e = g.turns.top() {
		g.unplace(e)
		g.place(e, now)
	}
	late, early := g.late.top(), g.ordered().top()
	if g.rule == FirstFree {
		return late, 0
	}
	switch {
	case early == nil && late == nil:
		return nil, 0
	case late == nil || (early != nil && g.value(early, t) > g.value(late, t)):
		return early, g.value(early, t)
	}
	return late, g.value(late, t)
}

// value returns the logarithm of an entry's index at a time in seconds, changeovers aside.
func (g *group) value(e *entry, t float64) float64 {
	return e.urgency - max(e.slackAt-t, 0)/g.slackSpan(g.mean.level)
}
