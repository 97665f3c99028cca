package contour

import (
	"cmp"
	"math"
	"slices"
)

// flatness is how far from a straight line the points of a curve may lie, as a share of its size, for it to be one: rounding makes as
// much of a curve that is turned.
const flatness = 1e-9

// folds returns the points in which a curve that runs along a straight line turns back on itself, in their order; false if it does
// not run along one. Such a fold has no radius to pass it by: it is a corner like one of the file's own.
func (c *curve) folds() ([]Point, bool) {
	var sides []Point // from the first point to the others
	if c.shape == arc {
		sides = []Point{c.q, c.r}
	} else {
		sides = []Point{c.q.sub(c.p), c.r.sub(c.p)}
		if c.shape == cubic {
			sides = append(sides, c.s.sub(c.p))
		}
	}
	along := slices.MaxFunc(sides, func(a, b Point) int { return cmp.Compare(a.length(), b.length()) })
	size := along.length()
	for _, side := range sides {
		if math.Abs(along.cross(side)) > size*(stillMM+flatness*size) {
			return nil, false
		}
	}
	var out []Point
	for _, t := range c.turns(along) {
		if t > 0 && t < 1 {
			out = append(out, c.at(t))
		}
	}
	return out, true
}

// turns returns where the derivative has no part in a direction, ascending; some may lie outside the curve.
func (c *curve) turns(along Point) []float64 {
	switch c.shape {
	case quadratic:
		a, b := c.q.sub(c.p).dot(along), c.r.sub(c.q).dot(along)
		return roots(0, b-a, a)
	case cubic:
		a, b, d := c.q.sub(c.p).dot(along), c.r.sub(c.q).dot(along), c.s.sub(c.r).dot(along)
		return roots(a-2*b+d, 2*(b-a), a)
	case arc:
	}
	var out []float64
	first := math.Atan2(c.r.dot(along), c.q.dot(along)) - c.from // and every half turn before and after
	low, high := min(0, c.sweep), max(0, c.sweep)
	for w := first + math.Pi*math.Ceil((low-first)/math.Pi); w <= high; w += math.Pi {
		out = append(out, w/c.sweep)
	}
	slices.Sort(out)
	return out
}

// roots returns the real roots of a t^2 + b t + c, ascending, by the form without cancellation (Press et al., Numerical Recipes,
// section 5.6).
func roots(a, b, c float64) []float64 {
	if a == 0 {
		if b == 0 {
			return nil
		}
		return []float64{-c / b}
	}
	d := b*b - 4*a*c
	if d < 0 {
		return nil
	}
	q := -(b + math.Copysign(math.Sqrt(d), b)) / 2
	out := []float64{q / a}
	if q != 0 {
		out = append(out, c/q)
	}
	slices.Sort(out)
	return out
}
