package label

import (
	"fmt"
	"image/color"

	"github.com/boombuler/barcode"
	"github.com/boombuler/barcode/code128"
	"github.com/boombuler/barcode/datamatrix"
	"github.com/boombuler/barcode/qr"
)

// The least sizes of codes, in millimetres, and their quiet zones, in modules. The quiet zones are those of the standards,
// ISO/IEC 15417, 16022 and 18004, of Data Matrix twice as much; the sizes are common practice for a reader held in the hand.
const (
	leastBar    = 0.33 // width of the narrowest bar of Code 128
	leastTall   = 12.0 // height of its bars
	widestBar   = 0.51
	leastModule = 0.5 // of a matrix symbol
	mostModule  = 1.5

	quietBars = 10
	quietDM   = 2
	quietQR   = 4
)

// grid is the modules of a symbol: true is dark.
type grid [][]bool

// code128Of returns the bars of a payload as a grid of one row.
func code128Of(payload string) (grid, error) {
	b, err := code128.Encode(payload)
	if err != nil {
		return nil, fmt.Errorf("code 128 of %q: %w", payload, err)
	}
	return gridOf(b)[:1], nil
}

// matrixOf returns the modules of a payload.
func matrixOf(m Matrix, payload string) (grid, error) {
	var b barcode.Barcode
	var err error
	if m == QR {
		b, err = qr.Encode(payload, qr.Q, qr.Auto)
	} else {
		b, err = datamatrix.Encode(payload)
	}
	if err != nil {
		return nil, fmt.Errorf("%s of %q: %w", m, payload, err)
	}
	return gridOf(b), nil
}

func gridOf(b barcode.Barcode) grid {
	r := b.Bounds()
	g := make(grid, r.Dy())
	for y := range g {
		g[y] = make([]bool, r.Dx())
		for x := range g[y] {
			g[y][x] = color.Gray16Model.Convert(b.At(r.Min.X+x, r.Min.Y+y)).(color.Gray16).Y < 0x8000
		}
	}
	return g
}

func (m Matrix) quiet() int {
	if m == QR {
		return quietQR
	}
	return quietDM
}

// Symbol is a code as it stands on a page, in dots.
type Symbol struct {
	Kind    string // "code128", "datamatrix" or "qr"
	Payload string
	// Where it is, quiet zones included.
	X, Y, Width, Height int
	// Width of a module, and of the quiet zone on each side. Code 128 has quiet zones at its left and right only.
	Module, Quiet int

	modules grid
}

// matrixIn draws a matrix symbol as large as fits into a square at x, y, and returns its side, quiet zones included.
func (c canvas) matrixIn(x, y, side int, payload string) (int, error) {
	g, err := matrixOf(c.matrix, payload)
	if err != nil {
		return 0, err
	}
	quiet := c.matrix.quiet()
	module := min(side/(len(g)+2*quiet), dots(mostModule, c.dpi))
	if least := dotsAbove(leastModule, c.dpi); module < least {
		return 0, fmt.Errorf("%s of %s needs %d dots, and there is room for %d: use a larger stock or another code", c.matrix, payload, least*(len(g)+2*quiet), side)
	}
	side = module * (len(g) + 2*quiet)
	c.symbols = append(c.symbols, Symbol{string(c.matrix), payload, x, y, side, side, module, module * quiet, g})
	return side, nil
}

// barsFor returns the bars of a payload and the width of a module in dots, the widest for which there is room; 0 if there
// is not enough.
func (c canvas) barsFor(room int, payload string) (grid, int, error) {
	g, err := code128Of(payload)
	if err != nil {
		return nil, 0, err
	}
	module := min(room/(len(g[0])+2*quietBars), dots(widestBar, c.dpi))
	if module < dotsAbove(leastBar, c.dpi) {
		module = 0
	}
	return g, module, nil
}

// bars draws bars; its quiet zones begin at x.
func (c canvas) bars(x, y, height, module int, g grid, payload string) {
	quiet := quietBars * module
	c.symbols = append(c.symbols, Symbol{"code128", payload, x, y, len(g[0])*module + 2*quiet, height, module, quiet, g})
}

// tall is the height of bars in dots.
func (c canvas) tall() int { return dotsAbove(leastTall, c.dpi) }

// at returns where the modules of a symbol begin, and how high one is.
func (s *Symbol) at() (x, y, height int) {
	if s.Kind == "code128" {
		return s.X + s.Quiet, s.Y, s.Height
	}
	return s.X + s.Quiet, s.Y + s.Quiet, s.Module
}
