package registration

import (
	"errors"
	"math"
	"testing"

	"pgregory.net/rapid"
)

func mm(xy ...float64) []Point {
	var p []Point
	for i := 0; i < len(xy); i += 2 {
		p = append(p, Point{xy[i] * 1000, xy[i+1] * 1000})
	}
	return p
}

var rectangle = mm(0, 0, 500, 0, 500, 300, 0, 300)

func near(t *testing.T, what string, got, want, within float64) {
	t.Helper()
	if !(math.Abs(got-want) <= within) {
		t.Errorf("%s: %v, want %v within %v", what, got, want, within)
	}
}

// The figures were worked out apart from this code, to the digits shown: least squares over four marks of a 500 mm x
// 300 mm panel.
func TestFitWorkedExample(t *testing.T) {
	f, q, err := Fit(rectangle, mm(10.0, 20.0, 510.4, 22.6, 508.9, 322.3, 8.4, 319.9))
	if err != nil {
		t.Fatal(err)
	}
	near(t, "a", f.A, 1.000900, 5e-7)
	near(t, "b", f.B, -0.005167, 5e-7)
	near(t, "tx mm", f.TX/1000, 9.975, 5e-4)
	near(t, "c", f.C, 0.005000, 5e-7)
	near(t, "d", f.D, 0.999333, 5e-7)
	near(t, "ty mm", f.TY/1000, 20.050, 5e-4)
	near(t, "scale x", q.ScaleX, 1.000912, 5e-7)
	near(t, "scale y", q.ScaleY, 0.999347, 5e-7)
	near(t, "rotation", q.Rotation, 0.2862, 5e-5)
	near(t, "skew", q.Skew, -0.0100, 5e-5)
	near(t, "rms mm", q.RMSUm/1000, .0559, 5e-5)
	for _, r := range q.ResidualUm {
		near(t, "residual mm", r/1000, .0559, 5e-5)
	}
	if v := Judge(q, Limits{}); !v.Accepted || v.Reason != "" || v.Note != "" || v.Causes != nil {
		t.Errorf("%+v, want it accepted without a word", v)
	}
}

// Two marks: a quarter turn with doubled size, by hand.
func TestFitTwoMarks(t *testing.T) {
	f, q, err := Fit(mm(0, 0, 10, 0), mm(5, 5, 5, 25))
	if err != nil {
		t.Fatal(err)
	}
	if want := (Transform{A: 0, B: -2, TX: 5000, C: 2, D: 0, TY: 5000}); f != want {
		t.Errorf("%+v, want %+v", f, want)
	}
	near(t, "rotation", q.Rotation, 90, 1e-12)
	near(t, "scale x", q.ScaleX, 2, 1e-12)
	near(t, "scale y", q.ScaleY, 2, 1e-12)
	near(t, "skew", q.Skew, 0, 1e-12)
}

// Three marks: a shear, by hand. atan2(0.5, 1) = 26.565 degrees.
func TestFitThreeMarks(t *testing.T) {
	f, q, err := Fit(mm(0, 0, 10, 0, 0, 10), mm(1, 2, 11, 2, 6, 12))
	if err != nil {
		t.Fatal(err)
	}
	want := Transform{A: 1, B: 0.5, TX: 1000, C: 0, D: 1, TY: 2000}
	nearTransform(t, f, want, 1e-12)
	near(t, "skew", q.Skew, 26.565051, 1e-6)
	near(t, "residual", q.MaxResidualUm, 0, 1e-9)
}

func nearTransform(t interface {
	Errorf(string, ...any)
	Helper()
}, got, want Transform, within float64,
) {
	t.Helper()
	for i, d := range []float64{got.A - want.A, got.B - want.B, got.C - want.C, got.D - want.D} {
		if !(math.Abs(d) <= within) {
			t.Errorf("%c is off by %v: %+v, want %+v", "abcd"[i], d, got, want)
		}
	}
	for i, d := range []float64{got.TX - want.TX, got.TY - want.TY} {
		// Relative to metres, which is what panels measure.
		if !(math.Abs(d) <= within*1e6*10) {
			t.Errorf("t%c is off by %v um: %+v, want %+v", "xy"[i], d, got, want)
		}
	}
}

