package contour_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"unicode/utf16"

	"tandem/scheduler/contour"
)

// svg wraps elements so that a user unit is a millimetre.
func svg(body string) []byte {
	return []byte(`<svg xmlns="http://www.w3.org/2000/svg" width="1000mm" height="1000mm" viewBox="0 0 1000 1000">` + body + `</svg>`)
}

func path(d string) []byte { return svg(`<path d="` + d + `"/>`) }

type failer interface {
	Helper()
	Errorf(string, ...any)
}

func mustParse(t testing.TB, file []byte, opt contour.Options) contour.Contour {
	t.Helper()
	c, err := contour.Parse(file, opt)
	if err != nil {
		t.Fatalf("parse %.200s: %v", file, err)
	}
	return c
}

func near(t failer, what string, got, want, relative float64) {
	t.Helper()
	if !(math.Abs(got-want) <= relative*math.Abs(want)) {
		t.Errorf("%s = %.12g, want %.12g within %g", what, got, want, relative)
	}
}

// simpson integrates f by Simpson's rule on many even panels: another rule than the one under test.
func simpson(f func(float64) float64, a, b float64) float64 {
	const n = 200_000
	h := (b - a) / n
	sum := f(a) + f(b)
	for i := 1; i < n; i++ {
		sum += f(a+float64(i)*h) * float64(2+2*(i%2))
	}
	return sum * h / 3
}

// ellipsePerimeter by the arithmetic-geometric mean (NIST Digital Library of Mathematical Functions, 19.8.6).
func ellipsePerimeter(a, b float64) float64 {
	x, y := max(a, b), min(a, b)
	c2 := x*x - y*y
	sum, power := x*x-c2/2, 1.0
	for range 60 {
		c := (x - y) / 2
		x, y = (x+y)/2, math.Sqrt(x*y)
		sum -= power * c * c
		power *= 2
	}
	return 2 * math.Pi * sum / x
}

// parabola is the closed form of the length of the quadratic Bezier curve (0,0) (p,q) (r,0), by the integral of
// sqrt(A t^2 + B t + C) (Abramowitz and Stegun 3.3.36-37).
func parabola(p, q, r float64) float64 {
	ax, ay, bx, by := r-2*p, -2*q, 2*p, 2*q
	a, b, c := 4*(ax*ax+ay*ay), 4*(ax*bx+ay*by), bx*bx+by*by
	primitive := func(t float64) float64 {
		s := math.Sqrt(a*t*t + b*t + c)
		return (2*a*t+b)/(4*a)*s + (4*a*c-b*b)/(8*a*math.Sqrt(a))*math.Log(2*math.Sqrt(a)*s+2*a*t+b)
	}
	return primitive(1) - primitive(0)
}

