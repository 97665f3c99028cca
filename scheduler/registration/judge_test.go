package registration

import (
	"errors"
	"math"
	"slices"
	"strings"
	"testing"
)

// turned returns the map of a turn by degrees and scales along the panel's axes.
func turned(degrees, sx, sy float64) Transform {
	sin, cos := math.Sincos(degrees * math.Pi / 180)
	return Transform{A: sx * cos, B: -sy * sin, TX: 10000, C: sx * sin, D: sy * cos, TY: 20000}
}

func TestJudge(t *testing.T) {
	tests := []struct {
		name   string
		fit    Transform
		marks  int
		bad    float64 // added to the second reading, along x, micrometres
		limits Limits
		causes []Cause
		reason string // a part of it
	}{
		{name: "as printed", fit: turned(0, 1, 1), marks: 4},
		{name: "within all limits", fit: turned(4.9, 1.0099, 0.9901), marks: 4},
		{name: "other size", fit: turned(0, 1.05, 1), marks: 4, causes: []Cause{Scaled}, reason: "scale along x is 1.0500, off by +5.00 %, at most 1 %"},
		{name: "other size, two marks", fit: turned(0, 0.97, 0.97), marks: 2, causes: []Cause{Scaled, Scaled}, reason: "along y is 0.9700, off by -3.00 %"},
		{name: "wider limit", fit: turned(0, 1.05, 1), marks: 4, limits: Limits{ScaleShare: 0.06}},
		{name: "askew", fit: turned(-12, 1, 1), marks: 4, causes: []Cause{Rotated}, reason: "rotated by -12.00 degrees, at most 5"},
		{name: "turned", fit: turned(179, 1, 1), marks: 4, causes: []Cause{Turned}, reason: "180 degrees"},
		{name: "turned the other way", fit: turned(-178, 1, 1), marks: 2, causes: []Cause{Turned}, reason: "180 degrees"},
		{name: "across", fit: turned(-91, 1, 1), marks: 3, causes: []Cause{Across}, reason: "quarter turn"},
		{name: "skewed", fit: Transform{A: 1, B: 0.02, D: 1}, marks: 3, causes: []Cause{Skewed}, reason: "off the right angle by 1.146 degrees, at most 0.5"},
		{name: "face down", fit: Transform{A: -1, D: 1}, marks: 3, causes: []Cause{Mirrored}, reason: "face down"},
		{name: "face down, the other axis", fit: Transform{A: 1, D: -1}, marks: 4, causes: []Cause{Mirrored}, reason: "face down"},
		// One of four readings off by d leaves d/4 at each mark.
		{name: "reading off by 1.1 mm", fit: turned(0, 1, 1), marks: 4, bad: 1100},
		{name: "reading off by 1.3 mm", fit: turned(0, 1, 1), marks: 4, bad: 1300, causes: []Cause{Misfit}, reason: "0.325 mm from where the others put it, at most 0.300 mm"},
		{name: "everything wrong", fit: Transform{A: -1.2, D: 1.3}, marks: 4, bad: 5000, causes: []Cause{Mirrored, Scaled, Scaled, Misfit}, reason: "; its scale"},
	}
	for _, tt := range tests {
		read := apply(tt.fit, rectangle[:tt.marks])
		read[1].X += tt.bad
		_, q, err := Fit(rectangle[:tt.marks], read)
		if err != nil {
			t.Errorf("%s: %v", tt.name, err)
			continue
		}
		v := Judge(q, tt.limits)
		if v.Accepted != (tt.causes == nil) || !slices.Equal(v.Causes, tt.causes) || !strings.Contains(v.Reason, tt.reason) {
			t.Errorf("%s: %+v, want %v with %q", tt.name, v, tt.causes, tt.reason)
		}
		if !v.Accepted && !strings.HasPrefix(v.Reason, "cannot be the right panel: ") {
			t.Errorf("%s: reason %q", tt.name, v.Reason)
		}
		if (v.Note == "") != (tt.marks > 3) {
			t.Errorf("%s: note %q with %d marks", tt.name, v.Note, tt.marks)
		}
	}
}

