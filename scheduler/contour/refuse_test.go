package contour_test

import (
	"errors"
	"fmt"
	"math"
	"runtime"
	"strings"
	"testing"

	"tandem/scheduler/contour"
)

func TestRefused(t *testing.T) {
	page := func(attr, body string) string {
		return `<svg xmlns="http://www.w3.org/2000/svg" ` + attr + `>` + body + `</svg>`
	}
	d := func(d string) string { return page("", `<path d="M0 0h1"/><path d="`+d+`"/>`) }
	for _, tc := range []struct{ name, file, field, message string }{
		{"empty", ``, "", "empty"},
		{"no svg", `<html/>`, "", "svg element is expected"},
		{"another namespace", `<svg xmlns="urn:chart"/>`, "", "svg element is expected"},
		{"not closed", `<svg><path d="M0 0h1"/>`, "", "well-formed"},
		{"doctype", `<!DOCTYPE svg><svg><path d="M0 0h1"/></svg>`, "", "without DOCTYPE"},
		{"entities", `<!DOCTYPE svg [<!ENTITY a "b"><!ENTITY c SYSTEM "file:///quay">]><svg/>`, "", "without DOCTYPE"},
		{"unknown entity", `<svg><path d="&a;"/></svg>`, "", "entity"},
		{"second root", `<svg><path d="M0 0h1"/></svg><svg/>`, "", "after its svg"},
		{"nothing to cut", page("", "<text>quay</text>"), "", "convert text to paths"},
		{"attribute twice", page("", `<path d="M0 0" d="M0 0h1"/>`), "path[0].d", "twice"},
		{"relative unit", page(`width="10em" viewBox="0 0 1 1"`, ""), "svg.width", "no fixed length"},
		{"percentage", page(`width="50%" viewBox="0 0 1 1"`, ""), "svg.width", "no scale"},
		{"size of zero", page(`width="10" height="0"`, ""), "svg.height", "nothing to cut"},
		{"no length", page(`width="wide"`, ""), "svg.width", "is no length"},
		{"viewBox of three", page(`viewBox="0 0 1"`, ""), "svg.viewBox", "four numbers"},
		{"viewBox of five", page(`viewBox="0 0 1 1 1"`, ""), "svg.viewBox", "more than four"},
		{"viewBox of zero", page(`viewBox="0 0 0 1"`, ""), "svg.viewBox", "more than 0"},
		{"aspect", page(`viewBox="0 0 1 1" preserveAspectRatio="middle"`, ""), "svg.preserveAspectRatio", "alignment"},
		{"nested percentage of nothing", page("", `<rect width="50%" height="1"/>`), "rect[0].width", "without a size"},
		{"nested svg of nothing", page("", `<svg viewBox="0 0 1 1"/>`), "svg[1].width", "needs a width"},
		{"transform unknown", page("", `<g transform="turn(3)"/>`), "g[0].transform", "unknown"},
		{"transform of too many", page("", `<g/><g transform="matrix(1 2 3 4 5 6 7)"/>`), "g[1].transform", "more than six"},
		{"transform open", page("", `<g transform="scale(2"/>`), "g[0].transform", "not closed"},
		{"transform with a unit", page("", `<g transform="translate(2mm)"/>`), "g[0].transform", "not closed"},
		{"transform huge", page("", `<g transform="scale(1e9) scale(1e9)"/>`), "g[0].transform", "beyond"},
		{"transforms huge together", page("", `<g transform="scale(1e8)"><g transform="scale(1e8)"><path d="M0 0h1"/></g></g>`), "g[1]", "beyond"},
		{"transform in style", page("", `<path style="transform:scale(3)" d="M0 0h1"/>`), "path[0].style", "attribute instead"},
		{"transform origin", page("", `<path transform="scale(3)" transform-origin="1 1" d="M0 0h1"/>`), "path[0].transform-origin", "not read"},
		{"negative radius", page("", `<circle r="-1"/>`), "circle[0].r", "negative"},
		{"negative width", page("", `<rect width="-1" height="1"/>`), "rect[0].width", "negative"},
		{"odd points", page("", `<polygon points="1 2 3"/>`), "polygon[0].points", "pairs"},
		{"bad points", page("", `<polyline points="1 2 x"/>`), "polyline[0].points", "number is expected"},
		{"points end with a comma", page("", `<polyline points="1 2,3 4,"/>`), "polyline[0].points", "comma"},
		{"path without M", d("L1 1"), "path[1].d", "begins with M"},
		{"path of junk", d("M0 0X1"), "path[1].d", "no path command"},
		{"path short of a number", d("M0 0L1"), "path[1].d", "number is expected"},
		{"path with two commas", d("M0,,0"), "path[1].d", "number is expected"},
		{"path ends with a comma", d("M0 0L1 1,"), "path[1].d", "after the comma"},
		{"path with a number after z", d("M0 0h1z1"), "path[1].d", "no path command"},
		{"bad flag", d("M0 0a1 1 0 2 0 1 1"), "path[1].d", "arc flag"},
		{"infinity by name", d("M0 0LInf 0"), "path[1].d", "number is expected"},
		{"not a number by name", d("M0 0LNaN 0"), "path[1].d", "number is expected"},
		{"infinity by exponent", d("M0 0L1e400 0"), "path[1].d", "too large"},
		{"huge", d("M0 0L1e10 0"), "path[1].d", "too large"},
		{"huge by adding up", d("M0 0" + strings.Repeat("l9e8 0", 10)), "path[1].d", "from the origin"},
		{"huge control point", d("M0 0C9e8 9e8 0 0 1 1"), "path[1].d", "from the origin"},
		{"huge arc", d("M0 0A5e8 5e8 0 1 1 1 1"), "path[1].d", "from the origin"},
		{"arc of no width", d("M0 0A1e-300 1 0 0 1 9 1"), "path[1].d", "from the origin"},
		{"more than 100 m", page(`width="200m" viewBox="0 0 1 1"`, ""), "svg.width", "no fixed length"},
		{"wider than 100 m", page("", `<path d="M0 0h400000"/>`), "", "more than 100 m"},
		{"name that fills the page", page("", `<path d="`+strings.Repeat("junk", 100_000)+`"/>`), "path[0].d", "begins with M"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			_, err := contour.Parse([]byte(tc.file), contour.Options{})
			var bad *contour.Error
			if !errors.As(err, &bad) {
				t.Fatalf("error %v, want an *Error", err)
			}
			if bad.Field != tc.field || !strings.Contains(bad.Message, tc.message) || len(bad.Error()) > 300 {
				t.Errorf("error %q, want %q in field %q", bad, tc.message, tc.field)
			}
		})
	}
	for field, opt := range map[string]contour.Options{
		"options.default":      {Default: 9},
		"options.names":        {Names: map[string]contour.Kind{"a": 0}},
		"options.tolerance_um": {ToleranceUm: -1},
		"options.max_bytes":    {MaxBytes: -1},
		"options.max_segments": {MaxSegments: -1},
	} {
		var bad *contour.Error
		if _, err := contour.Parse(path("M0 0h1"), opt); !errors.As(err, &bad) || bad.Field != field {
			t.Errorf("error %v, want one about %s", err, field)
		}
	}
}

