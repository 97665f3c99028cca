package contour_test

import (
	"errors"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"pgregory.net/rapid"

	"tandem/scheduler/contour"
)

// steady is 0.6 m/s and 3 m/s2, full stops at corners.
var steady = contour.Motion{SpeedUmS: 600_000, AccelerationUmS2: 3_000_000}

func cutTime(t testing.TB, file []byte, m contour.Motion) time.Duration {
	t.Helper()
	c := mustParse(t, file, contour.Options{})
	times, err := c.Time(m)
	if err != nil {
		t.Fatal(err)
	}
	return times.Cut
}

// Kinematics of a move from rest to rest: d/v + v/a from d = v^2/a on, else 2 sqrt(d/a), to four digits.
func TestTrapezoid(t *testing.T) {
	for d, want := range map[string]float64{
		"M0 0h100": .3651, "M0 0h50": .2582, "M0 0h100v50h-100z": 1.2467, "M0 0h500": 1.0333,
	} {
		if got := cutTime(t, path(d), steady).Seconds(); math.Abs(got-want) > 5e-5 {
			t.Errorf("%s takes %.5f s, want %.4f", d, got, want)
		}
	}
}

// A curve along a straight line goes to where it turns back, stops there, and goes on, however the file is turned: times from rest to
// rest as above. Turning points by hand: of 0 100 50 at t = 2/3, 66.667 mm; of 0 150 -50 100 at t = (1 -+ 1/sqrt 7)/2, 59.4491 and 40.5509
// mm; an ellipse without height, both ways over its width.
func TestFold(t *testing.T) {
	for _, test := range []struct {
		shape string
		legs  []float64 // m
	}{
		{`<path d="M0 0q100 0 50 0" %s/>`, []float64{.0666667, .0166667}},
		{`<path d="M0 0c150 0 -50 0 100 0" %s/>`, []float64{0.0594491, 0.0188982, 0.0594491}},
		{`<path d="M0 0q10 0 50 0" %s/>`, []float64{.05}},
		{`<path d="M0 0c0 0 50 0 50 0" %s/>`, []float64{.05}},
		{`<g %s><ellipse cx="0" cy="0" rx="50" ry="40" transform="scale(1 0.00000000001)"/></g>`, []float64{.1, .1}},
	} {
		want := 0.0
		for _, leg := range test.legs {
			want += 2 * math.Sqrt(leg/3)
		}
		for _, turn := range []int{0, 37, 90, 211} {
			drawn := fmt.Sprintf(test.shape, fmt.Sprintf(`transform="translate(300 300) rotate(%d)"`, turn))
			near(t, drawn, cutTime(t, svg(drawn), steady).Seconds(), want, 1e-6)
		}
	}
}

func TestJunction(t *testing.T) {
	// Two sides of 200 mm that meet under 20 degrees: v_j^2 = a delta s/(1-s), s = cos(10 deg).
	m := contour.Motion{SpeedUmS: 600_000, AccelerationUmS2: 3_000_000, JunctionDeviationUm: 50}
	s := math.Cos(10 * math.Pi / 180)
	vj, v, a := math.Sqrt(3*50e-6*s/(1-s)), .6, 3.0
	half := v/a + (v-vj)/a + (.2-v*v/(2*a)-(v*v-vj*vj)/(2*a))/v // from rest to v, down to v_j
	want := 2 * half
	sin, cos := math.Sincos(20 * math.Pi / 180)
	d := fmt.Sprintf("M0 300h200l%.15g %.15g", 200*cos, 200*sin)
	near(t, "time over a corner of 20 degrees", cutTime(t, path(d), m).Seconds(), want, 1e-6)

	m.FullStopAngle = 19
	near(t, "time with a full stop", cutTime(t, path(d), m).Seconds(), 2*(.2/.6+.6/3), 1e-6)
}

// On a circle the speed is sqrt(a r), whatever the tolerance: d/v + v/a with the length of the circle for d.
func TestCircleSpeed(t *testing.T) {
	for _, tolerance := range []int64{1, 10, 100} {
		for _, r := range []float64{2, 10, 50} {
			c := mustParse(t, svg(fmt.Sprintf(`<circle cx="500" cy="500" r="%g"/>`, r)), contour.Options{ToleranceUm: tolerance})
			times, err := c.Time(contour.Motion{SpeedUmS: 2_000_000, AccelerationUmS2: 1_000_000})
			if err != nil {
				t.Fatal(err)
			}
			v := math.Sqrt(1 * r / 1000)
			got, want := times.Cut.Seconds(), 2*math.Pi*r/1000/v+v/1
			if math.Abs(got/want-1) > .03 {
				t.Errorf("r %g mm, tolerance %d um: %.4f s, want %.4f", r, tolerance, got, want)
			}
		}
	}
}

