package contour

import "math"

// A curve is one piece of a path that is not straight, with its parameter t from 0 to 1. Elliptic arcs are kept as a centre
// and two conjugate radii, p = c + u cos w + v sin w, because any affine map of such an arc is again one: radii and a
// rotation, as the file writes them, would have to be found anew after a skew.
type curve struct {
	shape       shape
	p, q, r, s  Point   // quadratic: p q r; cubic: p q r s; arc: centre, u, v
	from, sweep float64 // arc: first angle and signed extent
}

type shape uint8

const (
	quadratic shape = iota
	cubic
	arc
)

func (c *curve) mapped(m matrix) curve {
	if c.shape == arc {
		return curve{shape: arc, p: m.point(c.p), q: m.vector(c.q), r: m.vector(c.r), from: c.from, sweep: c.sweep}
	}
	return curve{shape: c.shape, p: m.point(c.p), q: m.point(c.q), r: m.point(c.r), s: m.point(c.s)}
}

func (c *curve) at(t float64) Point {
	k := 1 - t
	switch c.shape {
	case quadratic:
		return c.p.times(k * k).add(c.q.times(2 * k * t)).add(c.r.times(t * t))
	case cubic:
		return c.p.times(k * k * k).add(c.q.times(3 * k * k * t)).add(c.r.times(3 * k * t * t)).add(c.s.times(t * t * t))
	case arc:
	}
	sin, cos := math.Sincos(c.from + c.sweep*t)
	return c.p.add(c.q.times(cos)).add(c.r.times(sin))
}

func (c *curve) derivative(t float64) Point {
	k := 1 - t
	switch c.shape {
	case quadratic:
		return c.q.sub(c.p).times(2 * k).add(c.r.sub(c.q).times(2 * t))
	case cubic:
		return c.q.sub(c.p).times(3 * k * k).add(c.r.sub(c.q).times(6 * k * t)).add(c.s.sub(c.r).times(3 * t * t))
	case arc:
	}
	sin, cos := math.Sincos(c.from + c.sweep*t)
	return c.r.times(cos * c.sweep).sub(c.q.times(sin * c.sweep))
}

// bend is the most that the second derivative can be.
func (c *curve) bend() float64 {
	switch c.shape {
	case quadratic:
		return 2 * c.p.sub(c.q.times(2)).add(c.r).length()
	case cubic:
		return 6 * max(c.p.sub(c.q.times(2)).add(c.r).length(), c.q.sub(c.r.times(2)).add(c.s).length())
	case arc:
	}
	return c.sweep * c.sweep * c.longestRadius()
}

// longestRadius of an arc is the larger singular value of its two conjugate radii.
func (c *curve) longestRadius() float64 {
	uu, vv, uv := c.q.dot(c.q), c.r.dot(c.r), c.q.dot(c.r)
	return math.Sqrt((uu + vv + math.Hypot(uu-vv, 2*uv)) / 2)
}

// steps is into how many chords, even in t, the curve is cut so that none is further from it than the tolerance. A chord
// over an interval h of t misses the curve by h^2/8 of its second derivative at most: the bound on linear interpolation
// that any textbook of numerical analysis has. The count is known before anything is built.
func (c *curve) steps(tolerance float64) float64 {
	n := math.Ceil(math.Sqrt(c.bend() / (8 * tolerance)))
	if c.shape == arc {
		return max(n, math.Ceil(math.Abs(c.sweep)/(math.Pi/4))) // a ring smaller than the tolerance is still a ring
	}
	return max(n, 2)
}

// tangents returns the directions in which the curve leaves and arrives. Where control points fall together the next one
// tells, and both are zero only if all do.
func (c *curve) tangents() (first, last Point) {
	switch c.shape {
	case quadratic:
		return firstOf(c.q.sub(c.p), c.r.sub(c.p)), firstOf(c.r.sub(c.q), c.r.sub(c.p))
	case cubic:
		return firstOf(c.q.sub(c.p), c.r.sub(c.p), c.s.sub(c.p)), firstOf(c.s.sub(c.r), c.s.sub(c.q), c.s.sub(c.p))
	case arc:
	}
	return c.derivative(0), c.derivative(1)
}