// drawMarks draws marks on a coarse grid with three corners of a panel always among them, so that they are neither near
// nor on one line.
func drawMarks(t *rapid.T, least int) []Point {
	w, h := float64(rapid.IntRange(100, 2000).Draw(t, "width")), float64(rapid.IntRange(100, 2000).Draw(t, "height"))
	x, y := float64(rapid.IntRange(-3000, 3000).Draw(t, "x")), float64(rapid.IntRange(-3000, 3000).Draw(t, "y"))
	marks := mm(x, y, x+w, y, x, y+h)
	taken := map[Point]bool{marks[0]: true, marks[1]: true, marks[2]: true}
	for range rapid.IntRange(max(0, least-3), 20).Draw(t, "more") {
		p := mm(x+w*float64(rapid.IntRange(0, 10).Draw(t, "i"))/10, y+h*float64(rapid.IntRange(0, 10).Draw(t, "j"))/10)[0]
		if !taken[p] {
			taken[p] = true
			marks = append(marks, p)
		}
	}
	if len(marks) < least {
		marks = append(marks, mm(x+w*1.1, y+h*1.1)...)
	}
	return marks
}

func drawTransform(t *rapid.T) Transform {
	coefficient := rapid.Float64Range(-0.4, 0.4)
	f := Transform{
		A: 1 + coefficient.Draw(t, "a"), B: coefficient.Draw(t, "b"), TX: rapid.Float64Range(-1e6, 1e6).Draw(t, "tx"),
		C: coefficient.Draw(t, "c"), D: 1 + coefficient.Draw(t, "d"), TY: rapid.Float64Range(-1e6, 1e6).Draw(t, "ty"),
	}
	if rapid.Bool().Draw(t, "mirrored") {
		f.A, f.C = -f.A, -f.C
	}
	return f
}

func apply(f Transform, marks []Point) []Point {
	read := make([]Point, len(marks))
	for i, p := range marks {
		read[i] = f.Apply(p)
	}
	return read
}

func TestFitRecoversAffineMaps(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		marks, want := drawMarks(t, 3), drawTransform(t)
		got, q, err := Fit(marks, apply(want, marks))
		if err != nil {
			t.Fatal(err)
		}
		nearTransform(t, got, want, 1e-9)
		if q.MaxResidualUm > 1e-3 {
			t.Errorf("residual %v um of an exact map", q.MaxResidualUm)
		}
		if mirrored := want.Determinant() < 0; mirrored != (q.ScaleY < 0) {
			t.Errorf("scale y %v, mirrored %v", q.ScaleY, mirrored)
		}
	})
}

func TestFitRecoversSimilaritiesFromTwoMarks(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		marks := drawMarks(t, 3)[1:3]
		turn, scale := rapid.Float64Range(-math.Pi, math.Pi).Draw(t, "turn"), rapid.Float64Range(0.5, 2).Draw(t, "scale")
		sin, cos := math.Sincos(turn)
		want := Transform{A: scale * cos, B: -scale * sin, C: scale * sin, D: scale * cos, TX: 12345, TY: -678}
		got, q, err := Fit(marks, apply(want, marks))
		if err != nil {
			t.Fatal(err)
		}
		nearTransform(t, got, want, 1e-9)
		if math.Abs(q.ScaleX-scale) > 1e-9 || math.Abs(q.Skew) > 1e-9 || math.Abs(math.Remainder(q.Rotation*math.Pi/180-turn, 2*math.Pi)) > 1e-9 {
			t.Errorf("%+v, want scale %v and rotation %v rad", q, scale, turn)
		}
	})
}