func TestTool(t *testing.T) {
	m := steady
	m.ToolDown, m.ToolUp, m.KissPasses, m.TravelSpeedUmS = 40*time.Millisecond, 60*time.Millisecond, 2, 1_200_000
	// Two lines of 500 mm, 100 mm apart: four passes, three moves back or across.
	c := mustParse(t, path("M0 0h500M500 100h-500"), contour.Options{})
	got, err := c.Time(m)
	if err != nil {
		t.Fatal(err)
	}
	move := func(d float64) float64 { // m; reaches no 1.2 m/s below 0.48 m
		if d >= 1.2*1.2/3 {
			return d/1.2 + 1.2/3
		}
		return 2 * math.Sqrt(d/3)
	}
	near(t, "cut", got.Cut.Seconds(), 4*(.5/.6+.2), 1e-6)
	near(t, "tool", got.Tool.Seconds(), 4*.1, 1e-12)
	near(t, "travel", got.Travel.Seconds(), 2*move(.5)+move(.1), 1e-6)
	near(t, "next", got.Next.Seconds(), move(.5), 1e-6)

	m = steady
	m.OvercutUm = 20_000
	overcut := cutTime(t, path("M0 0h100v50h-100z"), m).Seconds()
	near(t, "overcut", overcut, 1.2467+2*math.Sqrt(.02/3), 1e-4)
	m.OvercutUm = 1_000_000 // all the way round again, not further
	near(t, "overcut round", cutTime(t, path("M0 0h100v50h-100z"), m).Seconds(), 2*1.2467, 1e-4)
}

func TestPerforation(t *testing.T) {
	m := steady
	m.ToolDown, m.ToolUp = 40*time.Millisecond, 60*time.Millisecond
	opt := contour.Options{Default: contour.Perforated}
	for _, tc := range []struct {
		d               string
		cut, bridges, n float64
	}{
		// 10 mm cut, 1 mm bridge: 110 mm have ten of both; 115 mm a dash of 5 mm more.
		{"M0 0h110", 20 * math.Sqrt(.01/3), 10, 10},
		{"M0 0h115", 20*math.Sqrt(.01/3) + 2*math.Sqrt(.005/3), 10, 11},
		// A corner at 15 mm: the second dash has 4 mm before and 6 mm behind it, and stops there.
		{"M0 0h15v18", 4*math.Sqrt(.01/3) + 2*math.Sqrt(.004/3) + 2*math.Sqrt(.006/3), 3, 3},
	} {
		c := mustParse(t, path(tc.d), opt)
		got, err := c.Time(m)
		if err != nil {
			t.Fatal(err)
		}
		near(t, tc.d+" cut", got.Cut.Seconds(), tc.cut, 1e-6)
		near(t, tc.d+" bridges", got.Travel.Seconds(), tc.bridges*2*math.Sqrt(.001/3), 1e-6)
		near(t, tc.d+" tool", got.Tool.Seconds(), tc.n*.1, 1e-9)
	}
}

func TestPieces(t *testing.T) {
	piece := contour.Times{Cut: 3 * time.Second, Travel: time.Second, Tool: 500 * time.Millisecond, Next: 200 * time.Millisecond}
	if got, err := piece.Pieces(100); err != nil || got != 450*time.Second+99*200*time.Millisecond {
		t.Errorf("%v, %v", got, err)
	}
	for _, refuse := range []struct {
		times contour.Times
		n     int32
	}{{piece, 0}, {piece, -1}, {contour.Times{Cut: math.MaxInt64}, 1}, {contour.Times{Next: math.MaxInt64 / 4}, 3}} {
		var bad *contour.Error
		if got, err := refuse.times.Pieces(refuse.n); !errors.As(err, &bad) || bad.Field != "pieces" {
			t.Errorf("%d pieces: %v, %v, want an error about pieces", refuse.n, got, err)
		}
	}
}

func TestMotionRefused(t *testing.T) {
	c := mustParse(t, path("M0 0h1"), contour.Options{})
	for field, spoil := range map[string]func(*contour.Motion){
		"motion.speed_um_s":            func(m *contour.Motion) { m.SpeedUmS = 0 },
		"motion.acceleration_um_s2":    func(m *contour.Motion) { m.AccelerationUmS2 = -1 },
		"motion.full_stop_angle":       func(m *contour.Motion) { m.FullStopAngle = math.NaN() },
		"motion.travel_speed_um_s":     func(m *contour.Motion) { m.TravelSpeedUmS = -1 },
		"motion.junction_deviation_um": func(m *contour.Motion) { m.JunctionDeviationUm = 1 << 40 },
		"motion.overcut_um":            func(m *contour.Motion) { m.OvercutUm = -1 },
		"motion.tool_up":               func(m *contour.Motion) { m.ToolUp = time.Hour },
		"motion.through_passes":        func(m *contour.Motion) { m.ThroughPasses = 101 },
		"motion.perforation_bridge_um": func(m *contour.Motion) { m.PerforationBridgeUm = -1 },
		"motion.perforation_cut_um":    func(m *contour.Motion) { m.PerforationCutUm = -1 },
	} {
		m := steady
		spoil(&m)
		var bad *contour.Error
		if _, err := c.Time(m); !errors.As(err, &bad) || bad.Field != field || bad.Message == "" {
			t.Errorf("error %v, want one about %s", err, field)
		}
		if m.Check() == nil {
			t.Errorf("Check takes a bad %s", field)
		}
	}
}