func firstOf(ps ...Point) Point {
	for _, p := range ps {
		if p != (Point{}) {
			return p
		}
	}
	return Point{}
}

// length is the integral of the speed by Gauss-Legendre quadrature with eight points, halving the interval until both
// halves together agree with the whole. The speed is smooth but at cusps, where the halving closes in on them. A sum of
// chords at the usual tolerance would be short by 1e-4 and more on small curves, and a fixed rule misses long ellipses
// by as much.
func (c *curve) length() float64 {
	const relative, absolute = 1e-10, 1e-12 // mm
	whole := c.gauss(0, 1)
	budget := 4096 // a cusp takes about twenty halvings; this ends what rounding would never let agree
	return c.refine(0, 1, whole, relative*whole+absolute, &budget)
}

func (c *curve) refine(a, b, whole, allowed float64, budget *int) float64 {
	m := (a + b) / 2
	left, right := c.gauss(a, m), c.gauss(m, b)
	if *budget--; *budget < 0 || math.Abs(left+right-whole) <= allowed {
		return left + right
	}
	return c.refine(a, m, left, allowed, budget) + c.refine(m, b, right, allowed, budget)
}

func (c *curve) gauss(a, b float64) float64 {
	// Abramowitz and Stegun, Handbook of Mathematical Functions, table 25.4, n = 8.
	node := [...]float64{0.1834346424956498, 0.5255324099163290, 0.7966664774136267, 0.9602898564975363}
	weight := [...]float64{0.3626837833783620, 0.3137066458778873, 0.2223810344533745, 0.1012285362903763}
	middle, half := (a+b)/2, (b-a)/2
	sum := 0.0
	for i, x := range node {
		sum += weight[i] * (c.derivative(middle-half*x).length() + c.derivative(middle+half*x).length())
	}
	return sum * half
}

// arcBetween returns the elliptic arc from one point to another, by the steps of SVG 2 appendix B.2 (SVG 1.1 appendix F.6)
// but on the unit circle, where the centre is found without cancellation. There is none, and a straight line is meant,
// if a radius is zero or so large that the arc is as good as straight.
func arcBetween(from, to Point, rx, ry, degrees float64, large, sweep bool) (c curve, ok bool) {
	rx, ry = math.Abs(rx), math.Abs(ry)
	if rx == 0 || ry == 0 {
		return c, false
	}
	sin, cos := math.Sincos(degrees * math.Pi / 180)
	u, v := Point{cos, sin}, Point{-sin, cos}
	half := from.sub(to).times(0.5)
	h := Point{half.dot(u) / rx, half.dot(v) / ry} // half the chord on the unit circle
	size := h.length()
	if size < 1e-6 && !large {
		return c, false // it rises above the chord by no more than 1e-12 of the radius
	}
	if size > 1 { // the radii are too small: scale them until they just reach
		rx, ry, h, size = rx*size, ry*size, h.times(1/size), 1
	}
	rise := math.Sqrt((1-size)*(1+size)) / size
	if large == sweep {
		rise = -rise
	}
	centre := Point{h.Y * rise, -h.X * rise} // from the middle of the chord
	start, end := h.sub(centre), h.times(-1).sub(centre)
	c = curve{shape: arc, q: u.times(rx), r: v.times(ry), from: math.Atan2(start.Y, start.X)}
	middle := from.add(to).times(0.5)
	c.p = middle.add(c.q.times(centre.X)).add(c.r.times(centre.Y))
	c.sweep = math.Atan2(start.cross(end), start.dot(end))
	if sweep && c.sweep < 0 {
		c.sweep += 2 * math.Pi
	} else if !sweep && c.sweep > 0 {
		c.sweep -= 2 * math.Pi
	}
	return c, true
}