// byNormalEquations solves [sum xx, xy, x; xy, yy, y; x, y, n] by Cramer's rule, a way that Fit does not go.
func byNormalEquations(nominal, read []Point) Transform {
	var xx, xy, yy, x, y, ux, uy, u, vx, vy, v float64
	for i, p := range nominal {
		r := read[i]
		xx, xy, yy, x, y = xx+p.X*p.X, xy+p.X*p.Y, yy+p.Y*p.Y, x+p.X, y+p.Y
		ux, uy, u = ux+r.X*p.X, uy+r.X*p.Y, u+r.X
		vx, vy, v = vx+r.Y*p.X, vy+r.Y*p.Y, v+r.Y
	}
	n := float64(len(nominal))
	det := func(a, b, c, d, e, f, g, h, i float64) float64 { return a*(e*i-f*h) - b*(d*i-f*g) + c*(d*h-e*g) }
	all := det(xx, xy, x, xy, yy, y, x, y, n)
	solve := func(p, q, r float64) (float64, float64, float64) {
		return det(p, xy, x, q, yy, y, r, y, n) / all, det(xx, p, x, xy, q, y, x, r, n) / all, det(xx, xy, p, xy, yy, q, x, y, r) / all
	}
	var t Transform
	t.A, t.B, t.TX = solve(ux, uy, u)
	t.C, t.D, t.TY = solve(vx, vy, v)
	return t
}

func TestFitAgreesWithNormalEquations(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		marks, f := drawMarks(t, 4), drawTransform(t)
		read := apply(f, marks)
		noise := rapid.Float64Range(-300, 300)
		for i := range read {
			read[i].X += noise.Draw(t, "dx")
			read[i].Y += noise.Draw(t, "dy")
		}
		got, q, err := Fit(marks, read)
		if err != nil {
			t.Fatal(err)
		}
		// The uncentred equations lose about eight digits with marks far from the origin.
		nearTransform(t, got, byNormalEquations(marks, read), 1e-6)

		// What least squares means: residuals add up to nothing, alone and weighted with either coordinate.
		var sx, sy, sxx, sxy, syx, syy, sum float64
		for i, p := range marks {
			m := got.Apply(p)
			dx, dy := read[i].X-m.X, read[i].Y-m.Y
			sx, sy, sum = sx+dx, sy+dy, sum+dx*dx+dy*dy
			sxx, sxy, syx, syy = sxx+dx*p.X, sxy+dx*p.Y, syx+dy*p.X, syy+dy*p.Y
		}
		for _, s := range []float64{sx, sy} {
			if math.Abs(s) > 1e-4 {
				t.Errorf("residuals add up to %v", s)
			}
		}
		for _, s := range []float64{sxx, sxy, syx, syy} {
			if math.Abs(s) > 1e3 { // of terms up to 300 um * 5e6 um
				t.Errorf("weighted residuals add up to %v", s)
			}
		}
		if want := math.Sqrt(sum / float64(len(marks))); math.Abs(q.RMSUm-want) > 1e-6 || q.MaxResidualUm > q.RMSUm*math.Sqrt(float64(len(marks)))+1e-6 {
			t.Errorf("rms %v and max %v, want rms %v", q.RMSUm, q.MaxResidualUm, want)
		}
		if q.RMSUm > 300*math.Sqrt2 {
			t.Errorf("rms %v is more than the noise", q.RMSUm)
		}
	})
}