// Files that are made to be large inside. The ceilings on memory are several times what was measured.
func TestBombs(t *testing.T) {
	large := contour.Options{MaxBytes: 64 << 20}
	nested := func(n int, most string) []byte {
		return svg(strings.Repeat("<g>", n) + most + strings.Repeat("</g>", n))
	}
	var rings strings.Builder
	for i := range 100_000 {
		fmt.Fprintf(&rings, `M%d %dh%dv%dh-%dz`, i, i, 900_000-2*i, 900_000-2*i, 900_000-2*i)
	}
	for _, tc := range []struct {
		name, message string
		file          []byte
		opt           contour.Options
		mib           uint64
	}{
		{"ten million lines in a path", "more than 1000000 segments", path("M0 0" + strings.Repeat("h1", 10_000_000)), large, 120},
		{"ten million points", "more than 1000000 segments", svg(`<polyline points="` + strings.Repeat("1 2 ", 10_000_000) + `"/>`), large, 300},
		{"curves of many chords", "segments", path("M0 0" + strings.Repeat("C9e5 0 0 9e5 9e5 9e5 0 9e5 0 0 0 0", 1000)), large, 120},
		{"paths of few lines each", "segments", svg(strings.Repeat(`<path d="M0 0`+strings.Repeat("h1v1", 500)+`"/>`, 1100)), large, 200},
		{"too many bytes", "bytes", path("M0 0" + strings.Repeat(" ", 9<<20)), contour.Options{}, 1},
		{"deep", "nested more than 64", nested(100_000, ""), contour.Options{}, 10},
		{"deep in what is ignored", "nested more than 64", svg("<defs>" + strings.Repeat("<g>", 100_000)), contour.Options{}, 10},
		{"many elements", "more than 250000 elements", svg(strings.Repeat("<g/>", 300_000)), contour.Options{}, 200},
		{"many attributes", "attributes", []byte("<svg" + strings.Repeat(" a='b'", 500_000) + "/>"), contour.Options{}, 300},
	} {
		t.Run(tc.name, func(t *testing.T) {
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			_, err := contour.Parse(tc.file, tc.opt)
			runtime.ReadMemStats(&after)
			var bad *contour.Error
			if !errors.As(err, &bad) || !strings.Contains(bad.Message, tc.message) {
				t.Fatalf("error %v, want %q", err, tc.message)
			}
			got := (after.TotalAlloc - before.TotalAlloc) >> 20
			t.Logf("%d MiB in, %d MiB allocated", len(tc.file)>>20, got)
			if most := 2 * tc.mib; got > most { // the race detector takes its share
				t.Errorf("%d MiB allocated, want at most %d", got, most)
			}
		})
	}
	t.Run("many rings inside one another", func(t *testing.T) {
		c := mustParse(t, []byte(`<svg width="900mm" height="900mm" viewBox="0 0 900000 900000"><path d="`+rings.String()+`"/></svg>`), contour.Options{})
		if c.Figures[0].Contours != 100_000 || c.Ignored[0].Name != "nesting too deep to order" {
			t.Errorf("%d contours, ignored %v", c.Figures[0].Contours, c.Ignored)
		}
	})
}

