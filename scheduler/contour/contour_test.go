package contour_test

import (
	"cmp"
	"fmt"
	"math"
	"os"
	"slices"
	"strings"
	"testing"

	"tandem/scheduler/contour"
)

func TestSamples(t *testing.T) {
	opt := contour.Options{Names: map[string]contour.Kind{
		"through": contour.Through, "kiss": contour.Kiss, "knife-film": contour.Kiss,
		"print": contour.Skip, "#0000ff": contour.Perforated, "#f00": contour.Through,
	}}
	const pt = 25.4 / 72
	letterA := 2*(18+math.Hypot(9, 27)) + 36 + 2*math.Hypot(36, 108) + 18
	for _, tc := range []struct {
		file                      string
		kiss, perforated, through float64
		corners                   int
	}{
		{"tide-sticker", 2 * math.Pi * 25, 0, 4*50 + 2*math.Pi*5, 0},
		{"hull-name", pt * (ellipsePerimeter(36, 54) + ellipsePerimeter(18, 36) + letterA + 24 + 2*math.Hypot(12, 36)), 0, 0, 11},
		{"quay-tag", 0, 2*(80-12) + 2*(50-12) + 2*math.Pi*6, 2 * math.Pi * 4, 0},
	} {
		file, err := os.ReadFile("../../testdata/tickets/contours/" + tc.file + ".svg")
		if err != nil {
			t.Fatal(err)
		}
		c := mustParse(t, file, opt)
		near(t, tc.file+" kiss", c.Figures[contour.Kiss].LengthMM, tc.kiss, 1e-9)
		near(t, tc.file+" perforated", c.Figures[contour.Perforated].LengthMM, tc.perforated, 1e-9)
		near(t, tc.file+" through", c.Figures[contour.Through].LengthMM, tc.through, 1e-9)
		if c.Figures[0].Corners != tc.corners {
			t.Errorf("%s: %d corners, want %d", tc.file, c.Figures[0].Corners, tc.corners)
		}
		if c.Figures[0].Closed != c.Figures[0].Contours {
			t.Errorf("%s: %d of %d closed", tc.file, c.Figures[0].Closed, c.Figures[0].Contours)
		}
	}
}

// distanceTo is how far p is from the polyline.
func distanceTo(p contour.Point, line []contour.Point) float64 {
	best := math.Inf(1)
	for i := 1; i < len(line); i++ {
		a, b := line[i-1], line[i]
		dx, dy := b.X-a.X, b.Y-a.Y
		t := ((p.X-a.X)*dx + (p.Y-a.Y)*dy) / (dx*dx + dy*dy)
		t = max(0, min(1, t))
		best = min(best, math.Hypot(p.X-a.X-t*dx, p.Y-a.Y-t*dy))
	}
	return best
}

