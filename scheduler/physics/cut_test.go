package physics

import (
	"errors"
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestCutter(t *testing.T) {
	const ms = time.Millisecond
	c := Cutter{
		SetUp: time.Minute, PerMark: 5 * time.Second, FeedUmS: 100_000, ToolMove: 50 * ms, Separation: 4 * time.Second,
		Measured: CutLine{Fixed: 10 * time.Second, PerPiece: 2 * time.Second, PerMetre: 3 * time.Second},
	}
	tests := []struct {
		name   string
		panel  CutPanel
		panels int
		want   time.Duration // by hand
	}{
		// 60 rectangles of 100 mm x 50 mm with full stops (1.2467 s each, trapezoid profile): 10 s feed, 20 s marks, 60 *
		// (1.2467 + 2*0.05) s.
		{"kiss cut", CutPanel{LengthUm: 1e6, Marks: 4, Pieces: 60, Passes: 1, PieceTime: 1246700 * time.Microsecond, Strokes: 1}, 1, 60*time.Second + 30*time.Second + 80802*ms},
		{"two passes, two contours, separated", CutPanel{LengthUm: 1e6, Marks: 4, Pieces: 10, Passes: 2, PieceTime: time.Second, Strokes: 2, Separate: true}, 1, 60*time.Second + 30*time.Second + 24*time.Second + 4*time.Second},
		{"three panels", CutPanel{LengthUm: 1e6, Marks: 4, Pieces: 10, Passes: 1, PieceTime: time.Second}, 3, 60*time.Second + 3*40*time.Second},
		{"measured line", CutPanel{Marks: 4, Pieces: 10, Passes: 1, PathUm: 5e6}, 1, 60*time.Second + 20*time.Second + 45*time.Second},
		{"measured line, two passes", CutPanel{Marks: 4, Pieces: 10, Passes: 2, PathUm: 5e6, Strokes: 9}, 1, 60*time.Second + 20*time.Second + 80*time.Second},
		{"only separated", CutPanel{LengthUm: 5e5, Passes: 1, Separate: true}, 2, 60*time.Second + 2*9*time.Second},
		{"no panels", CutPanel{Passes: 1, Marks: 4}, 0, 0},
	}
	for _, tt := range tests {
		if got, err := c.Time(tt.panel, tt.panels); got != tt.want || err != nil {
			t.Errorf("%s: %v, %v, want %v", tt.name, got, err, tt.want)
		}
	}
	c.FeedUmS = 0
	if got, err := c.PanelTime(CutPanel{LengthUm: 1e6, Marks: 1, Passes: 1}); got != 5*time.Second || err != nil {
		t.Errorf("flat bed: %v, %v, want 5 s", got, err)
	}
}

func TestCutterErrors(t *testing.T) {
	for field, change := range map[string]func(*Cutter, *CutPanel){
		"set_up":             func(c *Cutter, _ *CutPanel) { c.SetUp = -1 },
		"per_mark":           func(c *Cutter, _ *CutPanel) { c.PerMark = -1 },
		"feed_um_s":          func(c *Cutter, _ *CutPanel) { c.FeedUmS = -1 },
		"tool_move":          func(c *Cutter, _ *CutPanel) { c.ToolMove = -1 },
		"separation":         func(c *Cutter, _ *CutPanel) { c.Separation = -1 },
		"measured.fixed":     func(c *Cutter, _ *CutPanel) { c.Measured.Fixed = -1 },
		"measured.per_piece": func(c *Cutter, _ *CutPanel) { c.Measured.PerPiece = -1 },
		"measured.per_metre": func(c *Cutter, _ *CutPanel) { c.Measured.PerMetre = -1 },
		"length_um":          func(_ *Cutter, p *CutPanel) { p.LengthUm = -1 },
		"marks":              func(_ *Cutter, p *CutPanel) { p.Marks = -1 },
		"pieces":             func(c *Cutter, p *CutPanel) { c.ToolMove, p.Strokes, p.Pieces = time.Hour, 1000, 1e9 }, // overflow
		"passes":             func(_ *Cutter, p *CutPanel) { p.Passes = 0 },
		"piece_time":         func(_ *Cutter, p *CutPanel) { p.PieceTime = 0 },
		"strokes":            func(_ *Cutter, p *CutPanel) { p.Strokes = -1 },
		"path_um":            func(_ *Cutter, p *CutPanel) { p.PathUm = -1 },
	} {
		c, p := Cutter{}, CutPanel{Pieces: 1, Passes: 1, PieceTime: time.Second}
		change(&c, &p)
		_, err := c.Time(p, 1)
		wantField(t, "time", err, field)
	}
	_, err := Cutter{}.Time(CutPanel{Passes: 1}, -1)
	wantField(t, "negative", err, "panels")
	_, err = Cutter{PerMark: time.Hour * 1e5}.Time(CutPanel{Passes: 1, Marks: 1}, 1e9)
	wantField(t, "overflow", err, "panels")
	_, err = Cutter{ToolMove: time.Hour}.Time(CutPanel{Passes: 1000, Pieces: 1, PieceTime: 1, Strokes: mostUm}, 1)
	wantField(t, "overflow in a piece", err, "tool_move")
}

func TestPerforationStrokes(t *testing.T) {
	// 10 mm cut, 1 mm bridge (common practice, no source).
	for path, want := range map[int64]int64{0: 0, 1: 1, 11_000: 1, 11_001: 2, 1_100_000: 100} {
		if got, err := PerforationStrokes(path, 10_000, 1000); got != want || err != nil {
			t.Errorf("%d: %d, %v, want %d", path, got, err, want)
		}
	}
	for field, v := range map[string][3]int64{"path_um": {-1, 1, 1}, "cut_um": {1, 0, 1}, "bridge_um": {1, 1, -1}} {
		_, err := PerforationStrokes(v[0], v[1], v[2])
		wantField(t, field, err, field)
	}
}

// Panels add up, pieces never make it shorter, and nothing overflows.
func TestCutterAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		small := func(name string) time.Duration { return time.Duration(rapid.Int64Range(1, 1e10).Draw(t, name)) }
		c := Cutter{
			PerMark: small("mark"), FeedUmS: rapid.Int64Range(0, 1e6).Draw(t, "feed"), ToolMove: small("tool"), Separation: small("separation"),
			Measured: CutLine{Fixed: small("fixed"), PerPiece: small("piece"), PerMetre: small("metre")},
		}
		p := CutPanel{
			LengthUm: rapid.Int64Range(0, 1e7).Draw(t, "length"), Marks: rapid.IntRange(0, 40).Draw(t, "marks"), Pieces: rapid.IntRange(0, 10000).Draw(t, "pieces"),
			Passes: rapid.IntRange(1, 5).Draw(t, "passes"), Strokes: rapid.Int64Range(0, 100).Draw(t, "strokes"), PathUm: rapid.Int64Range(0, 1e9).Draw(t, "path"),
			PieceTime: rapid.SampledFrom([]time.Duration{0, time.Second}).Draw(t, "piece time"), Separate: rapid.Bool().Draw(t, "separate"),
		}
		time := func(p CutPanel, panels int) time.Duration {
			d, err := c.Time(p, panels)
			if err != nil {
				t.Fatal(err)
			}
			return d
		}
		a, b := rapid.IntRange(0, 20).Draw(t, "a"), rapid.IntRange(0, 20).Draw(t, "b")
		if time(p, a)+time(p, b) != time(p, a+b) {
			t.Errorf("%d and %d panels do not add up", a, b)
		}
		more := p
		more.Pieces++
		if time(more, 1) <= time(p, 1) {
			t.Errorf("a piece more takes no more")
		}
		more = p
		more.Passes++
		if time(more, 1) < time(p, 1) {
			t.Errorf("a pass more takes less")
		}
	})
}

func TestCutterNeverOverflows(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		d := func(name string) time.Duration {
			return time.Duration(rapid.Int64Range(0, math.MaxInt64).Draw(t, name))
		}
		n := rapid.IntRange(1, mostCount)
		c := Cutter{SetUp: d("set-up"), PerMark: d("mark"), FeedUmS: 1, ToolMove: d("tool"), Separation: d("separation"), Measured: CutLine{PerPiece: d("piece"), PerMetre: d("metre")}}
		p := CutPanel{
			LengthUm: mostUm, Marks: n.Draw(t, "marks"), Pieces: n.Draw(t, "pieces"), Passes: rapid.IntRange(1, mostPasses).Draw(t, "passes"), PieceTime: d("piece time"),
			Strokes: rapid.Int64Range(0, mostUm).Draw(t, "strokes"), PathUm: mostUm, Separate: true,
		}
		got, err := c.Time(p, n.Draw(t, "panels"))
		var e *Error
		if got < 0 || err != nil && (got != 0 || !errors.As(err, &e)) {
			t.Errorf("%v, %v", got, err)
		}
	})
}