func TestLengthAgainstClosedForms(t *testing.T) {
	bezier := func(x, y [4]float64) float64 {
		derivative := func(c [4]float64, t float64) float64 {
			return 3*(1-t)*(1-t)*(c[1]-c[0]) + 6*(1-t)*t*(c[2]-c[1]) + 3*t*t*(c[3]-c[2])
		}
		return simpson(func(t float64) float64 { return math.Hypot(derivative(x, t), derivative(y, t)) }, 0, 1)
	}
	ellipticArc := func(a, b, from, to float64) float64 {
		return simpson(func(w float64) float64 { return math.Hypot(a*math.Sin(w), b*math.Cos(w)) }, from, to)
	}
	near(t, "the test's own perimeter of a circle", ellipsePerimeter(1, 1), 2*math.Pi, 1e-14)
	near(t, "the test's own quadrature", ellipticArc(100, 40, 0, 2*math.Pi), ellipsePerimeter(100, 40), 1e-12)
	for _, tc := range []struct {
		name, body string
		want       float64
	}{
		{"circle", `<circle cx="50" cy="50" r="20"/>`, 2 * math.Pi * 20},
		{"small circle", `<circle cx="50" cy="50" r="0.2"/>`, 2 * math.Pi * .2},
		{"circle below the tolerance", `<circle cx="50" cy="50" r="0.004"/>`, 2 * math.Pi * .004},
		{"circle of two arcs", `<path d="M30 50a20 20 0 0 1 40 0 20 20 0 0 1-40 0z"/>`, 2 * math.Pi * 20},
		{"ellipse", `<ellipse cx="200" cy="100" rx="100" ry="40"/>`, ellipsePerimeter(100, 40)},
		{"long ellipse", `<ellipse cx="500" cy="100" rx="400" ry="1"/>`, ellipsePerimeter(400, 1)},
		{"circular arc", `<path d="M0 100A100 100 0 0 1 100 0"/>`, 50 * math.Pi},
		{"large circular arc", `<path d="M100 0A100 100 0 1 1 0 100"/>`, 150 * math.Pi},
		{"arc whose radius is too small", `<path d="M0 0A1 1 0 0 1 40 0"/>`, 20 * math.Pi},
		{"arc with negative radius", `<path d="M0 0A-20 20 0 0 1 40 0"/>`, 20 * math.Pi},
		{"arc with a radius of zero", `<path d="M0 0A0 20 0 0 1 40 30"/>`, 50},
		{"arc that is nearly straight", `<path d="M0 0A1e8 1e8 0 0 1 40 30"/>`, 50},
		{"elliptic arc, quarter", `<path d="M200 100A100 40 0 0 1 100 140"/>`, ellipticArc(100, 40, 0, math.Pi/2)},
		{
			"elliptic arc, turned", fmt.Sprintf(`<path d="M%.15g %.15gA100 40 30 0 1 %.15g %.15g"/>`,
				200+100*math.Cos(math.Pi/6), 200+100*math.Sin(math.Pi/6), 200-40*math.Sin(math.Pi/6), 200+40*math.Cos(math.Pi/6)),
			ellipticArc(100, 40, 0, math.Pi/2),
		},
		{"quadratic", `<path d="M0 0Q30 80 100 0"/>`, parabola(30, 80, 100)},
		{"quadratic, flat and back", `<path d="M0 0Q100 0 0 0"/>`, 100},
		{"cubic that is straight", `<path d="M0 0C10 10 20 20 30 30"/>`, 30 * math.Sqrt2},
		{"cubic that is a quadratic", fmt.Sprintf(`<path d="M0 0C20 %.15g %.15g %.15g 100 0"/>`,
			160.0/3, 30+70.0/3, 160.0/3), parabola(30, 80, 100)},
		{"cubic", `<path d="M0 0C100 0 0 100 100 100"/>`, bezier([4]float64{0, 100, 0, 100}, [4]float64{0, 0, 100, 100})},
		{"cubic with a loop", `<path d="M50 0C200 100 0 100 150 0"/>`, bezier([4]float64{50, 200, 0, 150}, [4]float64{0, 100, 100, 0})},
		{"cubic with a cusp", `<path d="M0 0C100 100 0 100 100 0"/>`, bezier([4]float64{0, 100, 0, 100}, [4]float64{0, 100, 100, 0})},
		{"semicubical parabola", `<path d="M0 0C0 0 100 0 150 150"/>`, bezier([4]float64{0, 0, 100, 150}, [4]float64{0, 0, 0, 150})},
		{"rect", `<rect x="1" y="2" width="30" height="40"/>`, 140},
		{"rounded rect", `<rect width="30" height="40" rx="5"/>`, 2*20 + 2*30 + 2*math.Pi*5},
		{"rounded rect, elliptic", `<rect width="30" height="40" rx="5" ry="8"/>`, 2*20 + 2*24 + ellipsePerimeter(5, 8)},
		{"rect with radii beyond its half", `<rect width="30" height="40" rx="50" ry="50"/>`, ellipsePerimeter(15, 20)},
		{"line", `<line x1="1" y1="1" x2="4" y2="5"/>`, 5},
		{"polyline", `<polyline points="0,0 3,4 3 14"/>`, 15},
		{"polygon", `<polygon points="0,0 3,4-3 4"/>`, 5 + 6 + 5},
		{"transform: turn", `<g transform="rotate(37 5 9)"><ellipse rx="100" ry="40"/></g>`, ellipsePerimeter(100, 40)},
		{"transform: uneven scale makes a circle an ellipse", `<circle r="10" transform="scale(10,4)"/>`, ellipsePerimeter(100, 40)},
		{"transform: mirror", `<ellipse rx="100" ry="40" transform="scale(-1 1)"/>`, ellipsePerimeter(100, 40)},
		{"transform: shear", `<rect width="10" height="10" transform="skewX(45)"/>`, 20 + 20*math.Sqrt2},
		{"transform: shear the other way", `<rect width="10" height="10" transform="skewY(45)"/>`, 20 + 20*math.Sqrt2},
		{"transform: matrix", `<line x2="3" y2="4" transform="matrix(2 0 0 2 7 7)"/>`, 10},
		{"transform: the list applies from the right", `<line x1="0" x2="1" transform="scale(3 1) rotate(90) scale(5 1)"/>`, 5},
		{"transform: nested", `<g transform="scale(2)"><g transform="translate(5,5),scale(3)"><line x2="1"/></g></g>`, 6},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := mustParse(t, svg(tc.body), contour.Options{})
			near(t, "length", c.Figures[0].LengthMM, tc.want, 1e-6)
		})
	}
}

