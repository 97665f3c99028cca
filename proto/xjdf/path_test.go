package xjdf

import (
	"math"
	"strings"
	"testing"
)

func near(t *testing.T, what string, got, want, tolerance float64) {
	t.Helper()
	if math.IsNaN(got) || math.Abs(got-want) > tolerance {
		t.Errorf("%s is %.12g, want %.12g", what, got, want)
	}
}

// chords adds up n chords, with the error of the second order taken out (Richardson): another way to the same length.
func chords(c cubic, n int) float64 {
	sum := func(n int) float64 {
		length, last := 0.0, c[0]
		for i := 1; i <= n; i++ {
			p := c.at(float64(i) / float64(n))
			length += last.distance(p)
			last = p
		}
		return length
	}
	return (4*sum(2*n) - sum(n)) / 3
}

func TestCurveLength(t *testing.T) {
	// The parabola y = x^2 from 0 to 1, as a cubic: sqrt(5)/2 + asinh(2)/4, as any table of integrals has it.
	parabola := cubic{{0, 0}, {1. / 3, 0}, {2. / 3, 1. / 3}, {1, 1}}
	near(t, "parabola", parabola.length(), math.Sqrt(5)/2+math.Asinh(2)/4, 1e-9)
	near(t, "straight", cubic{{0, 0}, {10, 0}, {20, 0}, {30, 0}}.length(), 30, 1e-9)
	near(t, "there and back", cubic{{0, 0}, {40, 0}, {40, 0}, {0, 0}}.length(), 60, 1e-6)
	near(t, "nothing", cubic{{5, 5}, {5, 5}, {5, 5}, {5, 5}}.length(), 0, 0)
	for name, c := range map[string]cubic{
		"arch":     {{0, 0}, {0, 100}, {100, 100}, {100, 0}},
		"s":        {{0, 0}, {100, 0}, {0, 100}, {100, 100}},
		"loop":     {{0, 0}, {150, 100}, {-50, 100}, {100, 0}},
		"tight":    {{0, 0}, {100, 1}, {100, 1}, {0, 2}},
		"one side": {{0, 0}, {0, 0}, {50, 80}, {100, 0}},
	} {
		near(t, name, c.length(), chords(c, 20_000), 2e-6)
	}
	// A cusp: both ways are slow there, so the chords are few and the tolerance is theirs.
	cusp := cubic{{0, 0}, {100, 100}, {0, 100}, {100, 0}}
	near(t, "cusp", cusp.length(), chords(cusp, 200_000), 1e-4)
}

func TestEllipse(t *testing.T) {
	near(t, "circle", ellipseLength(3, 3), 6*math.Pi, 1e-12)
	near(t, "flat", ellipseLength(0, 7), 28, 0)
	// 4 E(m) with m = 1/2: E = 1.3506438810 (Abramowitz and Stegun, table 17.1).
	near(t, "m = 1/2", ellipseLength(1, math.Sqrt(0.5)), 4*1.3506438810, 1e-9)
	// The same by adding up chords.
	sum, last := 0.0, point{150, 0}
	for i := 1; i <= 1_000_000; i++ {
		w := 2 * math.Pi * float64(i) / 1_000_000
		p := point{150 * math.Cos(w), 75 * math.Sin(w)}
		sum += last.distance(p)
		last = p
	}
	near(t, "150 by 75", ellipseLength(75, 150), sum, 1e-6)
}

