package registration

import "math"

// Point is a place in micrometres.
type Point struct{ X, Y float64 }

// Transform maps a nominal place to where it lies: u = A*x + B*y + TX, v = C*x + D*y + TY. TX and TY are micrometres.
type Transform struct {
	A, B, TX float64
	C, D, TY float64
}

// Apply returns where p lies.
func (t Transform) Apply(p Point) Point {
	return Point{X: t.A*p.X + t.B*p.Y + t.TX, Y: t.C*p.X + t.D*p.Y + t.TY}
}

// Determinant returns A*D - B*C: the change of area, negative if the panel is mirrored.
func (t Transform) Determinant() float64 { return t.A*t.D - t.B*t.C }

// Inverse returns the way back. A transform that flattens the plane, or holds NaN or Inf, gives an *Error.
func (t Transform) Inverse() (Transform, error) {
	det := t.Determinant()
	size := math.Hypot(t.A, t.C) * math.Hypot(t.B, t.D)
	if !(math.Abs(det) > 1e-12*size) || math.IsInf(det, 0) || math.IsNaN(t.TX+t.TY) || math.IsInf(t.TX+t.TY, 0) {
		return Transform{}, bad("transform", "has no inverse (determinant %v): read the marks again", det)
	}
	i := Transform{A: t.D / det, B: -t.B / det, C: -t.C / det, D: t.A / det}
	i.TX = -(i.A*t.TX + i.B*t.TY)
	i.TY = -(i.C*t.TX + i.D*t.TY)
	return i, nil
}
