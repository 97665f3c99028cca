package layout

import (
	"errors"
	"math"
	"strings"
	"testing"

	"pgregory.net/rapid"
)

const mmUm = 1000 // one millimetre

// The first case is computed: formulas of common practice, no source.
func TestRepeat(t *testing.T) {
	t.Parallel()
	web := Media{WidthUm: 1370 * mmUm}
	decal := Piece{ID: "decal", WidthUm: 100 * mmUm, HeightUm: 50 * mmUm, Quantity: 240, Rotate: true}
	upright := decal
	upright.Rotate = false
	type want struct {
		usedMm  int64
		rotated bool
		across  int
		rows    []int // of each panel
		made    int
	}
	tests := []struct {
		name  string
		media Media
		rules Rules
		piece Piece
		want  want
	}{
		{"turned is shorter", web, Rules{EdgeUm: 15 * mmUm, GutterUm: 6 * mmUm}, decal, want{1054, true, 24, []int{10}, 240}},
		{"upright only", web, Rules{EdgeUm: 15 * mmUm, GutterUm: 6 * mmUm}, upright, want{1114, false, 12, []int{20}, 240}},
		{
			"marks at most 600 mm apart", web,
			Rules{EdgeUm: 15 * mmUm, GutterUm: 6 * mmUm, MaxMarkDistanceUm: 600 * mmUm, MarkClearanceUm: 10 * mmUm},
			decal,
			want{2 * 524, true, 24, []int{5, 5}, 240},
		},
		{
			"with bands, gap, lead and tail", web,
			Rules{
				EdgeUm: 15 * mmUm, GutterUm: 6 * mmUm, MaxMarkDistanceUm: 600 * mmUm, MarkClearanceUm: 10 * mmUm,
				MarkBandUm: 15 * mmUm, LeadUm: 100 * mmUm, TailUm: 50 * mmUm, PanelGapUm: 20 * mmUm,
			},
			decal,
			want{100 + 2*(524+2*15) + 20 + 50, true, 24, []int{5, 5}, 240},
		},
		{
			"balanced: 11 rows over 3 panels", web,
			Rules{EdgeUm: 15 * mmUm, GutterUm: 6 * mmUm, MaxPanelUm: 524 * mmUm},
			with(decal, 241, 23),
			want{418 + 418 + 312, true, 24, []int{4, 4, 3}, 264},
		},
		{"the last row is filled", web, Rules{EdgeUm: 15 * mmUm, GutterUm: 6 * mmUm}, with(decal, 235, 2), want{1054, true, 24, []int{10}, 240}},
		{
			"a tie goes to fewer too many",
			Media{WidthUm: 100 * mmUm},
			Rules{},
			Piece{ID: "p", WidthUm: 20 * mmUm, HeightUm: 40 * mmUm, Quantity: 4, Rotate: true},
			want{40, true, 2, []int{2}, 4},
		},
		{
			"a tie in every respect stays upright",
			Media{WidthUm: 40 * mmUm},
			Rules{},
			Piece{ID: "p", WidthUm: 20 * mmUm, HeightUm: 40 * mmUm, Quantity: 2, Rotate: true},
			want{40, false, 2, []int{1}, 2},
		},
		{
			"sheets are filled one after the other",
			Media{WidthUm: 1000 * mmUm, LengthUm: 700 * mmUm, Sheet: true},
			Rules{EdgeUm: 10 * mmUm, GutterUm: 5 * mmUm, LeadUm: 10 * mmUm, TailUm: 10 * mmUm},
			Piece{ID: "p", WidthUm: 100 * mmUm, HeightUm: 100 * mmUm, Quantity: 120},
			want{3 * 700, false, 9, []int{6, 6, 2}, 126},
		},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			t.Parallel()
			l, err := Repeat(tt.media, tt.rules, tt.piece)
			if err != nil {
				t.Fatal(err)
			}
			if err := checkLayout(tt.media, tt.rules, []Piece{tt.piece}, l); err != nil {
				t.Error(err)
			}
			if l.UsedUm != tt.want.usedMm*mmUm || l.Counts[0].Made != tt.want.made {
				t.Errorf("uses %s for %d pieces, want %d mm for %d", mm(l.UsedUm), l.Counts[0].Made, tt.want.usedMm, tt.want.made)
			}
			var rows []int
			for _, p := range l.Panels {
				b := p.Blocks[0]
				if b.Across != tt.want.across || b.Rotated != tt.want.rotated {
					t.Errorf("%d across, rotated %v, want %d and %v", b.Across, b.Rotated, tt.want.across, tt.want.rotated)
				}
				for range p.Copies {
					rows = append(rows, b.Rows)
				}
			}
			if len(rows) != len(tt.want.rows) {
				t.Fatalf("rows %v, want %v", rows, tt.want.rows)
			}
			for i := range rows {
				if rows[i] != tt.want.rows[i] {
					t.Errorf("rows %v, want %v", rows, tt.want.rows)
				}
			}
		})
	}
}

