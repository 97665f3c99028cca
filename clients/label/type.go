package label

import (
	"fmt"
	"math"
	"slices"
	"strings"
	"unicode"

	"codeberg.org/go-fonts/liberation/liberationmonobold"
	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	"golang.org/x/image/font"
	"golang.org/x/image/font/sfnt"
	"golang.org/x/image/math/fixed"
	"golang.org/x/text/unicode/bidi"
	"golang.org/x/text/unicode/norm"

	"tandem/clients/celltext"
)

// Measures of the fonts, in parts of the em; a test holds them against what is drawn.
const (
	ascent      = 1.00 // above the base line: capitals with accents
	descent     = 0.22 // below it
	lineHeight  = ascent + descent
	capHeight   = 0.72
	leastShrink = 0.85 // a text that is too long shrinks so far before its end is left out
)

const (
	ellipsis = "…"
	hollow   = '□' // for a character that the fonts lack
	longest  = 300 // cells of a text that are looked at: no longer one fits a label
)

// fonts are what labels are written in. Code is the one whose zero has a dot inside.
type fonts struct{ plain, bold, code *typeface }

// typeface is a font in any size.
type typeface struct {
	name, style string // for the PDF
	ttf         []byte
	font        *sfnt.Font
	buffer      sfnt.Buffer
	advances    map[rune]float64 // at size 1
}

func newFonts() (*fonts, error) {
	var all [3]*typeface
	for i, f := range []struct {
		name, style string
		ttf         []byte
	}{
		{"text", "", liberationsansregular.TTF}, {"text", "B", liberationsansbold.TTF}, {"code", "B", liberationmonobold.TTF},
	} {
		parsed, err := sfnt.Parse(f.ttf)
		if err != nil {
			return nil, fmt.Errorf("load font: %w", err)
		}
		all[i] = &typeface{name: f.name, style: f.style, ttf: f.ttf, font: parsed, advances: map[rune]float64{}}
	}
	return &fonts{all[0], all[1], all[2]}, nil
}

// has reports whether the font has a picture of a character.
func (t *typeface) has(r rune) bool {
	i, err := t.font.GlyphIndex(&t.buffer, r)
	return err == nil && i != 0
}

// width returns how wide a text is, its em being so large.
func (t *typeface) width(size float64, s string) float64 {
	w := 0.0
	for _, r := range s {
		w += t.advance(r)
	}
	return w * size
}

func (t *typeface) advance(r rune) float64 {
	if w, ok := t.advances[r]; ok {
		return w
	}
	w := 0.0
	// A font that cannot be read has no glyph either: its width is nothing.
	if i, err := t.font.GlyphIndex(&t.buffer, r); err == nil {
		em := t.font.UnitsPerEm()
		if a, err := t.font.GlyphAdvance(&t.buffer, i, fixed.I(int(em)), font.HintingNone); err == nil {
			// In thousandths, as a PDF gives them: the letters then stand at the same places in both.
			w = math.Round(float64(a)/64/float64(em)*1000) / 1000
		}
	}
	t.advances[r] = w
	return w
}

// fit returns a text, or as much of its beginning as there is room for, with an ellipsis.
func (t *typeface) fit(size float64, s string, room float64) string {
	if t.width(size, s) <= room {
		return s
	}
	room -= t.width(size, ellipsis)
	runes := []rune(s)
	n, w := 0, 0.0
	for n < len(runes) {
		w += t.advance(runes[n]) * size
		if w > room {
			break
		}
		n++
	}
	if room < 0 {
		return ""
	}
	return strings.TrimRight(string(runes[:n]), " ") + ellipsis
}

// clean makes a foreign text fit for printing: on one line, without what a printer might obey, composed, and with a hollow
// square for each character that the fonts lack.
func (d *Document) clean(s string) string {
	s = norm.NFC.String(celltext.Short(s, longest))
	return strings.Map(func(r rune) rune {
		if r == hollow || d.fonts.plain.has(r) && d.fonts.bold.has(r) {
			return r
		}
		d.lacking[r] = true
		return hollow
	}, s)
}

// visual puts a text into the order in which its characters stand from left to right: UAX #9.
func visual(s string) string {
	if !strings.ContainsFunc(s, func(r rune) bool { return r >= 0x590 && r <= 0x8ff || r >= 0xfb1d && r <= 0xfdff }) {
		return s
	}
	var p bidi.Paragraph
	if _, err := p.SetString(s); err != nil {
		return s
	}
	order, err := p.Order()
	if err != nil {
		return s
	}
	// The library gives the runs in the order in which they are read. Rule L2: what lies deeper than the paragraph is turned
	// around as a whole; in a text from left to right that is a stretch of right-to-left runs with the numbers between them.
	var runs, stretch []string
	flush := func() {
		slices.Reverse(stretch)
		runs, stretch = append(runs, stretch...), nil
	}
	for i := range order.NumRuns() {
		run := order.Run(i)
		text := run.String()
		switch {
		case run.Direction() == bidi.RightToLeft:
			stretch = append(stretch, bidi.ReverseString(text))
		case !p.IsLeftToRight() || len(stretch) > 0 && !strings.ContainsFunc(text, unicode.IsLetter):
			stretch = append(stretch, text)
		default:
			flush()
			runs = append(runs, text)
		}
	}
	flush()
	return strings.Join(runs, "")
}