// The rules of the path grammar (SVG 1.1 section 8.3, SVG 2 section 9.3), each beside a longer spelling of the same path.
func TestPathGrammar(t *testing.T) {
	for _, tc := range []struct{ name, short, long string }{
		{"relative", "m10 20l5 6h7v8z", "M10 20L15 26H22V34Z"},
		{"further pairs of M are lines", "M1 2 3 4 5 0", "M1 2L3 4L5 0"},
		{"further pairs of m are relative lines", "m1 2 3 4 5 1", "M1 2L4 6L9 7"},
		{"implicit repeat", "M0 0L10 0 10 10H5 3V8 2", "M0 0L10 0L10 10H5H3V8V2"},
		{"signs and points separate", "M0-5L.5.5-3+4", "M 0 -5 L 0.5 0.5 L -3 4"},
		{"exponents", "M1e1 2E+0L3.5e1,200e-2", "M10 2L35 2"},
		{"S mirrors the control point of C", "M0 0C0 10 10 10 10 0S20-10 20 0", "M0 0C0 10 10 10 10 0C10 -10 20 -10 20 0"},
		{"s alone has no control point to mirror", "M0 0L5 0s5 10 10 0", "M0 0L5 0C5 0 10 10 15 0"},
		{"S after Q does not mirror", "M0 0Q5 5 10 0S20-10 20 0", "M0 0Q5 5 10 0C10 0 20 -10 20 0"},
		{"T mirrors the control point of Q, again and again", "M0 0Q5 10 10 0T20 0 30 0", "M0 0Q5 10 10 0Q15 -10 20 0Q25 10 30 0"},
		{"T alone has no control point to mirror", "M0 0T20 10", "M0 0Q0 0 20 10"},
		{"relative curves", "M5 5c0 10 10 10 10 0s10-10 10 0q5 5 10 0t10 0", "M5 5C5 15 15 15 15 5S25 -5 25 5Q30 10 35 5T45 5"},
		{"arc flags need no separator", "M0 0a5 5 0 0110 0a5 5 0 1010 0", "M0 0A5 5 0 0 1 10 0A5 5 0 1 0 20 0"},
		{"after z the next piece begins at the start", "M5 5h5v5zl-1-1", "M5 5H10V10Z M5 5L4 4"},
		{"after z the next m is relative to the start", "m5 5h5v5zm1 1h2", "M5 5H10V10Z M6 6H8"},
		{"line ends", "M0 0\n\tL 1\r\n1", "M0 0L1 1"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			a := mustParse(t, path(tc.short), contour.Options{})
			b := mustParse(t, path(tc.long), contour.Options{})
			if fmt.Sprintf("%.9f", points(a)) != fmt.Sprintf("%.9f", points(b)) {
				t.Errorf("%s is\n%v, but %s is\n%v", tc.short, points(a), tc.long, points(b))
			}
			near(t, "length", a.Figures[0].LengthMM, b.Figures[0].LengthMM, 1e-12)
		})
	}
}

func points(c contour.Contour) (all [][]contour.Point) {
	for _, l := range c.Lines {
		all = append(all, l.Points)
	}
	return all
}

