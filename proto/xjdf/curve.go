package xjdf

import "math"

// point is a place on the plane, in points of 1/72 inch.
type point struct{ x, y float64 }

func (p point) minus(q point) point              { return point{p.x - q.x, p.y - q.y} }
func (p point) distance(q point) float64         { return math.Hypot(p.x-q.x, p.y-q.y) }
func (p point) length() float64                  { return math.Hypot(p.x, p.y) }
func (p point) between(q point, t float64) point { return point{p.x + (q.x-p.x)*t, p.y + (q.y-p.y)*t} }

// cubic is a Bézier curve of the third degree.
type cubic [4]point

// speed is the length of the derivative at t, whose integral from 0 to 1 is the length of the curve.
func (c cubic) speed(t float64) float64 {
	k := 1 - t
	a, b, d := c[1].minus(c[0]), c[2].minus(c[1]), c[3].minus(c[2])
	return 3 * math.Hypot(k*k*a.x+2*k*t*b.x+t*t*d.x, k*k*a.y+2*k*t*b.y+t*t*d.y)
}

// Nodes and weights of the Gauss-Kronrod rule with 7 and 15 points, from QUADPACK (Piessens and others, 1983), for
// x >= 0; every second node belongs to the Gauss rule.
var (
	kronrodNodes = [8]float64{
		0.991455371120812639206854697526329, 0.949107912342758524526189684047851, 0.864864423359769072789712788640926,
		0.741531185599394439863864773280788, 0.586087235467691130294144691693019, 0.405845151377397166906606412076961,
		0.207784955007898467600689403773245, 0,
	}
	kronrodWeights = [8]float64{
		0.022935322010529224963732008058970, 0.063092092629978553290700663189204, 0.104790010322250183839876322541518,
		0.140653259715525918745189590510238, 0.169004726639267902826583426598550, 0.190350578064785409913256402421014,
		0.204432940075298892414161999234649, 0.209482141084727828012999174891714,
	}
	gaussWeights = [4]float64{
		0.129484966168869693270611432679082, 0.279705391489276667901467771423780, 0.381830050505118944950369775488975,
		0.417959183673469387755102040816327,
	}
)

// lengthTolerance is the greatest error of the length of one curve, in points.
const lengthTolerance = 1e-6

// length integrates the speed adaptively. The halves of a part share its error, so all parts together stay below the
// tolerance; a part so short that its error cannot matter is taken as it is.
func (c cubic) length() float64 {
	return c.part(0, 1, lengthTolerance, 40)
}

func (c cubic) part(from, to, tolerance float64, depth int) float64 {
	middle, half := (from+to)/2, (to-from)/2
	at := c.speed(middle)
	kronrod, gauss := kronrodWeights[7]*at, gaussWeights[3]*at
	for i := range 7 {
		at := c.speed(middle-half*kronrodNodes[i]) + c.speed(middle+half*kronrodNodes[i])
		kronrod += kronrodWeights[i] * at
		if i%2 == 1 {
			gauss += gaussWeights[i/2] * at
		}
	}
	kronrod, gauss = kronrod*half, gauss*half
	// Rounding of large lengths must not keep the halving going.
	if math.Abs(kronrod-gauss) <= max(tolerance, 1e-14*kronrod) || depth == 0 {
		return kronrod
	}
	return c.part(from, middle, tolerance/2, depth-1) + c.part(middle, to, tolerance/2, depth-1)
}

// direction is that of the curve where it begins: control points that lie on the start say nothing.
func (c cubic) direction() point {
	for _, q := range c[1:] {
		if d := q.minus(c[0]); d != (point{}) {
			return d
		}
	}
	return point{}
}

func (c cubic) reversed() cubic { return cubic{c[3], c[2], c[1], c[0]} }

// box returns the corners of the rectangle around the curve: its ends, and where a coordinate turns back.
func (c cubic) box() (low, high point) {
	low = point{min(c[0].x, c[3].x), min(c[0].y, c[3].y)}
	high = point{max(c[0].x, c[3].x), max(c[0].y, c[3].y)}
	stretch := func(p point) {
		low = point{min(low.x, p.x), min(low.y, p.y)}
		high = point{max(high.x, p.x), max(high.y, p.y)}
	}
	for _, t := range turns(c[0].x, c[1].x, c[2].x, c[3].x) {
		stretch(c.at(t))
	}
	for _, t := range turns(c[0].y, c[1].y, c[2].y, c[3].y) {
		stretch(c.at(t))
	}
	return low, high
}

func (c cubic) at(t float64) point {
	a, b, d := c[0].between(c[1], t), c[1].between(c[2], t), c[2].between(c[3], t)
	return a.between(b, t).between(b.between(d, t), t)
}

// turns returns the parameters within the curve at which the derivative of one coordinate is zero.
func turns(p0, p1, p2, p3 float64) []float64 {
	a, b, c := p3-3*p2+3*p1-p0, 2*(p2-2*p1+p0), p1-p0
	var out []float64
	keep := func(t float64) {
		if t > 0 && t < 1 { // false for NaN too
			out = append(out, t)
		}
	}
	// a t^2 + b t + c = 0, without the loss of digits of the school formula.
	root := b*b - 4*a*c
	if root < 0 {
		return nil
	}
	q := -(b + math.Copysign(math.Sqrt(root), b)) / 2
	keep(q / a)
	keep(c / q)
	return out
}

// ellipseLength is the perimeter of an ellipse with those half axes, by the arithmetic-geometric mean (Gauss; Abramowitz and
// Stegun, section 17.6).
func ellipseLength(a, b float64) float64 {
	a, b = max(a, b), min(a, b)
	if b <= 0 {
		return 4 * max(a, 0)
	}
	x, y := a, b
	sum, power := a*a-b*b, 0.5
	sum *= power
	for range 64 {
		c := (x - y) / 2
		x, y = (x+y)/2, math.Sqrt(x*y)
		power *= 2
		sum += power * c * c
		if c <= 1e-17*a {
			break
		}
	}
	return 2 * math.Pi / x * (a*a - sum)
}