// drawShapes draws random contours: lines, curves and arcs, open and closed.
func drawShapes(t *rapid.T) string {
	number := func() float64 { return float64(rapid.IntRange(-400, 400).Draw(t, "n")) / 2 }
	d := ""
	for range rapid.IntRange(1, 3).Draw(t, "contours") {
		d += fmt.Sprintf("M%g %g", number(), number())
		for range rapid.IntRange(1, 5).Draw(t, "pieces") {
			switch rapid.IntRange(0, 4).Draw(t, "piece") {
			case 0:
				d += fmt.Sprintf("l%g %g", number(), number())
			case 1:
				d += curve("q", number(), number(), number(), number())
			case 2:
				d += curve("c", number(), number(), number(), number(), number(), number())
			case 4: // all points on one line: it may turn back on itself
				x, y, k := number(), number(), func() float64 { return float64(rapid.IntRange(-4, 4).Draw(t, "k")) / 2 }
				a, b, c := k(), k(), k()
				d += curve(rapid.SampledFrom([]string{"q", "c"}).Draw(t, "flat"), a*x, a*y, b*x, b*y, c*x, c*y)
			case 3:
				d += fmt.Sprintf("a%g %g %g %d %d %g %g", number(), number(), number(), rapid.IntRange(0, 1).Draw(t, "large"),
					rapid.IntRange(0, 1).Draw(t, "sweep"), number(), number())
			}
		}
		if rapid.Bool().Draw(t, "closed") {
			d += "z"
		}
	}
	return d
}

// curve writes a curve: q with the first four numbers, c with all six.
func curve(command string, n ...float64) string {
	if command == "q" {
		n = n[:4]
	}
	return command + strings.Trim(fmt.Sprint(n), "[]")
}

func TestTimeProperties(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := drawShapes(t)
		opt := contour.Options{Default: rapid.SampledFrom([]contour.Kind{contour.Kiss, contour.Perforated}).Draw(t, "kind")}
		c, err := contour.Parse(path(d), opt)
		if err != nil {
			t.Skip(err)
		}
		m := contour.Motion{
			SpeedUmS:         rapid.Int64Range(10_000, 2_000_000).Draw(t, "speed"),
			AccelerationUmS2: rapid.Int64Range(100_000, 30_000_000).Draw(t, "acceleration"),
			OvercutUm:        rapid.Int64Range(0, 5000).Draw(t, "overcut"),
		}
		m.TravelSpeedUmS = m.SpeedUmS
		time1 := func(c contour.Contour, m contour.Motion) contour.Times {
			times, err := c.Time(m)
			if err != nil {
				t.Fatal(err)
			}
			return times
		}
		slack := func(d time.Duration) time.Duration { return d + d/1_000_000 + 2 }
		base := time1(c, m)
		length := c.Figures[0].LengthMM
		if opt.Default == contour.Perforated {
			length -= length / 11 // bridges, at most
		}
		if least := time.Duration(length * 1000 / float64(m.SpeedUmS) * 1e9); slack(base.Cut) < least {
			t.Fatalf("%s: %v for %g mm, less than %v", d, base.Cut, length, least)
		}
		faster := m
		faster.SpeedUmS, faster.TravelSpeedUmS = 2*m.SpeedUmS, 2*m.SpeedUmS
		harder := m
		harder.AccelerationUmS2 += harder.AccelerationUmS2 / 2
		for _, better := range []contour.Motion{faster, harder} {
			if got := time1(c, better); got.Cut > slack(base.Cut) || got.Travel > slack(base.Travel) {
				t.Fatalf("%s: %+v takes %v, %+v takes %v", d, better, got, m, base)
			}
		}
		moved, err := contour.Parse(svg(fmt.Sprintf(`<path transform="translate(%d 33) rotate(%d)" d="%s"/>`,
			rapid.IntRange(-500, 500).Draw(t, "shift"), rapid.IntRange(1, 359).Draw(t, "turn"), d)), opt)
		if err != nil {
			t.Fatal(err)
		}
		near(t, d+" moved length", moved.Figures[0].LengthMM, c.Figures[0].LengthMM, 1e-8)
		near(t, d+" moved cut time", float64(time1(moved, m).Cut), float64(base.Cut), 1e-5)
	})
}
