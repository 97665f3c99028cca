package registration

import (
	"math"

	"tandem/scheduler/badfield"
)

// Quality is what a fit says about the panel. Angles are degrees, counterclockwise with x to the right and y up.
type Quality struct {
	Marks    int
	ScaleX   float64 // hypot(A, C)
	ScaleY   float64 // determinant / ScaleX: negative if the panel is mirrored
	Rotation float64 // atan2(C, A)
	Skew     float64 // atan2(AB + CD, determinant): how far the axes are from a right angle
	// ResidualUm is the distance between each reading and where the fit puts the mark. It is zero but for rounding with
	// two or three marks: they leave nothing to check.
	ResidualUm    []float64
	RMSUm         float64 // root mean square of ResidualUm
	MaxResidualUm float64
}

// Fit returns the transform that maps the nominal places of marks to where they were read, in the same order:
//
//	2 marks    shift, rotation and one scale for both axes; a mirrored panel cannot be told
//	3 marks    the affine transform through all of them, exactly
//	4 and more the affine transform with the least sum of squared residuals
//
// The least squares are solved by orthogonalising the centred coordinates (modified Gram-Schmidt), which loses half as
// many digits as the normal equations. Marks that coincide or lie on one line, readings that do or that fold the panel onto
// one, NaN, and coordinates beyond 1 km give an *Error.
func Fit(nominal, read []Point) (Transform, Quality, error) {
	if err := check(nominal, read); err != nil {
		return Transform{}, Quality{}, err
	}
	t := solve(nominal, read)
	if size := t.A*t.A + t.B*t.B + t.C*t.C + t.D*t.D; !(math.Abs(t.Determinant()) > 1e-6*size) {
		return Transform{}, Quality{}, badfield.New("read", "folds the panel onto a line: the marks were read in another order; read them again in the order of the marks")
	}
	return t, measure(t, nominal, read), nil
}

// centred is points about their mean.
type centred struct {
	x, y []float64
	mean Point
}

func centre(points []Point) centred {
	c := centred{x: make([]float64, len(points)), y: make([]float64, len(points))}
	for _, p := range points {
		c.mean.X += p.X / float64(len(points))
		c.mean.Y += p.Y / float64(len(points))
	}
	for i, p := range points {
		c.x[i], c.y[i] = p.X-c.mean.X, p.Y-c.mean.Y
	}
	return c
}

func dot(a, b []float64) float64 {
	s := 0.0
	for i := range a {
		s += a[i] * b[i]
	}
	return s
}

// flat says whether the points lie on one line: the smaller principal spread against the larger one.
func flat(points []Point) bool {
	c := centre(points)
	xx, yy, xy := dot(c.x, c.x), dot(c.y, c.y), dot(c.x, c.y)
	half, apart := (xx+yy)/2, math.Hypot((xx-yy)/2, xy)
	return half-apart < flattest*flattest*(half+apart)
}

func solve(nominal, read []Point) Transform {
	n, r := centre(nominal), centre(read)
	var t Transform
	if len(nominal) == 2 {
		// As complex numbers, read = z * nominal with z = A + iC.
		size := dot(n.x, n.x) + dot(n.y, n.y)
		t.A = (dot(n.x, r.x) + dot(n.y, r.y)) / size
		t.C = (dot(n.x, r.y) - dot(n.y, r.x)) / size
		t.B, t.D = -t.C, t.A
	} else {
		// The longer column goes first, so that the shorter one is not the rest of a near cancellation.
		if dot(n.x, n.x) >= dot(n.y, n.y) {
			t.A, t.B = regress(n.x, n.y, r.x)
			t.C, t.D = regress(n.x, n.y, r.y)
		} else {
			t.B, t.A = regress(n.y, n.x, r.x)
			t.D, t.C = regress(n.y, n.x, r.y)
		}
	}
	t.TX = r.mean.X - t.A*n.mean.X - t.B*n.mean.Y
	t.TY = r.mean.Y - t.C*n.mean.X - t.D*n.mean.Y
	return t
}

// regress returns p and q with the least squares of p*a + q*b - u.
func regress(a, b, u []float64) (p, q float64) {
	aa := dot(a, a)
	along := dot(a, b) / aa
	rest, left := make([]float64, len(a)), make([]float64, len(a))
	first := dot(a, u) / aa
	for i := range a {
		rest[i] = b[i] - along*a[i]
		left[i] = u[i] - first*a[i]
	}
	q = dot(rest, left) / dot(rest, rest)
	return first - along*q, q
}

func measure(t Transform, nominal, read []Point) Quality {
	const degree = math.Pi / 180
	det := t.Determinant()
	q := Quality{
		Marks:      len(nominal),
		ScaleX:     math.Hypot(t.A, t.C),
		Rotation:   math.Atan2(t.C, t.A) / degree,
		Skew:       math.Atan2(t.A*t.B+t.C*t.D, det) / degree,
		ResidualUm: make([]float64, len(nominal)),
	}
	q.ScaleY = det / q.ScaleX
	sum := 0.0
	for i := range nominal {
		p := t.Apply(nominal[i])
		d := math.Hypot(p.X-read[i].X, p.Y-read[i].Y)
		q.ResidualUm[i] = d
		q.MaxResidualUm = max(q.MaxResidualUm, d)
		sum += d * d
	}
	q.RMSUm = math.Sqrt(sum / float64(len(nominal)))
	return q
}