func TestJudgeRefusesWhatItCannotJudge(t *testing.T) {
	_, q, err := Fit(rectangle, rectangle)
	if err != nil {
		t.Fatal(err)
	}
	for field, l := range map[string]Limits{
		"residual_um":      {ResidualUm: -1},
		"scale_share":      {ScaleShare: math.NaN()},
		"skew_degrees":     {SkewDegrees: math.Inf(1)},
		"rotation_degrees": {RotationDegrees: 46},
	} {
		v := Judge(q, l)
		if v.Accepted || !slices.Equal(v.Causes, []Cause{NoLimit}) || !strings.Contains(v.Reason, field) {
			t.Errorf("%+v: %+v, want %s refused", l, v, field)
		}
	}
	broken := q
	broken.Skew = math.NaN()
	short := q
	short.ResidualUm = nil
	for _, q := range []Quality{{}, broken, short} {
		if v := Judge(q, Limits{}); v.Accepted || !slices.Equal(v.Causes, []Cause{NoFit}) {
			t.Errorf("%+v: %+v, want it refused", q, v)
		}
	}
}

func TestOrder(t *testing.T) {
	skewed := turned(1, 1.002, 0.999)
	tests := []struct {
		name  string
		marks []Point
		fit   Transform
		order []int // reading i is that of mark order[i]
		want  []int
	}{
		{"in order", rectangle, skewed, []int{0, 1, 2, 3}, []int{0, 1, 2, 3}},
		{"two swapped", rectangle, skewed, []int{0, 2, 1, 3}, []int{0, 2, 1, 3}},
		{"round the wrong way", rectangle, skewed, []int{1, 0, 3, 2}, []int{1, 0, 3, 2}},
		{"begun at the third", rectangle, skewed, []int{2, 3, 0, 1}, []int{2, 3, 0, 1}},
		{"cycle", rectangle, skewed, []int{1, 2, 3, 0}, []int{3, 0, 1, 2}},
		{"three marks", rectangle[:3], skewed, []int{2, 1, 0}, []int{2, 1, 0}},
		{"two marks", rectangle[:2], skewed, []int{1, 0}, []int{1, 0}},
		{"wrong size", rectangle, turned(0, 1.1, 1.1), []int{0, 1, 2, 3}, nil},
		// A square looks the same face down: the hint is no proof.
		{"square face down", mm(0, 0, 100, 0, 100, 100, 0, 100), Transform{A: -1, D: 1, TX: 1e5}, []int{0, 1, 2, 3}, []int{1, 0, 3, 2}},
	}
	for _, tt := range tests {
		read := make([]Point, len(tt.marks))
		for i, j := range tt.order {
			read[i] = tt.fit.Apply(tt.marks[j])
		}
		got, ok, err := Order(tt.marks, read, Limits{})
		if err != nil || ok != (tt.want != nil) || !slices.Equal(got, tt.want) {
			t.Errorf("%s: %v %v %v, want %v", tt.name, got, ok, err, tt.want)
		}
	}
	// With a wide limit two orders of marks that are close together pass; the one that fits better is given.
	pair := append(mm(2, 0), rectangle...)
	if got, ok, err := Order(pair, pair, Limits{ResidualUm: 5000}); err != nil || !ok || !slices.Equal(got, []int{0, 1, 2, 3, 4}) {
		t.Errorf("two close marks: %v %v %v, want them in order", got, ok, err)
	}
	var e *Error
	if _, _, err := Order(make([]Point, 7), make([]Point, 7), Limits{}); !errors.As(err, &e) || e.Field != "nominal" {
		t.Errorf("seven marks: %v", err)
	}
	if _, _, err := Order(rectangle, rectangle[:1], Limits{}); !errors.As(err, &e) || e.Field != "read" {
		t.Errorf("a reading short: %v", err)
	}
	if _, _, err := Order(rectangle, rectangle, Limits{ScaleShare: -1}); !errors.As(err, &e) || e.Field != "scale_share" {
		t.Errorf("bad limit: %v", err)
	}
}