// The units of CSS Values and Units 3 section 5.2 and the rules of SVG 2 section 8.
func TestUnits(t *testing.T) {
	for _, tc := range []struct {
		name, root, body string
		want             float64
	}{
		{"mm", `width="100mm" height="50mm" viewBox="0 0 200 100"`, `<line x2="100"/>`, 50},
		{"cm", `width="10cm" height="5cm" viewBox="0 0 200 100"`, `<line x2="100"/>`, 50},
		{"in", `width="2in" height="1in" viewBox="0 0 2 1"`, `<line x2="1"/>`, 25.4},
		{"pt", `width="72pt" height="72pt" viewBox="0 0 1 1"`, `<line x2="1"/>`, 25.4},
		{"pc", `width="6pc" height="6pc" viewBox="0 0 1 1"`, `<line x2="1"/>`, 25.4},
		{"px", `width="96px" height="96" viewBox="0 0 1 1"`, `<line x2="1"/>`, 25.4},
		{"no size at all", ``, `<line x2="96"/>`, 25.4},
		{"a viewBox and no size", `viewBox="5 5 10 10"`, `<line x2="96"/>`, 25.4},
		{"100% is no size", `width="100%" height="100%" viewBox="0 0 10 10"`, `<line x2="96"/>`, 25.4},
		{"no viewBox", `width="10mm" height="10mm"`, `<line x2="96"/>`, 25.4},
		{"width alone", `width="50mm" viewBox="0 0 100 400"`, `<line x2="100" y2="0"/>`, 50},
		{"height alone", `height="50mm" viewBox="0 0 100 400"`, `<line x2="100"/>`, 12.5},
		{"meet takes the smaller scale", `width="100mm" height="100mm" viewBox="0 0 50 25"`, `<line y2="10"/>`, 20},
		{"slice takes the larger scale", `width="100mm" height="100mm" viewBox="0 0 50 25" preserveAspectRatio="xMinYMax slice"`, `<line y2="10"/>`, 40},
		{"none stretches", `width="100mm" height="100mm" viewBox="0 0 50 25" preserveAspectRatio="none"`, `<path d="M0 0H10V10"/>`, 20 + 40},
		{"lengths inside", `width="100mm" height="100mm"`, `<line x2="20mm" y1="0" y2="0in"/>`, 20},
		{"percentages inside", `width="100mm" height="50mm" viewBox="0 0 100 50"`, `<line x2="30%" y2="80%"/>`, 50},
		{"percentage of the diagonal", `width="30mm" height="40mm" viewBox="0 0 30 40"`, `<circle r="10%"/>`, 2 * math.Pi * 5 / math.Sqrt2},
		{"nested svg", `width="100mm" height="100mm" viewBox="0 0 100 100"`, `<svg x="5" y="5" width="50" height="50" viewBox="0 0 10 10"><line x2="1"/></svg>`, 5},
		{"nested svg without a size", `width="100mm" height="100mm" viewBox="0 0 100 100"`, `<svg viewBox="0 0 10 10"><line x2="1"/></svg>`, 10},
	} {
		t.Run(tc.name, func(t *testing.T) {
			c := mustParse(t, []byte(`<svg xmlns="http://www.w3.org/2000/svg" `+tc.root+`>`+tc.body+`</svg>`), contour.Options{})
			near(t, "length", c.Figures[0].LengthMM, tc.want, 1e-9)
		})
	}
}

// SVG 2 section 8.6: where a shape of another proportion is put.
func TestAlignment(t *testing.T) {
	for align, want := range map[string]contour.Point{
		"xMidYMid": {X: 25}, "xMinYMin": {}, "xMaxYMid meet": {X: 50},
	} {
		c := mustParse(t, []byte(`<svg width="100mm" height="50mm" viewBox="7 7 10 10" preserveAspectRatio="`+align+`"><rect x="7" y="7" width="10" height="10"/></svg>`), contour.Options{})
		if got := c.Figures[0].Box.Min; math.Hypot(got.X-want.X, got.Y-want.Y) > 1e-9 {
			t.Errorf("%s: the corner is at %v, want %v", align, got, want)
		}
		near(t, align+" width", c.Figures[0].Box.Width(), 50, 1e-9)
	}
}