func FuzzParse(f *testing.F) {
	for _, seed := range []string{
		`<svg><path d="M0 0h1"/></svg>`,
		`<svg width="10mm" height="10mm" viewBox="0 0 10 10"><g transform="rotate(30 1 2),skewX(3)"><rect rx="1" width="5" height="5"/></g></svg>`,
		`<svg width="1in" viewBox="0 0 1 1"><circle r="40%"/><ellipse rx="1" ry="2"/><line x2="1"/><polygon points="0 0 1 1 2 0"/></svg>`,
		`<svg><path d="M0 0C1 1 2 2 3 0S5 5 6 6Q7 7 8 8T9 9A5 4 3 0 1 2 1Z m1 1h1v1z"/><text/><defs/></svg>`,
		`<svg><path d="M0 0C10 10 0 10 10 0a1e8 1 0 1 0 1 1"/><svg x="1" width="5" height="5" viewBox="0 0 1 1"/></svg>`,
		`<svg><path d="M0 0l1e-200 0l0 1e-200 1 1"/><path d="M0 0L10 0L0 0L.0005 0"/></svg>`,
		`<svg><path d="M0 0 1e-1 0e00 1e-6 0"/></svg>`, // closes by a hair
		`<svg><path d="M0 0Q1 0 0 0"/><path d="M1e-6 0C0 0 0 1e-7 1e-6 0z"/></svg>`,
		"\xff\xfe<\x00s\x00v\x00g\x00/\x00>\x00",
	} {
		f.Add([]byte(seed))
	}
	motion := contour.Motion{SpeedUmS: 600_000, AccelerationUmS2: 3_000_000, OvercutUm: 500}
	f.Fuzz(func(t *testing.T, file []byte) {
		for _, kind := range []contour.Kind{contour.Kiss, contour.Perforated} {
			c, err := contour.Parse(file, contour.Options{Default: kind, MaxSegments: 20_000})
			if err != nil {
				var bad *contour.Error
				if !errors.As(err, &bad) || bad.Message == "" {
					t.Fatalf("error %v is no *Error", err)
				}
				return
			}
			total := 0.0
			for _, l := range c.Lines {
				chords := 0.0
				for i := 1; i < len(l.Points); i++ {
					chords += math.Hypot(l.Points[i].X-l.Points[i-1].X, l.Points[i].Y-l.Points[i-1].Y)
				}
				if !(chords > 0) || chords > l.LengthMM*(1+1e-6)+1e-9 {
					t.Fatalf("chords of %g mm on a contour of %g mm", chords, l.LengthMM)
				}
				total += l.LengthMM
			}
			times, err := c.Time(motion)
			if err != nil {
				t.Fatal(err)
			}
			if least := total / 600 * 10 / 11; !(times.Cut.Seconds() >= least*(1-1e-6)-1e-6) || times.Travel < 0 || times.Tool < 0 {
				t.Fatalf("%v for %g mm", times, total)
			}
		}
	})
}
