package label

import (
	"math"
	"strings"
)

// rect is a rectangle in dots: its corner at the top left, its width and its height.
type rect struct{ x, y, w, h int }

func (r rect) right() int  { return r.x + r.w }
func (r rect) bottom() int { return r.y + r.h }

func (r rect) inset(d int) rect { return rect{r.x + d, r.y + d, r.w - 2*d, r.h - 2*d} }

// page is what is drawn, in dots from the top left; y grows downwards. All is black on white: label printers know no
// other colours.
type page struct {
	doc     *Document
	dpi     int
	w, h    int
	labels  []rect
	boxes   []rect // filled
	texts   []text
	symbols []Symbol
}

// text is a line of text inside its box.
type text struct {
	font  *typeface
	size  float64 // of the em, in dots
	x     float64 // where the base line begins
	base  float64
	box   rect
	said  string // as it is read
	shown string // in the order in which it is drawn
}

// endAt ends a page of an endless stock.
func (p *page) endAt(y int) { p.h, p.labels[0].h = y, y }

// mm returns the dots of a length.
func (p *page) mm(mm float64) int { return dots(mm, p.dpi) }

// frame draws the outline of a rectangle, inside it.
func (p *page) frame(r rect, width int) {
	p.boxes = append(p.boxes,
		rect{r.x, r.y, r.w, width}, rect{r.x, r.bottom() - width, r.w, width},
		rect{r.x, r.y + width, width, r.h - 2*width}, rect{r.right() - width, r.y + width, width, r.h - 2*width})
}

// put writes a line into a box as high as its letters go, as large as the box says or somewhat smaller.
func (p *page) put(f *typeface, box rect, s string) {
	s = p.doc.clean(s)
	size := p.round(float64(box.h) / lineHeight)
	if w := f.width(size, s); w > float64(box.w) {
		shrunk := p.round(max(size*float64(box.w)/w, size*leastShrink))
		s = f.fit(shrunk, s, float64(box.w))
		p.write(f, box, shrunk, s)
		return
	}
	p.write(f, box, size, s)
}

// letters writes a code in a box as high as its letters, the tail of a Q included. It is never shortened: it shrinks as
// far as it must.
func (p *page) letters(f *typeface, box rect, s string) {
	size := p.round(min(float64(box.h)/(capHeight+descent), float64(box.w)/f.width(1, s)))
	p.texts = append(p.texts, text{f, size, float64(box.x), float64(box.y) + capHeight*size, box, s, s})
}

// round makes a size one that a PDF can say: hundredths of a point.
func (p *page) round(size float64) float64 {
	point := float64(p.dpi) / 72
	return math.Floor(size/point*100) / 100 * point
}

func (p *page) write(f *typeface, box rect, size float64, s string) {
	if strings.TrimSpace(s) != "" {
		p.texts = append(p.texts, text{f, size, float64(box.x), float64(box.y) + ascent*float64(box.h)/lineHeight, box, s, visual(s)})
	}
}

// column puts things below one another.
type column struct {
	canvas
	x, y, w, end int
}

func (c *column) room() int { return c.end - c.y }

func (c *column) gap(mm float64) { c.y += c.mm(mm) }

// rule draws a line across.
func (c *column) rule() {
	c.gap(0.8)
	c.boxes = append(c.boxes, rect{c.x, c.y, c.w, max(1, c.mm(0.25))})
	c.y += max(1, c.mm(0.25))
	c.gap(0.8)
}

// line writes a line of text so high in millimetres, if there is room for it.
func (c *column) line(f *typeface, mm float64, s string) bool {
	h := c.mm(mm)
	if s == "" || c.room() < h {
		return s == ""
	}
	c.put(f, rect{c.x, c.y, c.w, h}, s)
	c.y += h
	return true
}

// lines writes a text on as many lines as it takes, at most so many and no more than there is room for. It reports
// whether all of it is there.
func (c *column) lines(f *typeface, mm float64, most int, s string) bool {
	h := c.mm(mm)
	most = min(most, c.room()/max(h, 1))
	rest := strings.Fields(c.doc.clean(s))
	size := c.round(float64(h) / lineHeight)
	for n := 1; len(rest) > 0; n++ {
		if n > most {
			return false
		}
		if n == most {
			return c.line(f, mm, strings.Join(rest, " ")) && f.width(size*leastShrink, strings.Join(rest, " ")) <= float64(c.w)
		}
		taken := 1
		for taken < len(rest) && f.width(size, strings.Join(rest[:taken+1], " ")) <= float64(c.w) {
			taken++
		}
		c.line(f, mm, strings.Join(rest[:taken], " "))
		rest = rest[taken:]
	}
	return true
}

// heightOf returns how high something is that is drawn into a column of this width.
func (c *column) heightOf(draw func(*column) error) (int, error) {
	p := *c.page
	p.boxes, p.texts, p.symbols = nil, nil, nil
	try := *c
	try.page = &p
	err := draw(&try)
	return try.y - c.y, err
}