func TestKindsAndIgnored(t *testing.T) {
	opt := contour.Options{
		Names:   map[string]contour.Kind{"Kiss Cut": contour.Kiss, "#F0F": contour.Through, "perf": contour.Perforated, "print": contour.Skip, "#00ff00": contour.Kiss},
		Default: contour.Through,
	}
	c := mustParse(t, []byte(`<?xml version="1.0" encoding="UTF-8"?><?note x?>
<svg xmlns="http://www.w3.org/2000/svg" xmlns:n="urn:note" width="100mm" height="100mm" viewBox="0 0 100 100">
<title>tide sticker</title><style>.a{}</style>
<g n:label="kiss cut"><rect width="10" height="10"/><rect class="x PERF" width="20" height="10"/></g>
<path stroke="rgb(255, 0,255)" d="M0 0h30"/><path style="stroke: #0F0 !important" d="M0 0h5"/>
<g id="print"><rect width="50" height="50"/></g>
<g display="none"><rect width="50" height="50"/></g><g style="display:none"><path d="M0 0h1"/></g>
<g visibility="hidden"><rect width="50" height="50"/><path visibility="visible" d="M0 0h7"/></g>
<defs><path d="M0 0h99"/></defs><clipPath><path d="M0 0h99"/></clipPath><text>12:40</text><text>x</text><image/><use/>
<path d="M5 5z"/><path d=""/><g transform="scale(0)"><path d="M0 0h1"/></g><n:view/>
</svg>`), opt)
	for kind, want := range map[contour.Kind]float64{contour.Kiss: 45, contour.Perforated: 60, contour.Through: 37} {
		near(t, kind.String(), c.Figures[kind].LengthMM, want, 1e-9)
	}
	got := fmt.Sprint(c.Ignored)
	want := "[{processing instruction 1} {title 1} {style 1} {skipped by name 1} {display:none 2} {visibility:hidden 1} {defs 1} " +
		"{clipPath 1} {text 2} {image 1} {use 1} {transform to nothing 1} {foreign view 1}]"
	if got != want {
		t.Errorf("ignored\n%s, want\n%s", got, want)
	}
	s := c.Summary()
	if s.All.CutUm != 142_000 || s.Kiss.Contours != 2 || s.Perforated.Closed != 1 || s.Through.Contours != 2 || s.Perforated.WidthUm != 20_000 {
		t.Errorf("summary %+v", s)
	}
}

func TestIgnoredIsBounded(t *testing.T) {
	var b strings.Builder
	for i := range 5000 {
		fmt.Fprintf(&b, "<x%d/>", i)
	}
	c := mustParse(t, svg(b.String()+`<path d="M0 0h1"/>`), contour.Options{})
	if n := len(c.Ignored); n != 33 || c.Ignored[32] != (contour.Ignored{Name: "others", Count: 5000 - 32}) {
		t.Errorf("%d names, the last %v", n, c.Ignored[n-1])
	}
}

func TestEncodings(t *testing.T) {
	text := `<?xml version="1.0" encoding="%s"?><svg width="10mm" height="10mm" viewBox="0 0 10 10"><title>Füllstrich ✂ 🎏</title><path d="M0 0h9"/></svg>`
	wide := func(s string, order string) []byte {
		var b []byte
		for _, u := range utf16.Encode([]rune(s)) {
			if order == "le" {
				b = append(b, byte(u), byte(u>>8))
			} else {
				b = append(b, byte(u>>8), byte(u))
			}
		}
		return b
	}
	plain, utf16Text := fmt.Sprintf(text, "utf-8"), fmt.Sprintf(text, "UTF-16")
	for name, file := range map[string][]byte{
		"utf-8": []byte(plain), "utf-8 with mark": []byte("\ufeff" + plain),
		"utf-16 le": wide("\ufeff"+utf16Text, "le"), "utf-16 be": wide("\ufeff"+utf16Text, "be"),
		"utf-16 without mark": wide(utf16Text, "le"),
	} {
		near(t, name, mustParse(t, file, contour.Options{}).Figures[0].LengthMM, 9, 1e-12)
	}
	for name, file := range map[string][]byte{
		"latin-1":              []byte(fmt.Sprintf(text, "ISO-8859-1")),
		"utf-16 in name only":  []byte(utf16Text),
		"utf-8 in name only":   wide("\ufeff"+plain, "le"),
		"half a unit":          wide("\ufeff"+utf16Text, "le")[:31],
		"half a pair":          append(wide("\ufeff", "le"), 0x3c, 0xd8),
		"no utf-8":             []byte("<svg><title>\xff\xfe</title></svg>"),
		"unpaired surrogate":   append(wide("\ufeff", "le"), 0x3c, 0xd8, 0x41, 0),
		"a zero byte in utf-8": []byte("<svg>\x00</svg>"),
	} {
		var bad *contour.Error
		if _, err := contour.Parse(file, contour.Options{}); !errors.As(err, &bad) {
			t.Errorf("%s: error %v, want an *Error", name, err)
		}
	}
}
