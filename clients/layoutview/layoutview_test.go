package layoutview

import (
	"bytes"
	"encoding/xml"
	"errors"
	"fmt"
	"image/png"
	"io"
	"math"
	"slices"
	"strconv"
	"strings"
	"testing"
	"unicode"

	"google.golang.org/protobuf/proto"

	"tandem/clients/goldentest"
	tandemv1 "tandem/proto/tandem/v1"
)

func svgOf(t testing.TB, q *tandemv1.Quote) string {
	t.Helper()
	var b strings.Builder
	if err := SVG(&b, q); err != nil {
		t.Fatal(err)
	}
	return b.String()
}

func TestGoldenSVG(t *testing.T) {
	for name, q := range map[string]*tandemv1.Quote{"small": small(), "decals": decals()} {
		t.Run(name, func(t *testing.T) {
			goldentest.Compare(t, name+".svg", svgOf(t, q))
		})
	}
}

func TestSameQuoteSameBytes(t *testing.T) {
	for name, q := range map[string]*tandemv1.Quote{"decals": decals(), "gang": gangRun(), "long": longWeb(), "sheets": sheetsAndLabels()} {
		before := proto.Clone(q)
		var first, second bytes.Buffer
		for _, b := range []*bytes.Buffer{&first, &second} {
			if err := errors.Join(SVG(b, q), PNG(b, q)); err != nil {
				t.Fatal(err)
			}
		}
		if !bytes.Equal(first.Bytes(), second.Bytes()) {
			t.Errorf("%s: two pictures of one quote differ", name)
		}
		if !proto.Equal(before, q) {
			t.Errorf("%s: the quote was changed", name)
		}
	}
}

// element is what a picture may hold: anything else would be markup that came from a name.
type element struct {
	name, text string
	attributes map[string]string
}

// parse reads a picture and holds it to be well-formed XML 1.0 of the elements and attributes that the package draws with.
func parse(t testing.TB, picture string) []*element {
	t.Helper()
	allowed := map[string][]string{
		"svg":   {"version", "width", "height", "viewBox", "xmlns", "xlink"},
		"title": {},
		"path":  {"d", "fill"},
		"text":  {"x", "y", "style"},
		"tspan": {"x", "y", "style"},
	}
	var out, open []*element
	for d := xml.NewDecoder(strings.NewReader(picture)); ; {
		token, err := d.Token()
		if errors.Is(err, io.EOF) {
			if len(open) > 0 {
				t.Fatal("an element is not closed")
			}
			return out
		}
		if err != nil {
			t.Fatalf("not well-formed: %v", err)
		}
		switch token := token.(type) {
		case xml.StartElement:
			e := &element{name: token.Name.Local, attributes: map[string]string{}}
			names, ok := allowed[e.name]
			if !ok {
				t.Fatalf("element <%s>", e.name)
			}
			for _, a := range token.Attr {
				if !slices.Contains(names, a.Name.Local) {
					t.Fatalf("attribute %s of <%s>", a.Name.Local, e.name)
				}
				e.attributes[a.Name.Local] = a.Value
			}
			out, open = append(out, e), append(open, e)
		case xml.EndElement:
			open = open[:len(open)-1]
		case xml.CharData:
			if len(open) > 0 {
				open[len(open)-1].text += string(token)
			}
		default:
			t.Fatalf("neither an element nor text: %T", token)
		}
	}
}

func textOf(elements []*element) []string {
	var out []string
	for _, e := range elements {
		if e.name == "tspan" || e.name == "title" {
			out = append(out, e.text)
		}
	}
	return out
}

// rectangles reads the rectangles of all areas of one colour.
func rectangles(t *testing.T, elements []*element, fill string) []rect {
	t.Helper()
	var out []rect
	for _, e := range elements {
		if e.name != "path" || e.attributes["fill"] != fill {
			continue
		}
		for d := range strings.SplitSeq(strings.TrimSuffix(e.attributes["d"], "z"), "z") {
			var x1, y1, x2, y2, back float64
			if _, err := fmt.Sscanf(d, "M%f %fH%fV%fH%f", &x1, &y1, &x2, &y2, &back); err != nil || back != x1 {
				t.Fatalf("%q is no rectangle: %v", d, err)
			}
			out = append(out, rect{min(x1, x2), min(y1, y2), math.Abs(x2 - x1), math.Abs(y2 - y1)})
		}
	}
	return out
}

