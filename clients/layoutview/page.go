package layoutview

import (
	"fmt"
	"image/color"
	"math"

	"github.com/tdewolff/canvas"
	"golang.org/x/image/font/gofont/gobold"
	"golang.org/x/image/font/gofont/goregular"

	"tandem/clients/celltext"
)

// Units of the picture: a CSS pixel of the SVG, two pixels of the PNG.
const (
	pageWidth = 800
	margin    = 16

	sizeTitle = 16
	sizeHead  = 13
	sizeText  = 11
	sizeSmall = 9.5
	sizeTiny  = 8
)

var (
	paper = color.RGBA{0xff, 0xff, 0xff, 0xff}
	ink   = color.RGBA{0x1e, 0x24, 0x2b, 0xff}
	soft  = color.RGBA{0x56, 0x60, 0x6b, 0xff}
	liner = color.RGBA{0xf7, 0xf8, 0xf9, 0xff} // web without pieces
	rim   = color.RGBA{0xe3, 0xe6, 0xe9, 0xff} // its edges
	band  = color.RGBA{0xff, 0xf4, 0xc9, 0xff} // mark bands
	alarm = color.RGBA{0xa3, 0x1d, 0x1d, 0xff}
)

// page collects what is drawn, from top to bottom, until its height is known. Its origin is at the top left, y grows
// downwards.
type page struct {
	title         string
	height        float64
	ops           []op
	regular, bold *typeface
}

// op is an area of one colour, or a text.
type op struct {
	fill color.RGBA
	area *canvas.Path
	text *canvas.Text
	x, y float64 // of the text: where its base line begins
}

func newPage() (*page, error) {
	regular, err := newTypeface(goregular.TTF, canvas.FontRegular)
	if err != nil {
		return nil, err
	}
	bold, err := newTypeface(gobold.TTF, canvas.FontBold)
	if err != nil {
		return nil, err
	}
	return &page{regular: regular, bold: bold}, nil
}

// render hands everything to a renderer, whose y grows upwards.
func (p *page) render(r canvas.Renderer) {
	down := canvas.Identity.ReflectYAbout(p.height / 2)
	style := canvas.DefaultStyle
	style.Fill = canvas.Paint{Color: paper}
	r.RenderPath(canvas.Rectangle(pageWidth, p.height), style, canvas.Identity)
	for _, o := range p.ops {
		if o.text != nil {
			r.RenderText(o.text, canvas.Identity.Translate(o.x, p.height-o.y))
			continue
		}
		style.Fill = canvas.Paint{Color: o.fill}
		r.RenderPath(o.area, style, down)
	}
}

// rect is a rectangle: its corner at the top left, its width and its height.
type rect struct{ x, y, w, h float64 }

func (r rect) right() float64  { return r.x + r.w }
func (r rect) bottom() float64 { return r.y + r.h }

// meet returns what two rectangles have in common; its width and height are not negative.
func (r rect) meet(o rect) rect {
	x, y := max(r.x, o.x), max(r.y, o.y)
	return rect{x, y, max(0, min(r.right(), o.right())-x), max(0, min(r.bottom(), o.bottom())-y)}
}

func (r rect) empty() bool { return r.w <= 0 || r.h <= 0 }

func (r rect) inset(d float64) rect {
	return rect{r.x + d, r.y + d, max(0, r.w-2*d), max(0, r.h-2*d)}
}

// area is a set of rectangles and bars of one colour.
type area struct {
	paths []*canvas.Path
	last  int // shapes in the last path
}

// together is how many shapes are drawn at once: the time to fill a path grows with the square of what it holds.
const together = 200

// fine rounds to a hundredth, so that the picture is the same on every machine and its text short.
func fine(v float64) float64 { return math.Round(v*100) / 100 }

func (a *area) add(r rect) {
	a.quad(r.x, r.y, r.right(), r.y, r.right(), r.bottom(), r.x, r.bottom())
}

func (a *area) quad(xy ...float64) {
	if len(a.paths) == 0 || a.last == together {
		a.paths, a.last = append(a.paths, &canvas.Path{}), 0
	}
	a.last++
	path := a.paths[len(a.paths)-1]
	path.MoveTo(fine(xy[0]), fine(xy[1]))
	for i := 2; i < len(xy); i += 2 {
		path.LineTo(fine(xy[i]), fine(xy[i+1]))
	}
	path.Close()
}