func TestFitErrors(t *testing.T) {
	shifted := mm(1, 1, 501, 1, 501, 301, 1, 301)
	with := func(p []Point, i int, q Point) []Point {
		c := append([]Point(nil), p...)
		c[i] = q
		return c
	}
	tests := []struct {
		name          string
		nominal, read []Point
		field         string
	}{
		{"none", nil, nil, "nominal"},
		{"one", rectangle[:1], shifted[:1], "nominal"},
		{"too many", make([]Point, 1001), make([]Point, 1001), "nominal"},
		{"a reading short", rectangle, shifted[:3], "read"},
		{"NaN", with(rectangle, 2, Point{X: math.NaN()}), shifted, "nominal[2].x"},
		{"infinite", rectangle, with(shifted, 1, Point{Y: math.Inf(-1)}), "read[1].y"},
		{"beyond 1 km", rectangle, with(shifted, 1, Point{X: 2e9}), "read[1].x"},
		{"marks coincide", with(rectangle, 3, rectangle[1]), shifted, "nominal[3]"},
		{"two marks coincide", mm(1, 1, 1, 1), shifted[:2], "nominal[1]"},
		{"millimetres", []Point{{0, 0}, {500, 0}}, shifted[:2], "nominal[1]"},
		{"one mark read twice", rectangle, with(shifted, 1, Point{shifted[0].X + 50, shifted[0].Y}), "read[1]"},
		{"marks on one line", mm(0, 0, 100, 100, 200, 200, 300, 300), shifted, "nominal"},
		{"marks on an upright line", mm(7, 0, 7, 100, 7, 200), shifted[:3], "nominal"},
		{"readings on one line", rectangle, mm(0, 0, 100, 50, 200, 100, 300, 150), "read"},
		{"last two swapped on a square", mm(0, 0, 100, 0, 100, 100, 0, 100), mm(0, 0, 100, 0, 0, 100, 100, 100), "read"},
	}
	for _, tt := range tests {
		f, q, err := Fit(tt.nominal, tt.read)
		var e *Error
		if !errors.As(err, &e) || e.Field != tt.field || e.Message == "" {
			t.Errorf("%s: %v, want an error of %s", tt.name, err, tt.field)
		}
		if f != (Transform{}) || q.Marks != 0 {
			t.Errorf("%s: %+v %+v beside the error", tt.name, f, q)
		}
	}
}

// A long, narrow panel is not a line: 10 m x 50 mm.
func TestFitTakesBanners(t *testing.T) {
	marks := mm(0, 0, 10000, 0, 10000, 50, 0, 50)
	for _, turned := range []bool{false, true} {
		if turned {
			for i, p := range marks {
				marks[i] = Point{p.Y, p.X}
			}
		}
		want := Transform{A: 1.001, B: 0.002, TX: 100, C: -0.002, D: 0.999, TY: 200}
		got, _, err := Fit(marks, apply(want, marks))
		if err != nil {
			t.Fatal(err)
		}
		nearTransform(t, got, want, 1e-9)
	}
}

// FuzzFit: whatever is read, there is an error or a fit of finite figures, and a verdict with a reason or none.
func FuzzFit(f *testing.F) {
	f.Add(10e3, 20e3, 510.4e3, 22.6e3, 508.9e3, 322.3e3, 8.4e3, 319.9e3, uint8(4))
	f.Add(0.0, 0.0, 500e3, 0.0, math.NaN(), 0.0, math.Inf(1), 1e300, uint8(2))
	f.Add(500e3, 300e3, 0.0, 300e3, 0.0, 0.0, 500e3, 0.0, uint8(3))
	f.Fuzz(func(t *testing.T, x0, y0, x1, y1, x2, y2, x3, y3 float64, n uint8) {
		marks := int(n%3) + 2
		read := []Point{{x0, y0}, {x1, y1}, {x2, y2}, {x3, y3}}[:marks]
		fit, q, err := Fit(rectangle[:marks], read)
		if err != nil {
			var e *Error
			if !errors.As(err, &e) || e.Field == "" || e.Message == "" {
				t.Fatalf("%v is no error of ours", err)
			}
			return
		}
		if !q.complete() {
			t.Fatalf("%+v of %v", q, read)
		}
		if marks < 4 && q.MaxResidualUm > 1e-6*mostUm {
			t.Fatalf("residual %v of a fit that should be exact: %v", q.MaxResidualUm, read)
		}
		if v := Judge(q, Limits{}); v.Accepted != (v.Reason == "") || v.Accepted != (len(v.Causes) == 0) {
			t.Fatalf("%+v contradicts itself", v)
		}
		if d := fit.Determinant(); d == 0 || math.IsNaN(d) || math.IsInf(d, 0) {
			t.Fatalf("%+v flattens the panel", fit)
		}
		if _, _, err := Order(rectangle[:marks], read, Limits{}); err != nil {
			t.Fatal(err)
		}
	})
}