// TestPiecesAreDrawnWhereTheyLie compares the pieces of the picture with the layout, worked out by hand: 240 decals of
// 100 mm x 50 mm turned, 24 across, on a web of 1,370 mm that is drawn 460 units high.
func TestPiecesAreDrawnWhereTheyLie(t *testing.T) {
	const scale = 460 / 1370.0
	got := rectangles(t, parse(t, svgOf(t, decals())), hex(lookOf(0).tone))
	// The labels have plates of the same tone, and the legend a swatch of 28 x 15 each.
	got = slices.DeleteFunc(got, func(r rect) bool { return math.Abs(r.w-100*scale) > 0.02 || math.Abs(r.h-50*scale) > 0.02 })
	if len(got) != 240 {
		t.Fatalf("%d pieces drawn, want 240", len(got))
	}
	first, last := got[0], got[239]
	for _, tt := range []struct {
		what         string
		got, want, d float64
	}{
		{"first piece from the beginning of the web", first.x - webLeft, (50 + 10) * scale, 0.011},
		{"last piece from there", last.x - webLeft, (614 + 10 + 4*106) * scale, 0.011},
		{"first to last across the web", last.y - first.y, 23 * 56 * scale, 0.011},
	} {
		if math.Abs(tt.got-tt.want) > tt.d {
			t.Errorf("%s: %v units, want %v", tt.what, tt.got, tt.want)
		}
	}
}

func hex(c interface{ RGBA() (r, g, b, a uint32) }) string {
	r, g, b, _ := c.RGBA()
	return fmt.Sprintf("#%02x%02x%02x", r>>8, g>>8, b>>8)
}

// TestWords holds that a picture says in words what it shows, and what it does not.
func TestWords(t *testing.T) {
	tests := []struct {
		name  string
		quote *tandemv1.Quote
		want  []string
	}{
		{"decals", decals(), []string{
			"Layout of harbour-decals: Decals for the harbour office", "vinyl-white", "1370 mm", "544 mm", "p2: 120 pieces",
			"web 1370 mm wide, 1188 mm long  |  240 pieces on 2 panels  |  26.3 % waste",
			"A", "decal, Blue anchor", "240 pieces", "100 x 50 mm", "turned by 90°",
		}},
		{"gang", gangRun(), []string{"A  opening-hours", "cafe-door", "job cafe-door", "job fleet", "job tide-tables", "H  arrow-right", "40 x 1200 mm", "E", "fleet"}},
		{"long", longWeb(), []string{"from 8180 mm", "p24: 15 pieces", "180 pieces"}},
		{"sheets", sheetsAndLabels(), []string{
			"1 of 2: board-3mm", "sheets 700 mm x 1000 mm  |  18 pieces on 3 sheets  |  22 % waste", "p4, in part", "B  jar-label",
			"600 pieces more on these panels; the quote does not say where each of them lies.",
		}},
		{"small", small(), []string{"1 piece does not lie within the web and the panel: something is wrong with this layout.", "room for 2 more"}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			all := textOf(parse(t, svgOf(t, tt.quote)))
			for _, want := range tt.want {
				if !slices.ContainsFunc(all, func(s string) bool { return strings.Contains(s, want) }) {
					t.Errorf("the picture does not say %q", want)
				}
			}
		})
	}
}

// TestPNG looks at a picture's size, and at what colour it has where.
func TestPNG(t *testing.T) {
	var b bytes.Buffer
	if err := PNG(&b, decals()); err != nil {
		t.Fatal(err)
	}
	img, err := png.Decode(&b)
	if err != nil {
		t.Fatal(err)
	}
	if w := img.Bounds().Dx(); w != 1600 {
		t.Errorf("%d pixels wide, want 1600", w)
	}
	const scale = 460 / 1370.0
	for _, tt := range []struct {
		what   string
		y, x   float64 // millimetres along and across the web
		colour string
	}{
		{"within the edge", 300, 7, hex(rim)},
		{"before the first panel", 25, 685, hex(liner)},
		{"in a piece", 50 + 10 + 85, 15 + 12, hex(lookOf(0).tone)},
		{"between two panels", 604, 685, hex(liner)},
		{"in the gutter", 50 + 10 + 103, 300, hex(liner)},
	} {
		x, y := (webLeft+tt.y*scale)*pixels, (94+tt.x*scale)*pixels
		if got := hex(img.At(int(x), int(y))); got != tt.colour {
			t.Errorf("%s: colour %s, want %s", tt.what, got, tt.colour)
		}
	}
}

func TestNothingToDraw(t *testing.T) {
	for _, q := range []*tandemv1.Quote{nil, {}, {Job: &tandemv1.Job{Id: "x"}}} {
		if err := errors.Join(SVG(io.Discard, q), PNG(io.Discard, q)); !errors.Is(err, ErrNoLayouts) {
			t.Errorf("error %v, want ErrNoLayouts", err)
		}
	}
}

