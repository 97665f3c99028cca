package layout

import (
	"cmp"
	"math"
	"slices"

	"tandem/scheduler/chance"
)

const endless = math.MaxInt64 / 4 // higher than any strip

// budget is how much a search may still do.
type budget struct {
	left int64
	used int64
	stop func() bool
	rand *chance.Stream
}

func (b *budget) spent() bool { return b.left <= 0 || b.stop != nil && b.stop() }

func (b *budget) spend() {
	b.left--
	b.used++
}

// orders returns the orders of entries with which searches begin: large before small, by several measures.
func orders(entries []entry) [][]int32 {
	measures := []func(e *entry) int64{
		func(e *entry) int64 { return e.area },
		func(e *entry) int64 { return max(e.shapes[0].w, e.shapes[0].h) },
		func(e *entry) int64 { return e.shapes[0].w + e.shapes[0].h },
		func(e *entry) int64 { return e.shapes[0].h },
		func(e *entry) int64 { return e.shapes[0].w },
	}
	out := make([][]int32, 0, len(measures))
	for _, measure := range measures {
		order := make([]int32, len(entries))
		for i := range order {
			order[i] = int32(i)
		}
		slices.SortStableFunc(order, func(a, b int32) int {
			return cmp.Compare(measure(&entries[b]), measure(&entries[a]))
		})
		out = append(out, order)
	}
	return out
}

// climb changes an order by one random step at a time and keeps each step that costs no more, until so many steps in a
// row gain nothing, the cost is 0, or the budget is spent. cost evaluates an order.
func climb(b *budget, sky *skyline, order []int32, idle int64, cost func([]int32) int64) int64 {
	best := cost(order)
	for waited := int64(0); best > 0 && waited < idle && !b.spent(); waited++ {
		undo := step(b.rand, sky.entries, order)
		c := cost(order)
		if c > best {
			undo()
			continue
		}
		if c < best {
			waited = 0
		}
		best = c
	}
	return best
}

// step exchanges two entries or moves one to another place. Now and then it changes an entry instead: prefers its other
// shape, makes it shy, or allows one shape only; without that, a shape that fills a valley would always come first, and
// packings like four bricks around a hole were out of reach. It returns how to undo it.
func step(r *chance.Stream, entries []entry, order []int32) (undo func()) {
	a, b := below(r, len(order)), below(r, len(order))
	kind := below(r, 128)
	e := &entries[order[a]]
	switch {
	case kind == 0 && e.ways == 2:
		e.flip()
		return e.flip
	case kind == 1:
		e.shy = !e.shy
		return func() { e.shy = !e.shy }
	case kind == 2 && e.ways == 2:
		e.turns = 3 - e.turns
		return func() { e.turns = 3 - e.turns }
	}
	if kind%2 == 0 {
		order[a], order[b] = order[b], order[a]
		return func() { order[a], order[b] = order[b], order[a] }
	}
	move(order, a, b)
	return func() { move(order, b, a) }
}

// move takes the entry at one position out and puts it in at another.
func move(order []int32, from, to int) {
	v := order[from]
	if from < to {
		copy(order[from:to], order[from+1:to+1])
	} else {
		copy(order[to+1:from+1], order[to:from])
	}
	order[to] = v
}

// idleSteps is after how many steps without gain a climb is given up: measured on the instances in testdata.
func idleSteps(entries int) int64 { return 100 + 3*int64(entries) }

// packStrip searches the lowest packing of the entries on a strip: it climbs towards a target height below the best one,
// the area that does not fit below the target being the cost. The first target is halfway to the lower bound; one that is
// not reached is replaced by one half as far from the best. Each climb begins from another start. It gives up early if after some climbs the packing is
// still higher than a limit.
func packStrip(b *budget, width int64, entries []entry, limit int64) (best []laid, height int64) {
	patience := min(b.left/2, 30*idleSteps(len(entries)))
	begin := b.used
	bound := lowerBound(width, entries)
	best, height = ffdh(width, entries)
	sky := newSkyline(width, slices.Clone(entries))
	closest := int64(endless)
	try := func(order []int32, target int64) int64 {
		b.spend()
		sky.reset(order)
		done := sky.fill(target)
		rest := sky.rest
		if rest < closest { // worth to see how far above the target the rest reaches
			closest = rest
			done = done || sky.fill(endless)
		}
		if done && sky.top < height {
			height = sky.top
			best = append(best[:0], sky.placed...)
		}
		return rest
	}
	starts := orders(entries)
	for _, order := range starts {
		if height == bound || b.spent() {
			return best, height
		}
		try(order, endless)
	}
	gap := (height - bound) / 2
	for round := 0; height > bound && !b.spent(); round++ {
		if height > limit && b.used-begin > patience {
			break
		}
		gap = min(max(gap, 1), height-bound)
		target := height - gap
		closest = endless
		copy(sky.entries, entries) // a climb changes them
		order := slices.Clone(starts[round%len(starts)])
		rest := climb(b, sky, order, idleSteps(len(entries)), func(order []int32) int64 { return try(order, target) })
		if rest > 0 {
			gap /= 2
		}
	}
	return best, height
}