// Hausdorff distance, sampled: no point of the curve is further from the polyline than the tolerance, and no point of the
// polyline further from the curve.
func TestFlatteningWithinTolerance(t *testing.T) {
	ellipse := func(w float64) contour.Point {
		return contour.Point{X: 500 + 100*math.Cos(w), Y: 500 + 40*math.Sin(w)}
	}
	bezier := func(x, y [4]float64) func(float64) contour.Point {
		return func(w float64) contour.Point {
			s, k := w/(2*math.Pi), 1-w/(2*math.Pi)
			at := func(c [4]float64) float64 {
				return k*k*k*c[0] + 3*k*k*s*c[1] + 3*k*s*s*c[2] + s*s*s*c[3]
			}
			return contour.Point{X: at(x), Y: at(y)}
		}
	}
	for _, tc := range []struct {
		name, body string
		curve      func(w float64) contour.Point // over 0 to 2 pi
	}{
		{"ellipse", `<ellipse cx="500" cy="500" rx="100" ry="40"/>`, ellipse},
		{"circle made an ellipse", `<circle r="1" transform="translate(500 500) scale(100 40)"/>`, ellipse},
		{"cubic", `<path d="M0 0C100 0 0 100 100 100"/>`, bezier([4]float64{0, 100, 0, 100}, [4]float64{0, 0, 100, 100})},
		{"cubic with a cusp", `<path d="M0 0C100 100 0 100 100 0"/>`, bezier([4]float64{0, 100, 0, 100}, [4]float64{0, 100, 100, 0})},
		{"cubic with a tight turn", `<path d="M0 0C100 1 100 1 0 2"/>`, bezier([4]float64{0, 100, 100, 0}, [4]float64{0, 1, 1, 2})},
		{"quadratic as a cubic", `<path d="M0 0Q30 60 90 0"/>`, bezier([4]float64{0, 20, 50, 90}, [4]float64{0, 40, 40, 0})},
	} {
		var curve []contour.Point
		for i := range 4001 {
			curve = append(curve, tc.curve(2*math.Pi*float64(i)/4000))
		}
		for _, um := range []int64{1, 10, 100} {
			line := mustParse(t, svg(tc.body), contour.Options{ToleranceUm: um}).Lines[0].Points
			worst, back := 0.0, 0.0
			for _, p := range curve {
				worst = max(worst, distanceTo(p, line))
			}
			for i := 1; i < len(line); i++ {
				middle := contour.Point{X: (line[i-1].X + line[i].X) / 2, Y: (line[i-1].Y + line[i].Y) / 2}
				back = max(back, distanceTo(middle, curve))
			}
			if most := float64(um)/1000*(1+1e-6) + 1e-9; worst > most || back > most+1e-4 { // 1e-4: the curve is sampled
				t.Errorf("%s at %d um: %.6f mm off, %.6f mm back, with %d points", tc.name, um, worst, back, len(line))
			}
		}
	}
}

func TestClosing(t *testing.T) {
	for d, want := range map[string]bool{
		"M0 0H10V10Z": true, "M0 0H10V10": false, "M0 0H10V10L0 0": true, "M0 0H10V10L0.0005 0": true,
		"M0 0H10V10L0.002 0": false, "M0 0L0.0001 0": false, "M0 0H5Z": true,
	} {
		line := mustParse(t, path(d), contour.Options{}).Lines[0]
		if line.Closed != want {
			t.Errorf("%s: closed %v", d, line.Closed)
		}
		if line.Closed && line.Points[0] != line.Points[len(line.Points)-1] {
			t.Errorf("%s does not end where it begins", d)
		}
	}
}

func TestCorners(t *testing.T) {
	for body, want := range map[string]int{
		`<rect width="9" height="9"/>`:                               4,
		`<rect width="9" height="9" rx="1"/>`:                        0,
		`<path d="M0 0h9v9"/>`:                                       1,
		`<path d="M0 0h9l9 5"/>`:                                     0, // 29 degrees
		`<path d="M0 0h9l9 5.3"/>`:                                   1, // 30.5 degrees
		`<path d="M0 0h9a5 5 0 0 1 5 5v9"/>`:                         0,
		`<path d="M0 0h9a5 5 0 0 0 5 5v9"/>`:                         2,
		`<path d="M0 0C5 0 5 0 10 0L20 0"/>`:                         0,
		`<path d="M0 0C0 0 9 9 9 9H0"/>`:                             1, // control points on the ends
		`<circle r="0.003"/>`:                                        0,
		`<path d="M0 0Q5 10 10 0Q15 10 20 0"/>`:                      1,
		`<path d="M0 0Q5 10 10 0T20 0"/>`:                            0,
		`<path d="M0 0h9v9h-9z" transform="skewX(40) scale(1 -2)"/>`: 4,
	} {
		if got := mustParse(t, svg(body), contour.Options{}).Figures[0].Corners; got != want {
			t.Errorf("%s: %d corners, want %d", body, got, want)
		}
	}
}

// label names a line by the whole numbers of its first point.
func label(l contour.Line) string { return fmt.Sprintf("%.0f,%.0f", l.Points[0].X, l.Points[0].Y) }