func with(p Piece, quantity, overs int32) Piece {
	p.Quantity, p.Overs = quantity, overs
	return p
}

func TestRepeatMillionStaysSmall(t *testing.T) {
	media := Media{WidthUm: 100 * mmUm}
	rules := Rules{MaxPanelUm: 60 * mmUm}
	piece := Piece{ID: "p", WidthUm: 60 * mmUm, HeightUm: 60 * mmUm, Quantity: MaxPieces}
	allocs := testing.AllocsPerRun(1, func() {
		l, err := Repeat(media, rules, piece)
		if err != nil {
			t.Fatal(err)
		}
		n := 0
		for range l.Placements() {
			n++
		}
		if n != MaxPieces || l.NumPanels() != MaxPieces {
			t.Errorf("%d placements on %d panels", n, l.NumPanels())
		}
	})
	if allocs > 50 {
		t.Errorf("%v allocations for a million pieces", allocs)
	}
}

func TestRefuses(t *testing.T) {
	t.Parallel()
	media := Media{WidthUm: 1370 * mmUm}
	piece := Piece{ID: "p", WidthUm: 100 * mmUm, HeightUm: 50 * mmUm, Quantity: 10, Rotate: true}
	tests := []struct {
		name  string
		edit  func(m *Media, r *Rules, p *Piece)
		field string
		says  []string // parts of the message
	}{
		{"no width", func(m *Media, _ *Rules, _ *Piece) { m.WidthUm = 0 }, "media.width_um", nil},
		{"huge width", func(m *Media, _ *Rules, _ *Piece) { m.WidthUm = MaxWidthUm + 1 }, "media.width_um", []string{"10000 mm"}},
		{"negative roll", func(m *Media, _ *Rules, _ *Piece) { m.LengthUm = -1 }, "media.length_um", nil},
		{"sheet without length", func(m *Media, _ *Rules, _ *Piece) { m.Sheet = true }, "media.length_um", nil},
		{"short roll", func(m *Media, _ *Rules, _ *Piece) { m.LengthUm = 40 * mmUm }, "media.length_um", []string{"need 50 mm", "has 40 mm"}},
		{"negative edge", func(_ *Media, r *Rules, _ *Piece) { r.EdgeUm = -1 }, "rules.edge_um", nil},
		{"edges wider than the web", func(_ *Media, r *Rules, _ *Piece) { r.EdgeUm = 685 * mmUm }, "rules.edge_um", []string{"685 mm", "1370 mm"}},
		{"huge gutter", func(_ *Media, r *Rules, _ *Piece) { r.GutterUm = MaxGutterUm + 1 }, "rules.gutter_um", nil},
		{"huge band", func(_ *Media, r *Rules, _ *Piece) { r.MarkBandUm = math.MaxInt64 }, "rules.mark_band_um", nil},
		{"negative distance", func(_ *Media, r *Rules, _ *Piece) { r.MaxMarkDistanceUm = -5 }, "rules.max_mark_distance_um", nil},
		{"band without room for its mark", func(_ *Media, r *Rules, _ *Piece) { r.MarkBandUm, r.MarkClearanceUm = 1, 2 }, "rules.mark_band_um", nil},
		{"bands fill the panel", func(_ *Media, r *Rules, _ *Piece) { r.MaxPanelUm, r.MarkBandUm = 20, 10 }, "rules.max_panel_um", nil},
		{"clearance fills the distance", func(_ *Media, r *Rules, _ *Piece) { r.MaxMarkDistanceUm, r.MarkClearanceUm = 20, 10 }, "rules.max_mark_distance_um", nil},
		{"lead fills the sheet", func(m *Media, r *Rules, _ *Piece) { m.Sheet, m.LengthUm, r.LeadUm = true, 100, 100 }, "media.length_um", nil},
		{"negative piece", func(_ *Media, _ *Rules, p *Piece) { p.WidthUm = -1 }, "piece.width_um", nil},
		{"flat piece", func(_ *Media, _ *Rules, p *Piece) { p.HeightUm = 0 }, "piece.height_um", nil},
		{"huge piece", func(_ *Media, _ *Rules, p *Piece) { p.HeightUm = MaxSizeUm + 1 }, "piece.height_um", nil},
		{"none", func(_ *Media, _ *Rules, p *Piece) { p.Quantity = 0 }, "piece.quantity", []string{"at least 1"}},
		{"negative overs", func(_ *Media, _ *Rules, p *Piece) { p.Overs = -1 }, "piece.overs", nil},
		{"more than a million", func(_ *Media, _ *Rules, p *Piece) { p.Quantity, p.Overs = MaxPieces, 1 }, "piece.quantity", []string{"split"}},
		{"counts that would overflow", func(_ *Media, _ *Rules, p *Piece) { p.Quantity, p.Overs = math.MaxInt32, math.MaxInt32 }, "piece.quantity", nil},
		{
			"too wide both ways", func(_ *Media, r *Rules, p *Piece) {
				p.WidthUm, p.HeightUm, r.EdgeUm = 1400*mmUm, 1350*mmUm, 15*mmUm
			}, "piece.width_um", []string{"1400 mm", "1350 mm", "1340 mm", "upright and turned"},
		},
		{
			"too wide and not to be turned", func(_ *Media, _ *Rules, p *Piece) {
				p.WidthUm, p.Rotate = 1400*mmUm, false
			}, "piece.width_um", []string{"1400 mm", "1370 mm", "not allowed"},
		},
		{
			"longer than the marks reach", func(_ *Media, r *Rules, p *Piece) {
				p.WidthUm, p.HeightUm, r.MaxMarkDistanceUm = 700*mmUm, 700*mmUm, 600*mmUm
			}, "piece.height_um", []string{"700 mm", "600 mm", "rules.max_mark_distance_um"},
		},
		{
			"more media than can be counted", func(_ *Media, _ *Rules, p *Piece) {
				p.WidthUm, p.HeightUm, p.Quantity, p.Rotate = 1000*mmUm, MaxSizeUm, MaxPieces, false
			}, "piece.quantity", []string{"split"},
		},
	}
	for _, tt := range tests {
		m, r, p := media, Rules{}, piece
		tt.edit(&m, &r, &p)
		_, err := Repeat(m, r, p)
		checkRefusal(t, tt.name, err, tt.field, tt.says)
		_, err = Pack(m, r, []Piece{p}, Options{Evaluations: 5})
		field := strings.Replace(tt.field, "piece.", "pieces[0].", 1)
		if tt.name == "more media than can be counted" {
			field = "pieces"
		}
		checkRefusal(t, tt.name+", packed", err, field, tt.says)
	}
}

