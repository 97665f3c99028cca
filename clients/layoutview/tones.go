package layoutview

import (
	"image/color"
	"math"
)

// look tells the pieces of one item from those of others: by letter, by pattern and by tone.
type look struct {
	letter  string
	pattern int
	tone    color.RGBA // of the piece
	lines   color.RGBA // of its pattern
}

var tones = [...]struct{ tone, lines color.RGBA }{
	{color.RGBA{0xd9, 0xe6, 0xf4, 0xff}, color.RGBA{0x7c, 0x9f, 0xc6, 0xff}},
	{color.RGBA{0xfb, 0xe6, 0xc9, 0xff}, color.RGBA{0xcb, 0x98, 0x4e, 0xff}},
	{color.RGBA{0xd8, 0xee, 0xdc, 0xff}, color.RGBA{0x72, 0xae, 0x80, 0xff}},
	{color.RGBA{0xf6, 0xdc, 0xe8, 0xff}, color.RGBA{0xc9, 0x7f, 0xa4, 0xff}},
	{color.RGBA{0xe5, 0xdf, 0xf5, 0xff}, color.RGBA{0x97, 0x86, 0xcb, 0xff}},
	{color.RGBA{0xe9, 0xeb, 0xed, 0xff}, color.RGBA{0x93, 0x9c, 0xa5, 0xff}},
}

const patterns = 7

// lookOf returns the look of the item with the given number: 42 pairs of pattern and tone before one comes again, and
// letters for ever.
func lookOf(n int) look {
	t := tones[n%len(tones)]
	return look{letter: letters(n), pattern: n % patterns, tone: t.tone, lines: t.lines}
}

// letters counts A, B to Z, AA, AB and so on.
func letters(n int) string {
	s := ""
	for n++; n > 0; n = (n - 1) / 26 {
		s = string(rune('A'+(n-1)%26)) + s
	}
	return s
}

const (
	patternStep = 6.0
	patternLine = 0.7
)

// fillPattern adds the lines of a pattern inside a rectangle. They run through from piece to piece, and are added from
// right to left, since a rasterizer that keeps its cells in sorted lists finishes that sooner.
func fillPattern(a *area, pattern int, r rect) {
	if min(r.w, r.h) < patternStep {
		return
	}
	along, across, rising, falling := false, false, false, false
	switch pattern {
	case 0: // plain
	case 1:
		rising = true
	case 2:
		across = true
	case 3:
		falling = true
	case 4:
		along = true
	case 5:
		along, across = true, true
	case 6:
		rising, falling = true, true
	}
	if along {
		for y := lastLine(r.bottom()); y >= r.y; y -= patternStep {
			a.add(rect{r.x, y - patternLine/2, r.w, patternLine}.meet(r))
		}
	}
	if across {
		for x := lastLine(r.right()); x >= r.x; x -= patternStep {
			a.add(rect{x - patternLine/2, r.y, patternLine, r.h}.meet(r))
		}
	}
	if rising {
		for c := lastLine(r.right() + r.bottom()); c >= r.x+r.y; c -= patternStep {
			// x + y = c
			from, to := max(r.x, c-r.bottom()), min(r.right(), c-r.y)
			slanted(a, from, c-from, to, c-to)
		}
	}
	if falling {
		for c := lastLine(r.right() - r.y); c >= r.x-r.bottom(); c -= patternStep {
			// x - y = c
			from, to := max(r.x, c+r.y), min(r.right(), c+r.bottom())
			slanted(a, from, from-c, to, to-c)
		}
	}
}

func lastLine(to float64) float64 { return math.Floor(to/patternStep) * patternStep }

// slanted adds a bar from one point to another to its right, always turning the same way.
func slanted(a *area, x1, y1, x2, y2 float64) {
	if x2-x1 < 0.5 {
		return
	}
	const d = patternLine * math.Sqrt2 / 2
	a.quad(x1, y1-d, x2, y2-d, x2, y2+d, x1, y1+d)
}
