package contour

import (
	"cmp"
	"slices"
)

// order returns the lines in a sensible cutting order: kiss cuts before perforations before through cuts, since what is cut
// through may move; within a kind no contour before those that lie inside it, for the same reason; and of those that may be
// next, the one that begins nearest to where the knife is. The first is the nearest to the corner of least x and y. Equal
// distances are broken by the order in which the search meets them, which depends on the file alone.
//
// Nearest neighbour is not the shortest tour (about a quarter longer on random points: common knowledge of the travelling
// salesman problem, from memory), but it is what a cutter's own sorting is likely to be near to.
func order(lines []Line, ignored *ignoredList) []Line {
	sorted := make([]Line, 0, len(lines))
	var at Point
	if len(lines) > 0 {
		at = lines[0].Box.Min
		for _, l := range lines {
			at = Point{min(at.X, l.Box.Min.X), min(at.Y, l.Box.Min.Y)}
		}
	}
	budget := nestingBudget
	for kind := Kiss; kind <= Through; kind++ {
		var same []Line
		for _, l := range lines {
			if l.Kind == kind {
				same = append(same, l)
			}
		}
		if len(same) == 0 {
			continue
		}
		parent, unknown := nesting(same, &budget)
		if unknown > 0 {
			ignored.add("nesting too deep to order", unknown)
		}
		inside := make([]int, len(same)) // contours inside that are still to be cut
		for _, p := range parent {
			if p >= 0 {
				inside[p]++
			}
		}
		starts := make([]Point, len(same))
		for i := range same {
			starts[i] = same[i].start()
		}
		tree := newNearest(starts)
		for i, n := range inside {
			if n == 0 {
				tree.add(i)
			}
		}
		for range same {
			i := tree.take(at)
			sorted = append(sorted, same[i])
			at = same[i].end()
			if p := parent[i]; p >= 0 {
				if inside[p]--; inside[p] == 0 {
					tree.add(p)
				}
			}
		}
	}
	return sorted
}

// nestingBudget bounds the comparisons of one file, so that a file made to be slow is not. A sheet of ten thousand decals
// takes a hundredth of it.
const nestingBudget = 100_000_000

// nesting returns for each line the smallest closed line around its first point and its box, or -1, and for how many lines
// the budget did not suffice. It sweeps from left to right and compares only boxes that overlap there.
func nesting(lines []Line, budget *int) (parent []int, unknown int) {
	byLeft := make([]int, len(lines))
	parent = make([]int, len(lines))
	for i := range lines {
		byLeft[i], parent[i] = i, -1
	}
	slices.SortFunc(byLeft, func(a, b int) int {
		return cmp.Or(cmp.Compare(lines[a].Box.Min.X, lines[b].Box.Min.X), cmp.Compare(lines[b].Box.area(), lines[a].Box.area()),
			cmp.Compare(a, b))
	})
	var open, around []int // boxes that reach the sweep; those of them that hold the present one
	for k, i := range byLeft {
		if *budget <= 0 {
			return parent, len(byLeft) - k
		}
		box := lines[i].Box
		*budget -= len(open)
		kept := open[:0]
		around = around[:0]
		for _, j := range open {
			other := lines[j].Box
			if other.Max.X < box.Min.X {
				continue
			}
			kept = append(kept, j)
			if other.contains(box) && other.area() > box.area() {
				around = append(around, j)
			}
		}
		open = kept
		slices.SortFunc(around, func(a, b int) int {
			return cmp.Or(cmp.Compare(lines[a].Box.area(), lines[b].Box.area()), cmp.Compare(a, b))
		})
		for _, j := range around {
			*budget -= len(lines[j].Points)
			if lines[j].surrounds(lines[i].start()) {
				parent[i] = j
				break
			}
			if *budget <= 0 {
				break
			}
		}
		if lines[i].Closed {
			open = append(open, i)
		}
	}
	return parent, 0
}

// surrounds reports whether p is inside the closed line by the even-odd rule.
func (l *Line) surrounds(p Point) bool {
	in := false
	for i := 1; i < len(l.Points); i++ {
		a, b := l.Points[i-1], l.Points[i]
		if (a.Y > p.Y) != (b.Y > p.Y) && p.X < a.X+(p.Y-a.Y)/(b.Y-a.Y)*(b.X-a.X) {
			in = !in
		}
	}
	return in
}

// nearest finds, among the points that were added and not taken yet, the nearest to a place: a balanced k-d tree whose
// every part knows how many it still has.
type nearest struct {
	points []Point
	tree   []int // indexes of points; the middle of each part is its root, split by x and y in turn
	where  []int // of each point, its place in tree
	here   []bool
	count  []int // points here, in the part whose root is there
}

func newNearest(points []Point) *nearest {
	n := &nearest{
		points: points, tree: make([]int, len(points)), where: make([]int, len(points)),
		here: make([]bool, len(points)), count: make([]int, len(points)),
	}
	for i := range n.tree {
		n.tree[i] = i
	}
	n.build(0, len(points), false)
	for at, i := range n.tree {
		n.where[i] = at
	}
	return n
}

func (n *nearest) build(from, to int, byY bool) {
	if to-from < 2 {
		return
	}
	slices.SortFunc(n.tree[from:to], func(a, b int) int {
		p, q := n.points[a], n.points[b]
		if byY {
			return cmp.Or(cmp.Compare(p.Y, q.Y), cmp.Compare(p.X, q.X), cmp.Compare(a, b))
		}
		return cmp.Or(cmp.Compare(p.X, q.X), cmp.Compare(p.Y, q.Y), cmp.Compare(a, b))
	})
	middle := (from + to) / 2
	n.build(from, middle, !byY)
	n.build(middle+1, to, !byY)
}

func (n *nearest) add(i int) { n.change(i, true, 1) }

func (n *nearest) change(i int, here bool, by int) {
	at := n.where[i]
	n.here[at] = here
	for from, to := 0, len(n.tree); ; {
		middle := (from + to) / 2
		n.count[middle] += by
		switch {
		case at == middle:
			return
		case at < middle:
			to = middle
		default:
			from = middle + 1
		}
	}
}

// take returns and removes the nearest point, of which there must be one.
func (n *nearest) take(p Point) int {
	best, distance := -1, 0.0
	n.search(p, 0, len(n.tree), false, &best, &distance)
	i := n.tree[best]
	n.change(i, false, -1)
	return i
}

func (n *nearest) search(p Point, from, to int, byY bool, best *int, distance *float64) {
	if from >= to {
		return
	}
	middle := (from + to) / 2
	if n.count[middle] == 0 {
		return
	}
	root := n.points[n.tree[middle]]
	d := p.sub(root)
	if square := d.dot(d); n.here[middle] && (*best < 0 || square < *distance) {
		*best, *distance = middle, square
	}
	aside := d.X
	if byY {
		aside = d.Y
	}
	if aside < 0 {
		n.search(p, from, middle, !byY, best, distance)
	} else {
		n.search(p, middle+1, to, !byY, best, distance)
	}
	if *best >= 0 && aside*aside >= *distance {
		return
	}
	if aside < 0 {
		n.search(p, middle+1, to, !byY, best, distance)
	} else {
		n.search(p, from, middle, !byY, best, distance)
	}
}
