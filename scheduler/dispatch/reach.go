package dispatch

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/duration"
	"tandem/scheduler/floor"
)

// bestFor returns the entry with the greatest index on a device, changeovers included, and the logarithm of that index. All
// entries of a group cost the device the same changeover, but for those that the roll on it is too short for.
func (g *group) bestFor(d *floor.Device, now time.Time) (*entry, float64) {
	e, value := g.top(now)
	if e == nil || g.rule != EarliestCompletion {
		return e, value
	}
	a := d.Ability(g.class.Operation)
	value -= g.changeTerm(d, e, a)
	reach, counted := d.Reach(a, g.supply)
	if !counted || e.length <= reach {
		return e, value
	}
	other := g.within(reach, now)
	if other == nil {
		return e, value
	}
	v := g.value(other, seconds(now)) - g.changeTerm(d, other, a)
	if v > value || (v == value && other.order < e.order) {
		return other, v
	}
	return e, value
}

// changeTerm is what the changeover takes off the logarithm of an index.
func (g *group) changeTerm(d *floor.Device, e *entry, a *tandemv1.Ability) float64 {
	change := d.Changeover(e.step, a)
	if change <= 0 {
		return 0
	}
	return float64(change) / (g.scale.Changeover * float64(duration.LongestChangeover(a)))
}

// mostPassed is how many entries are passed over in the order of their index before those that are short enough are read
// instead: if so many of the best are too long, few are not.
const mostPassed = 8

// within returns the entry with the greatest index, changeovers aside, among those of at most that length; nil if there is
// none.
func (g *group) within(reach int64, now time.Time) *entry {
	if e := g.short.top(); e == nil || e.length > reach {
		return nil
	}
	var passed []*entry
	defer func() {
		for _, e := range passed {
			g.place(e, now)
		}
	}()
	for range mostPassed {
		e, _ := g.top(now)
		if e == nil || e.length <= reach {
			return e
		}
		g.unplace(e)
		passed = append(passed, e)
	}
	return g.bestShort(reach, seconds(now))
}

// bestShort reads every entry of at most that length. What lies below an entry of a heap is no shorter, so no other is read.
func (g *group) bestShort(reach int64, t float64) *entry {
	var best *entry
	var most float64
	open := []int{0}
	for len(open) > 0 {
		i := open[len(open)-1]
		open = open[:len(open)-1]
		if i >= len(g.short.list) || g.short.list[i].length > reach {
			continue
		}
		e := g.short.list[i]
		if v := g.value(e, t); best == nil || v > most || (v == most && e.order < best.order) {
			best, most = e, v
		}
		open = append(open, 2*i+1, 2*i+2)
	}
	return best
}
