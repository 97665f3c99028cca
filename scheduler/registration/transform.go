package registration

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
