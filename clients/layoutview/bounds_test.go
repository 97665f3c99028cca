package layoutview

import (
	"fmt"
	"io"
	"math"
	"slices"
	"strings"
	"testing"

	"pgregory.net/rapid"

	tandemv1 "tandem/proto/tandem/v1"
)

// The bounds of a picture: its text as SVG, and its height, which with the fixed width is the memory of a PNG.
const (
	mostBytes  = 6 << 20
	mostHeight = 5000
)

func checkBounds(t *testing.T, q *tandemv1.Quote) string {
	t.Helper()
	p, err := draw(q)
	if err != nil {
		t.Fatal(err)
	}
	if p.height > mostHeight {
		t.Errorf("%v units high, want %d at most", p.height, mostHeight)
	}
	picture := svgOf(t, q)
	if len(picture) > mostBytes {
		t.Errorf("%d bytes of SVG, want %d at most", len(picture), mostBytes)
	}
	if err := PNG(io.Discard, q); err != nil {
		t.Error(err)
	}
	return strings.Join(textOf(parse(t, picture)), "\n")
}

// TestHugeQuotes: the picture stays within its bounds and says what it leaves out.
func TestHugeQuotes(t *testing.T) {
	one := func(l *tandemv1.Layout) *tandemv1.Quote { return &tandemv1.Quote{Layouts: []*tandemv1.Layout{l}} }
	tests := []struct {
		name  string
		quote func() *tandemv1.Quote
		want  string
	}{
		{"100,000 pieces on a panel", func() *tandemv1.Quote {
			return one(&tandemv1.Layout{WebWidthUm: 1370 * mm, LengthUm: 3000 * mm, Panels: []*tandemv1.PanelLayout{{
				Panel: "p1", LengthUm: 3000 * mm, Placements: grid("", "dot", 250, 400, 100_000, 0, 0, 5*mm, 7*mm, 400, true),
			}}})
		}, "pieces more than a picture can show are not drawn."},
		{"100,000 pieces, each an item of its own", func() *tandemv1.Quote {
			pieces := grid("", "", 250, 400, 100_000, 0, 0, 5*mm, 7*mm, 400, true)
			for i, p := range pieces {
				p.Item, p.Job = fmt.Sprintf("item-%d", i), fmt.Sprintf("job-%d", i%1000)
			}
			return one(&tandemv1.Layout{WebWidthUm: 1370 * mm, LengthUm: 3000 * mm, Panels: []*tandemv1.PanelLayout{{Panel: "p1", LengthUm: 3000 * mm, Placements: pieces}}})
		}, "99960 pieces of further items, without a letter and in one tone."},
		{"large pieces one upon the other", func() *tandemv1.Quote {
			var pieces []*tandemv1.Placement
			for i := range 100_000 {
				pieces = append(pieces, &tandemv1.Placement{Item: fmt.Sprintf("item-%d", i%40), WidthUm: 1370 * mm, HeightUm: 3000 * mm})
			}
			return one(&tandemv1.Layout{WebWidthUm: 1370 * mm, LengthUm: 3000 * mm, Panels: []*tandemv1.PanelLayout{{Panel: "p1", LengthUm: 3000 * mm, Placements: pieces}}})
		}, "are not drawn"},
		{"10,000 panels", func() *tandemv1.Quote {
			l := &tandemv1.Layout{WebWidthUm: 1370 * mm, LengthUm: 10_000_000 * mm}
			for i := range 10_000 {
				l.Panels = append(l.Panels, &tandemv1.PanelLayout{
					Panel: fmt.Sprintf("p%d", i), StartUm: int64(i) * 1000 * mm, LengthUm: 990 * mm, MarkBandUm: 10 * mm,
					Placements: grid("", "sign", 2, 2, 4, 15*mm, 10*mm, 600*mm, 400*mm, 6*mm, false),
				})
			}
			return one(l)
		}, "of this web are not drawn."},
		{"1,000 layouts", func() *tandemv1.Quote {
			q := &tandemv1.Quote{}
			for range 1000 {
				q.Layouts = append(q.Layouts, gangRun().GetLayouts()...)
			}
			return q
		}, "992 more layouts are not drawn."},
		{"a web as long and narrow as can be, in sheets of a micrometre", func() *tandemv1.Quote {
			return one(&tandemv1.Layout{WebWidthUm: 1, LengthUm: maxLength, SheetLengthUm: 1, EdgeUm: maxLength, Panels: []*tandemv1.PanelLayout{{LengthUm: maxLength, MarkBandUm: maxLength}}})
		}, "of this web are not drawn."},
		{"a web as wide and short as can be", func() *tandemv1.Quote {
			return one(&tandemv1.Layout{WebWidthUm: maxLength, LengthUm: 1, Panels: []*tandemv1.PanelLayout{{StartUm: maxLength, LengthUm: maxLength}}})
		}, "mm wide"},
		{"pieces beyond all numbers", func() *tandemv1.Quote {
			q := decals()
			l := q.GetLayouts()[0]
			l.Waste = math.NaN()
			for i, p := range l.GetPanels()[0].GetPlacements() {
				v := []int64{math.MaxInt64, math.MinInt64, -1, 0}[i%4]
				p.XUm, p.YUm, p.WidthUm, p.HeightUm = v, -v, v, v
			}
			l.GetPanels()[0].Placements = append(l.GetPanels()[0].Placements, nil, &tandemv1.Placement{})
			return q
		}, "122 pieces do not lie within"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			if words := checkBounds(t, tt.quote()); !strings.Contains(words, tt.want) {
				t.Errorf("the picture does not say %q:\n%.3000s", tt.want, words)
			}
		})
	}
}

// TestRowsCoverTheWeb: the rows follow one another without a gap, none is too long, and one is torn only where it could
// not end at a border.
func TestRowsCoverTheWeb(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		length := rapid.Int64Range(1, 1_000_000).Draw(t, "length")
		most := rapid.Int64Range(length/200+1, 2_000_000).Draw(t, "most")
		borders := rapid.SliceOfN(rapid.Int64Range(0, length), 0, 50).Draw(t, "borders")
		slices.Sort(borders)
		borders = append(borders, length)
		at, torn := int64(0), false
		rows := breakRows(length, most, borders, math.MaxInt)
		for i, r := range rows {
			if r.from != at || r.to <= r.from || r.to-r.from > most || r.tornAtFrom != torn {
				t.Fatalf("row %d is %+v, want one from %d of at most %d", i, r, at, most)
			}
			if atBorder := slices.Contains(borders, r.to); r.tornAtTo == atBorder && r.to-r.from < most {
				t.Fatalf("row %d is %+v: torn at a border, or whole without one", i, r)
			}
			at, torn = r.to, r.tornAtTo
		}
		if at != length || torn {
			t.Fatalf("the rows end at %d of %d", at, length)
		}
	})
}

// TestLooks: within the first 42 items no two share pattern and tone, and of two with the same tone or letter the pattern
// differs: the tone alone says nothing.
func TestLooks(t *testing.T) {
	for n := range 42 {
		for m := range n {
			a, b := lookOf(n), lookOf(m)
			if a.letter == b.letter || a.pattern == b.pattern && a.tone == b.tone || a.tone == b.tone && a.pattern == b.pattern {
				t.Errorf("items %d and %d look alike: %+v", n, m, a)
			}
		}
	}
	for n, want := range map[int]string{0: "A", 25: "Z", 26: "AA", 51: "AZ", 52: "BA", 701: "ZZ", 702: "AAA"} {
		if got := letters(n); got != want {
			t.Errorf("letters(%d) = %s, want %s", n, got, want)
		}
	}
}