func TestOrder(t *testing.T) {
	opt := contour.Options{Names: map[string]contour.Kind{"t": contour.Through, "p": contour.Perforated}}
	for _, tc := range []struct{ name, body, want string }{
		{"kiss, perforated, through", `<rect class="t" width="9" height="9"/><rect x="1" class="p" width="9" height="9"/><rect x="2" width="9" height="9"/>`, "2,0 1,0 0,0"},
		{"inner before outer", `<rect width="90" height="90"/><rect x="1" y="1" width="80" height="80"/><rect x="40" y="40" width="1" height="1"/>`, "40,40 1,1 0,0"},
		{"open lines inside", `<rect width="90" height="90"/><path d="M50 50h5"/>`, "50,50 0,0"},
		{"nearest next", `<path d="M0 0h1M90 0h1M10 0h1M50 0h1M20 0h1"/>`, "0,0 10,0 20,0 50,0 90,0"},
		{"beside, though the box is inside", `<path d="M0 0H90V5H5V90H0Z"/><rect x="50" y="50" width="9" height="9"/>`, "0,0 50,50"},
		{"a letter is finished before the next", `<path d="M0 0h20v20h-20zM5 5h9v9h-9zM100 0h20v20h-20zM105 5h9v9h-9z"/>`, "5,5 0,0 105,5 100,0"},
		{"one on the other", `<rect width="9" height="9"/><rect width="9" height="9"/>`, "0,0 0,0"},
	} {
		var got []string
		for _, l := range mustParse(t, svg(tc.body), opt).Lines {
			got = append(got, label(l))
		}
		if s := strings.Join(got, " "); s != tc.want {
			t.Errorf("%s: %s, want %s", tc.name, s, tc.want)
		}
	}
}

// Greedy by comparing all with all must find the same distances as the tree.
func TestNearestAgainstAllPairs(t *testing.T) {
	type at struct{ x, y int }
	state := uint32(7)
	next := func(n int) int { // a fixed sequence
		state = state*1664525 + 1013904223
		return int(state>>8) % n
	}
	var left []at
	var d strings.Builder
	for range 800 {
		p := at{next(100_000), next(100_000)}
		left = append(left, p)
		fmt.Fprintf(&d, "M%d %dh0.5", p.x, p.y)
	}
	c := mustParse(t, []byte(`<svg width="100mm" height="100mm" viewBox="0 0 100000 100000"><path d="`+d.String()+`"/></svg>`), contour.Options{})
	x, y := 1e9, 1e9
	for _, p := range left {
		x, y = min(x, float64(p.x)), min(y, float64(p.y))
	}
	for i, l := range c.Lines {
		far := func(p at) float64 { return math.Hypot(float64(p.x)-x, float64(p.y)-y) }
		best := slices.MinFunc(left, func(a, b at) int { return cmp.Compare(far(a), far(b)) })
		got := at{int(math.Round(l.Points[0].X * 1000)), int(math.Round(l.Points[0].Y * 1000))}
		if far(got) > far(best)+1e-6 {
			t.Fatalf("line %d begins at %v, but %v is nearer to (%g, %g)", i, got, best, x, y)
		}
		left = slices.DeleteFunc(left, func(p at) bool { return p == got })
		x, y = l.Points[1].X*1000, l.Points[1].Y*1000
	}
}

func TestFiguresAndSummary(t *testing.T) {
	c := mustParse(t, path("M0 0h30v40h-30zM100 0h60"), contour.Options{})
	want := contour.Totals{Contours: 2, Closed: 1, Corners: 4, Segments: 5, CutUm: 200_000, TravelUm: 100_000, WidthUm: 160_000, HeightUm: 40_000}
	if s := c.Summary(); s.All != want || s.Kiss != want || s.Through != (contour.Totals{}) {
		t.Errorf("summary %+v, want %+v", s, want)
	}
	again := mustParse(t, path("M0 0h30v40h-30zM100 0h60"), contour.Options{})
	if fmt.Sprint(again) != fmt.Sprint(c) {
		t.Error("the same file gives another contour")
	}
}

func TestParseKind(t *testing.T) {
	for k := contour.Kiss; k <= contour.Skip; k++ {
		if got, err := contour.ParseKind(k.String()); err != nil || got != k {
			t.Errorf("%v is read as %v: %v", k, got, err)
		}
	}
	if _, err := contour.ParseKind("deep"); err == nil {
		t.Error("deep is taken")
	}
}