func checkRefusal(t *testing.T, name string, err error, field string, says []string) {
	t.Helper()
	refused, ok := errors.AsType[*Error](err)
	if !ok || refused.Field != field {
		t.Errorf("%s: got %v, want an error of %s", name, err, field)
		return
	}
	for _, part := range says {
		if !strings.Contains(refused.Error(), part) {
			t.Errorf("%s: %q does not say %q", name, refused.Error(), part)
		}
	}
}

// drawShop draws media and rules on which pieces of up to 100 by 100 fit, in coarse units so that edges meet often.
func drawShop(t *rapid.T) (Media, Rules) {
	um := func(name string, most int64) int64 { return rapid.Int64Range(0, most).Draw(t, name) }
	rules := Rules{
		EdgeUm: um("edge", 20), GutterUm: um("gutter", 9), MarkClearanceUm: um("clearance", 5),
		LeadUm: um("lead", 50), TailUm: um("tail", 50), PanelGapUm: um("gap", 20),
	}
	rules.MarkBandUm = rules.MarkClearanceUm + um("band", 5)
	if rapid.Bool().Draw(t, "limited by marks") {
		rules.MaxMarkDistanceUm = 2*rules.MarkClearanceUm + 100 + um("distance", 200)
	}
	if rapid.Bool().Draw(t, "limited panels") {
		rules.MaxPanelUm = 2*rules.MarkBandUm + 100 + um("panel", 200)
	}
	media := Media{WidthUm: 2*rules.EdgeUm + 100 + um("width", 300)}
	if media.Sheet = rapid.Bool().Draw(t, "sheet"); media.Sheet {
		media.LengthUm = rules.LeadUm + rules.TailUm + 2*rules.MarkBandUm + 100 + um("length", 300)
	}
	return media, rules
}