// TestShapesThatCannotBe: the error names the field.
func TestShapesThatCannotBe(t *testing.T) {
	for field, spoil := range map[string]func(*tandemv1.Layout){
		"layouts[0].web_width_um is 0":           func(l *tandemv1.Layout) { l.WebWidthUm = 0 },
		"layouts[0].length_um is -1":             func(l *tandemv1.Layout) { l.LengthUm = -1 },
		"layouts[0].length_um is 9":              func(l *tandemv1.Layout) { l.LengthUm = math.MaxInt64 },
		"layouts[0].edge_um":                     func(l *tandemv1.Layout) { l.EdgeUm = -1 },
		"layouts[0].sheet_length_um":             func(l *tandemv1.Layout) { l.SheetLengthUm = -1 },
		"layouts[0].panels[1].start_um is -":     func(l *tandemv1.Layout) { l.Panels[1].StartUm = math.MinInt64 },
		"layouts[0].panels[0].length_um is -":    func(l *tandemv1.Layout) { l.Panels[0].LengthUm = -7 },
		"layouts[0].panels[0].mark_band_um is -": func(l *tandemv1.Layout) { l.Panels[0].MarkBandUm = -7 },
	} {
		q := decals()
		spoil(q.GetLayouts()[0])
		if err := SVG(io.Discard, q); err == nil || !strings.HasPrefix(err.Error(), field) {
			t.Errorf("error %v, want %q", err, field)
		}
	}
}

var hostile = []string{
	`</text><script>alert(1)</script>`, `"/><image href="http://x.invalid/"/>`, `]]><!--`, `&lt;&#0;&bogus;`, `' onload='x`,
	"\x1b[2J\x00\x07\r\nnew line\u009b31m\x7f", "\xff\xfe not UTF-8 \xc3", "a\u202egpj.exe\u202c\u2066b", "שלום עולם 12 אבג", "مرحبا 34 ١٢", "日本語のステッカー",
	"\U0001f600\U0001f468\u200d\U0001f469\u200d\U0001f467", "e" + strings.Repeat("\u0301", 5000), strings.Repeat("long ", 200_000), "ﷺ", "\ufeff\u2028\u2029\u00ad", "",
}

// TestHostileNames: whatever a name holds, the picture stays well-formed, holds no more markup than before, and no text of
// it turns the direction of writing or fills the page.
func TestHostileNames(t *testing.T) {
	for i, name := range hostile {
		t.Run(strconv.Itoa(i), func(t *testing.T) { checkNames(t, name, i%4 == 0) })
	}
}

// checkNames draws a quote in which everything has that name. A bitmap takes as long as ten drawings: not every name needs one.
func checkNames(t testing.TB, name string, bitmap bool) {
	t.Helper()
	q := small()
	job := q.GetJob()
	job.Id, job.DisplayName = name, name
	job.Items = []*tandemv1.Item{{Id: name, DisplayName: name}}
	for _, l := range q.GetLayouts() {
		l.Media = name
		for _, p := range l.GetPanels() {
			p.Panel = name
			for _, piece := range p.GetPlacements() {
				piece.Item, piece.Job = piece.GetItem()[:1]+name, name
			}
		}
	}
	// A gang run writes its jobs, an ordinary job the names of its items.
	other := proto.CloneOf(q)
	other.Job.Members = nil
	other.Layouts = other.GetLayouts()[1:]
	for _, p := range other.GetLayouts()[0].GetPanels() {
		for _, piece := range p.GetPlacements() {
			piece.Item, piece.Job = name, ""
		}
	}
	for _, q := range []*tandemv1.Quote{q, other} {
		picture := svgOf(t, q)
		for _, text := range textOf(parse(t, picture)) {
			if i := strings.IndexFunc(text, func(r rune) bool { return !unicode.IsPrint(r) }); i >= 0 {
				t.Errorf("character %q in %q", text[i:], text)
			}
		}
		if len(picture) > 1<<18 {
			t.Errorf("%d bytes of SVG for a name of %d", len(picture), len(name))
		}
	}
	if bitmap {
		if err := PNG(io.Discard, q); err != nil {
			t.Error(err)
		}
	}
}

func FuzzNames(f *testing.F) {
	f.Add(hostile[0])
	f.Add(hostile[8])
	f.Fuzz(func(t *testing.T, name string) {
		if len(name) <= 1000 {
			checkNames(t, name, true)
		}
	})
}
