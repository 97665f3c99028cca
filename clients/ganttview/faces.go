package ganttview

import (
	"fmt"
	"image/color"
	"math"

	"codeberg.org/go-fonts/liberation/liberationsansbold"
	"codeberg.org/go-fonts/liberation/liberationsansregular"
	xfont "golang.org/x/image/font"
	"golang.org/x/image/font/opentype"
	"gonum.org/v1/plot/font"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tandem/clients/celltext"
)

// family is what the SVG names the fonts. The usual sans-serif fonts of other systems have the same widths.
const family = "Liberation Sans"

// typeface is a font in any size.
type typeface struct {
	cache *font.Cache
	font  font.Font
}

func newTypefaces() (regular, bold *typeface, err error) {
	var all font.Collection
	for _, f := range []struct {
		ttf    []byte
		weight xfont.Weight
	}{{liberationsansregular.TTF, xfont.WeightNormal}, {liberationsansbold.TTF, xfont.WeightBold}} {
		face, err := opentype.Parse(f.ttf)
		if err != nil {
			return nil, nil, fmt.Errorf("load font: %w", err)
		}
		all = append(all, font.Face{Font: font.Font{Typeface: family, Weight: f.weight}, Face: face})
	}
	cache := font.NewCache(all)
	return &typeface{cache, all[0].Font}, &typeface{cache, all[1].Font}, nil
}

func (t *typeface) face(size float64) font.Face { return t.cache.Lookup(t.font, vg.Length(size)) }

// widerFonts is the room left for viewers whose font runs wider than the one that is measured.
const widerFonts = 1.15

// width returns the room that a text needs. Of characters that the font may lack, it goes by their cells.
func (t *typeface) width(size float64, text string) float64 {
	face := t.face(size)
	w := float64(face.Width(text)) * widerFonts
	for _, r := range text {
		if r > 0x24f {
			return max(w, 0.6*size*float64(celltext.Width(text)))
		}
	}
	return w
}

// longest text that is looked at, in cells: no wider one fits the page.
const longest = 250

// fit returns a text, made clean, or as much of its beginning as there is room for.
func (t *typeface) fit(size float64, text string, room float64) string {
	return celltext.Fit(text, longest, room, func(s string) float64 { return t.width(size, s) })
}

// pen draws on a page whose origin is at the top left; y grows downwards.
type pen struct {
	draw.Canvas
	height float64
}

// fine rounds to a hundredth, so that the picture is the same on every machine.
func fine(v float64) float64 { return math.Round(v*100) / 100 }

func (p pen) at(x, y float64) vg.Point {
	return vg.Point{X: vg.Length(fine(x)), Y: vg.Length(fine(p.height - y))}
}

// rect is a rectangle: its corner at the top left, its width and its height.
type rect struct{ x, y, w, h float64 }

func (r rect) right() float64  { return r.x + r.w }
func (r rect) bottom() float64 { return r.y + r.h }

func (p pen) polygon(fill color.Color, xy ...float64) {
	p.SetColor(fill)
	var path vg.Path
	path.Move(p.at(xy[0], xy[1]))
	for i := 2; i < len(xy); i += 2 {
		path.Line(p.at(xy[i], xy[i+1]))
	}
	path.Close()
	p.Fill(path)
}

func (p pen) box(r rect, fill color.Color) {
	p.polygon(fill, r.x, r.y, r.right(), r.y, r.right(), r.bottom(), r.x, r.bottom())
}

// frame draws the outline of a rectangle, inside it.
func (p pen) frame(r rect, width float64, line color.Color) {
	width = min(width, r.w/2, r.h/2)
	if width <= 0 {
		return
	}
	p.SetColor(line)
	p.SetLineDash(nil, 0)
	p.SetLineWidth(vg.Length(fine(width)))
	d := width / 2
	var path vg.Path
	path.Move(p.at(r.x+d, r.y+d))
	path.Line(p.at(r.right()-d, r.y+d))
	path.Line(p.at(r.right()-d, r.bottom()-d))
	path.Line(p.at(r.x+d, r.bottom()-d))
	path.Close()
	p.Stroke(path)
}

// line draws a line, broken if a length is given for its dashes.
func (p pen) line(x1, y1, x2, y2, width, dashes float64, colour color.Color) {
	p.SetColor(colour)
	p.SetLineWidth(vg.Length(width))
	p.SetLineDash(nil, 0)
	if dashes > 0 {
		p.SetLineDash([]vg.Length{vg.Length(dashes), vg.Length(dashes)}, 0)
	}
	var path vg.Path
	path.Move(p.at(x1, y1))
	path.Line(p.at(x2, y2))
	p.Stroke(path)
	p.SetLineDash(nil, 0)
}

// hatch draws slanted lines inside a rectangle. They run through from one to the next.
func (p pen) hatch(r rect, colour color.Color) {
	const step = 4.0
	var path vg.Path
	for c := math.Ceil((r.x+r.y)/step) * step; c < r.right()+r.bottom(); c += step {
		// x + y = c
		from, to := max(r.x, c-r.bottom()), min(r.right(), c-r.y)
		if to-from > 0.3 {
			path.Move(p.at(from, c-from))
			path.Line(p.at(to, c-to))
		}
	}
	if len(path) == 0 {
		return
	}
	p.SetColor(colour)
	p.SetLineDash(nil, 0)
	p.SetLineWidth(0.7)
	p.Stroke(path)
}

// text puts a text, clean already, with its base line beginning at x, y.
func (p pen) text(t *typeface, size float64, fill color.Color, x, y float64, text string) {
	if text != "" {
		p.SetColor(fill)
		p.FillString(t.face(size), p.at(x, y), text)
	}
}