// TestPaths holds lines, length, corners and ways between: by hand. Corners are turns by more than 30 degrees.
func TestPaths(t *testing.T) {
	for _, tt := range []struct {
		path           string
		lines, corners int
		length, travel float64
	}{
		{"", 0, 0, 0, 0},
		{"0 0 m", 0, 0, 0, 0},
		{"0 0 m 5 5 m h", 0, 0, 0, 0},
		{"0 0 30 40 re", 1, 4, 140, 0},
		{"30 40 -30 -40 re", 1, 4, 140, 0},
		{"0 0 m 30 0 l 30 40 l 0 40 l h", 1, 4, 140, 0},
		{"0 0 m 30 0 l 30 40 l 0 40 l 0 0 l", 1, 4, 140, 0},
		{"0 0 m 30 0 l 30 40 l 0 40 l 0 0 l h", 1, 4, 140, 0},
		{"0 0 m 30 0 l 30 40 l 0 40 l", 1, 2, 100, 0},
		{"0 0 m 10 0 l 10 0 l 20 0 l", 1, 0, 20, 0},
		{"0 0 m 9 0 l 18 5 l", 1, 0, 9 + math.Hypot(9, 5), 0},           // 29 degrees
		{"0 0 m 9 0 l 18 5.3 l", 1, 1, 9 + math.Hypot(9, 5.3), 0},       // 30.5 degrees
		{"0 0 m 3 0 l 3 4 m 3 9 l", 2, 0, 8, 4},                         // two lines
		{"0 0 3 3 re 6 0 l", 2, 4, 18, 0},                               // after a closed line the next begins where it began
		{"0 0 m 10 0 20 0 30 0 c 40 0 50 0 v 60 0 70 0 y", 1, 0, 70, 0}, // all on one line
		{"0 0 m 0 0 9 9 9 9 c 0 9 l", 1, 1, math.Hypot(9, 9) + 9, 0},    // control points on the ends
		{"+1 -.5 m 4. -.5 l", 1, 0, 3, 0},
		{"0 0 m 5 0 l h", 1, 2, 10, 0},
	} {
		got := tracePath(tt.path, maxSegments)
		if got.wrong != "" || got.lines != tt.lines || got.corners != tt.corners {
			t.Errorf("%s: %d lines, %d corners, %s; want %d and %d", tt.path, got.lines, got.corners, got.wrong, tt.lines, tt.corners)
		}
		near(t, tt.path+": length", got.length, tt.length, 1e-9)
		near(t, tt.path+": travel", got.travel, tt.travel, 1e-9)
	}
	// A circle of four curves: no corners, and as long as its curves; its box is that of the circle, not of the control points.
	circle := tracePath("10 0 m 10 5.5228 5.5228 10 0 10 c -5.5228 10 -10 5.5228 -10 0 c -10 -5.5228 -5.5228 -10 0 -10 c 5.5228 -10 10 -5.5228 10 0 c h", maxSegments)
	if circle.corners != 0 || circle.lines != 1 {
		t.Errorf("circle: %+v", circle)
	}
	near(t, "circle", circle.length, 4*chords(cubic{{10, 0}, {10, 5.5228}, {5.5228, 10}, {0, 10}}, 20_000), 4e-6)
	near(t, "left of the circle", circle.low.x, -10, 1e-9)
	near(t, "top of the circle", circle.high.y, 10, 1e-9)
	arch := tracePath("0 0 m 0 100 100 100 100 0 c", maxSegments)
	near(t, "top of an arch", arch.high.y, 75, 1e-9)
}

func TestBadPaths(t *testing.T) {
	for path, want := range map[string]string{
		"0 0 l":                           "has no current point",
		"h":                               "has no current point",
		"0 m":                             "m at place 2 has 1 number, not 2",
		"0 0 0 m":                         "has 3 numbers, not 2",
		"0 0 m 1 1 1 1 1 c":               "has 5 numbers, not 6",
		"0 0 m 1 2 3 4 5 6 7 c":           "more than 6 numbers",
		"0 0 m 1 1":                       "numbers without an operator",
		"0 0 M 1 1 L":                     `"M" at place 3 is not one of the operators`,
		"0 0 m 1e3 1 l":                   `"1e3" is not a number`,
		"0 0 m NaN 1 l":                   "not one of the operators",
		"0 0m":                            `"0m" is not a number`,
		"0 0 m 2000000000 0 l":            "beyond any measure",
		strings.Repeat("9", 400) + " 0 m": "beyond any measure",
	} {
		if got := tracePath(path, maxSegments); !strings.Contains(got.wrong, want) {
			t.Errorf("%s: %s, want %s", path, got.wrong, want)
		}
	}
}