// frame adds the outline of a rectangle, inside it.
func (a *area) frame(r rect, width float64) {
	a.add(rect{r.x, r.y, r.w, width})
	a.add(rect{r.x, r.bottom() - width, r.w, width})
	a.add(rect{r.x, r.y, width, r.h})
	a.add(rect{r.right() - width, r.y, width, r.h})
}

func (a *area) diamond(x, y, size float64) {
	d := size / 2
	a.quad(x, y-d, x+d, y, x, y+d, x-d, y)
}

// dashes adds a broken line from left to right or from top to bottom.
func (a *area) dashes(r rect) {
	const on, off = 5, 3
	for d := 0.0; d < max(r.w, r.h); d += on + off {
		if r.w > r.h {
			a.add(rect{r.x + d, r.y, min(on, r.w-d), r.h})
		} else {
			a.add(rect{r.x, r.y + d, r.w, min(on, r.h-d)})
		}
	}
}

func (p *page) paint(a *area, fill color.RGBA) {
	for _, path := range a.paths {
		p.ops = append(p.ops, op{fill: fill, area: path})
	}
}

func (p *page) box(r rect, fill color.RGBA) {
	var a area
	a.add(r)
	p.paint(&a, fill)
}

// typeface is a font in several sizes, with what is known of its texts.
type typeface struct {
	font   *canvas.Font
	faces  map[faceKey]*canvas.FontFace
	widths map[string]float64 // at size 1
}

type faceKey struct {
	size float64
	fill color.RGBA
}

func newTypeface(ttf []byte, style canvas.FontStyle) (*typeface, error) {
	// The SVG gives this name to whoever draws its text.
	family := canvas.NewFontFamily("sans-serif")
	if err := family.LoadFont(ttf, 0, style); err != nil {
		return nil, fmt.Errorf("load font: %w", err)
	}
	return &typeface{font: family.Face(1, style).Font, faces: map[faceKey]*canvas.FontFace{}, widths: map[string]float64{}}, nil
}

// pointsOf a size in units: the library takes a unit for a millimetre, and sizes of type in points of 25.4/72 mm.
const pointsOf = 72 / 25.4

func (t *typeface) face(size float64, fill color.RGBA) *canvas.FontFace {
	key := faceKey{size, fill}
	if t.faces[key] == nil {
		t.faces[key] = t.font.Face(size*pointsOf, fill)
	}
	return t.faces[key]
}

// widerFonts is the room left for viewers whose sans-serif font runs wider than the one that is measured.
const widerFonts = 1.1

// width returns the room that a text needs.
func (t *typeface) width(size float64, text string) float64 {
	w, ok := t.widths[text]
	if !ok {
		const at = 16
		w = t.face(at, ink).TextWidth(text) / at * widerFonts
		t.widths[text] = w
	}
	return w * size
}

// text puts a text, clean already, with its base line beginning at x, y.
func (p *page) text(t *typeface, size float64, fill color.RGBA, x, y float64, text string) {
	if text != "" {
		p.ops = append(p.ops, op{text: canvas.NewTextLine(t.face(size, fill), text, canvas.Left), x: fine(x), y: fine(y)})
	}
}

// centred puts a text around x.
func (p *page) centred(t *typeface, size float64, fill color.RGBA, x, y float64, text string) {
	p.text(t, size, fill, x-t.width(size, text)/widerFonts/2, y, text)
}

// longest text that is looked at, in cells: no wider one fits the page.
const longest = 200

// fit returns a text, made clean, or as much of its beginning as there is room for.
func (p *page) fit(t *typeface, size float64, text string, room float64) string {
	return celltext.Fit(text, longest, room, func(s string) float64 { return t.width(size, s) })
}

// remark puts a line that the reader should not miss.
func (p *page) remark(text string) {
	p.text(p.bold, sizeText, alarm, margin, p.height+12, p.fit(p.bold, sizeText, text, pageWidth-2*margin))
	p.height += 18
}