func drawPiece(t *rapid.T, id string, most int32) Piece {
	return Piece{
		ID: id, WidthUm: rapid.Int64Range(1, 100).Draw(t, "width"), HeightUm: rapid.Int64Range(1, 100).Draw(t, "height"),
		Quantity: rapid.Int32Range(1, most).Draw(t, "quantity"), Overs: rapid.Int32Range(0, 3).Draw(t, "overs"),
		Rotate: rapid.Bool().Draw(t, "rotate"),
	}
}

// onePerRow returns the length of media if every piece had a row of its own on one endless panel, upright.
func onePerRow(rules Rules, pieces []Piece) int64 {
	used := rules.LeadUm + rules.TailUm + 2*rules.MarkBandUm - rules.GutterUm
	for _, p := range pieces {
		used += int64(p.Quantity+p.Overs) * (p.HeightUm + rules.GutterUm)
	}
	return used
}

func endlessWeb(media Media, rules Rules) bool {
	return !media.Sheet && rules.MaxMarkDistanceUm == 0 && rules.MaxPanelUm == 0
}

func TestRepeatProperties(t *testing.T) {
	t.Parallel()
	rapid.Check(t, func(t *rapid.T) {
		media, rules := drawShop(t)
		piece := drawPiece(t, "p", 300)
		l, err := Repeat(media, rules, piece)
		if err != nil {
			t.Fatal(err)
		}
		if err := checkLayout(media, rules, []Piece{piece}, l); err != nil {
			t.Fatal(err)
		}
		if endlessWeb(media, rules) && l.UsedUm > onePerRow(rules, []Piece{piece}) {
			t.Errorf("uses %d, one per row %d", l.UsedUm, onePerRow(rules, []Piece{piece}))
		}
		least, most := math.MaxInt, 0
		for _, p := range l.Panels {
			least, most = min(least, p.Blocks[0].Rows), max(most, p.Blocks[0].Rows)
		}
		if !media.Sheet && most-least > 1 {
			t.Errorf("panels of %d to %d rows are not balanced", least, most)
		}
		if piece.Rotate {
			piece.Rotate = false
			if upright, err := Repeat(media, rules, piece); err != nil || upright.UsedUm < l.UsedUm {
				t.Errorf("upright alone uses %d (%v), with turning %d", upright.UsedUm, err, l.UsedUm)
			}
		}
	})
}
