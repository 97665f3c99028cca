package contour

import (
	"math"
	"strings"

	"tandem/scheduler/badfield"
)

// Point is a place on the material in millimetres, x to the right and y down, as SVG has it.
type Point struct{ X, Y float64 }

func (p Point) add(q Point) Point        { return Point{p.X + q.X, p.Y + q.Y} }
func (p Point) sub(q Point) Point        { return Point{p.X - q.X, p.Y - q.Y} }
func (p Point) times(f float64) Point    { return Point{p.X * f, p.Y * f} }
func (p Point) length() float64          { return math.Sqrt(p.dot(p)) } // math.Hypot costs several times as much
func (p Point) distance(q Point) float64 { return p.sub(q).length() }
func (p Point) dot(q Point) float64      { return p.X*q.X + p.Y*q.Y }
func (p Point) cross(q Point) float64    { return p.X*q.Y - p.Y*q.X }

// matrix maps (x, y) to (a x + c y + e, b x + d y + f): the order in which SVG writes it (SVG 1.1 section 7.4).
type matrix struct{ a, b, c, d, e, f float64 }

func identity() matrix { return matrix{a: 1, d: 1} }

// then returns the map that applies m to what n maps.
func (m matrix) then(n matrix) matrix {
	return matrix{
		m.a*n.a + m.c*n.b, m.b*n.a + m.d*n.b,
		m.a*n.c + m.c*n.d, m.b*n.c + m.d*n.d,
		m.a*n.e + m.c*n.f + m.e, m.b*n.e + m.d*n.f + m.f,
	}
}

func (m matrix) point(p Point) Point {
	return Point{m.a*p.X + m.c*p.Y + m.e, m.b*p.X + m.d*p.Y + m.f}
}

// vector maps a difference of points.
func (m matrix) vector(p Point) Point { return Point{m.a*p.X + m.c*p.Y, m.b*p.X + m.d*p.Y} }

func (m matrix) finite() bool {
	return bounded(m.a) && bounded(m.b) && bounded(m.c) && bounded(m.d) && bounded(m.e) && bounded(m.f)
}

// flat reports whether m takes the plane to a line or a point, so that nothing is drawn (SVG 1.1 section 14.2.1, CSS
// Transforms 1 section 6).
func (m matrix) flat() bool { return m.a*m.d-m.b*m.c == 0 }

// parseTransform reads a list such as "translate(10 5) rotate(30)".
func parseTransform(field, s string) (matrix, error) {
	m := identity()
	if strings.TrimSpace(s) == "none" {
		return m, nil
	}
	n := numbers{s: s}
	n.space()
	for !n.done() {
		open := strings.IndexByte(n.s[n.i:], '(')
		if open < 0 {
			return m, badfield.New(field, "%q is no transform: write a name with its numbers in parentheses", shorten(n.s[n.i:]))
		}
		name := strings.TrimSpace(n.s[n.i : n.i+open])
		n.i += open + 1
		n.space()
		var args [6]float64
		count := 0
		for n.more() {
			x, err := n.next()
			if err != nil {
				return m, badfield.New(field, "%s", err.Message)
			}
			if count == len(args) {
				return m, badfield.New(field, "%s has more than six numbers", shorten(name))
			}
			args[count] = x
			count++
		}
		if n.comma || n.done() || n.s[n.i] != ')' {
			return m, badfield.New(field, "%s is not closed at byte %d: write plain numbers between ( and )", shorten(name), n.i)
		}
		n.i++
		one, ok := transformOf(name, args, count)
		if !ok {
			return m, badfield.New(field, "%s with %d numbers is unknown: use matrix(6), translate(1 or 2), scale(1 or 2), "+
				"rotate(1 or 3), skewX(1) or skewY(1)", shorten(name), count)
		}
		if m = m.then(one); !m.finite() {
			return m, badfield.New(field, "it moves or scales beyond %g", maxNumber)
		}
		n.separator()
	}
	if n.comma {
		return m, badfield.New(field, "it ends with a comma")
	}
	return m, nil
}

func transformOf(name string, v [6]float64, count int) (matrix, bool) {
	radians := v[0] * math.Pi / 180
	switch {
	case name == "matrix" && count == 6:
		return matrix{v[0], v[1], v[2], v[3], v[4], v[5]}, true
	case name == "translate" && (count == 1 || count == 2):
		return matrix{a: 1, d: 1, e: v[0], f: v[1]}, true
	case name == "scale" && count == 1:
		return matrix{a: v[0], d: v[0]}, true
	case name == "scale" && count == 2:
		return matrix{a: v[0], d: v[1]}, true
	case name == "rotate" && (count == 1 || count == 3):
		sin, cos := math.Sincos(radians)
		turn := matrix{cos, sin, -sin, cos, 0, 0}
		centre := matrix{a: 1, d: 1, e: v[1], f: v[2]}
		return centre.then(turn).then(matrix{a: 1, d: 1, e: -v[1], f: -v[2]}), true
	case name == "skewX" && count == 1:
		return matrix{a: 1, c: math.Tan(radians), d: 1}, true
	case name == "skewY" && count == 1:
		return matrix{a: 1, b: math.Tan(radians), d: 1}, true
	}
	return matrix{}, false
}
