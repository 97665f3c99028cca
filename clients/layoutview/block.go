package layoutview

import (
	"fmt"
	"image/color"
	"math"
	"strconv"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
)

// block is the part of the page that shows one layout.
type block struct {
	*page
	layout *tandemv1.Layout
	job    *tandemv1.Job
	gang   bool
	keys   *keys
	left   *budget

	plan    plan
	entries []*entry
	skipped int // pieces that were not drawn
	outside int // pieces that do not lie on the web
}

// millimetres shows a length to a tenth of a millimetre.
func millimetres(um int64) string {
	return strconv.FormatFloat(math.Round(float64(um)/100)/10, 'f', -1, 64) + " mm"
}

// count shows a number with its noun.
func count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}

func (b *block) draw(number, of int, room float64) {
	l := b.layout
	b.plan = planRows(l, room)
	b.entries = b.keys.entriesOf(l)
	b.heading(number, of)
	for _, r := range b.plan.rows {
		b.row(r)
	}
	if b.plan.left > 0 {
		b.remark(fmt.Sprintf("The last %s of this web are not drawn.", millimetres(b.plan.left)))
	}
	if n := b.outside; n > 0 {
		b.remark(fmt.Sprintf("%s not lie within the web and the panel: something is wrong with this layout.", does(n)))
	}
	if b.skipped > 0 {
		b.remark(count(b.skipped, "piece") + " more than a picture can show are not drawn.")
	}
	b.legend()
	b.height += 14
}

func does(n int) string {
	if n == 1 {
		return "1 piece does"
	}
	return strconv.Itoa(n) + " pieces do"
}

// heading says in words what the picture shows.
func (b *block) heading(number, of int) {
	l := b.layout
	head := l.GetMedia()
	if of > 1 {
		head = fmt.Sprintf("%d of %d: %s", number, of, head)
	}
	b.box(rect{margin, b.height, pageWidth - 2*margin, 1}, soft)
	b.text(b.bold, sizeHead, ink, margin, b.height+19, b.fit(b.bold, sizeHead, head, pageWidth-2*margin))
	carrier := "panel"
	size := fmt.Sprintf("web %s wide, %s long", millimetres(l.GetWebWidthUm()), millimetres(l.GetLengthUm()))
	if l.GetSheetLengthUm() > 0 {
		carrier = "sheet"
		size = fmt.Sprintf("sheets %s x %s", millimetres(l.GetWebWidthUm()), millimetres(l.GetSheetLengthUm()))
	}
	parts := []string{
		size, fmt.Sprintf("%s on %s", count(int(l.GetPieces()), "piece"), count(len(l.GetPanels()), carrier)),
		strconv.FormatFloat(math.Round(l.GetWaste()*1000)/10, 'f', -1, 64) + " % waste",
	}
	if l.GetRoomFor() > 0 {
		parts = append(parts, fmt.Sprintf("room for %d more", l.GetRoomFor()))
	}
	b.text(b.regular, sizeText, soft, margin, b.height+35, strings.Join(parts, "  |  "))
	b.height += 44
}

// at returns where a stretch of the web lies on the page, in a given row, and what of it lies in that row.
func (b *block) at(r row, x, y, width, length int64) (whole, seen rect) {
	s := b.plan.scale
	web := b.webIn(r)
	whole = rect{web.x + float64(y-r.from)*s, web.y + float64(x)*s, float64(length) * s, float64(width) * s}
	return whole, whole.meet(web)
}

// webIn returns where the web lies on the page in the row that is being drawn.
func (b *block) webIn(r row) rect {
	return rect{webLeft, b.height + laneTop, float64(r.to-r.from) * b.plan.scale, b.plan.webHeight(b.layout)}
}

// row draws a row of the web.
func (b *block) row(r row) {
	web := b.webIn(r)
	b.box(web, liner)
	if edge := float64(b.layout.GetEdgeUm()) * b.plan.scale; edge > 0 {
		edges, lines := &area{}, &area{}
		edge = min(edge, web.h/2)
		edges.add(rect{web.x, web.y, web.w, edge})
		edges.add(rect{web.x, web.bottom() - edge, web.w, edge})
		lines.dashes(rect{web.x, web.y + edge, web.w, 0.5})
		lines.dashes(rect{web.x, web.bottom() - edge - 0.5, web.w, 0.5})
		b.paint(edges, rim)
		b.paint(lines, soft)
	}
	b.panels(r)
	b.outline(r)
	b.widthOfWeb(r)
	b.height += laneTop + web.h + laneEnd
}

// outline draws the border of the web: torn where it goes on in another row.
func (b *block) outline(r row) {
	web := b.webIn(r)
	lines := &area{}
	lines.add(rect{web.x, web.y - 1, web.w, 1})
	lines.add(rect{web.x, web.bottom(), web.w, 1})
	for _, end := range []struct {
		torn bool
		x    float64
	}{{r.tornAtFrom, web.x - 1}, {r.tornAtTo, web.right()}} {
		if end.torn {
			lines.dashes(rect{end.x, web.y, 1, web.h})
		} else {
			lines.add(rect{end.x, web.y - 1, 1, web.h + 2})
		}
	}
	if sheet := b.layout.GetSheetLengthUm(); float64(sheet)*b.plan.scale >= 4 {
		for y := (r.from/sheet + 1) * sheet; y < r.to; y += sheet {
			lines.add(rect{web.x + float64(y-r.from)*b.plan.scale - 0.75, web.y, 1.5, web.h})
		}
	}
	b.paint(lines, ink)
}

// widthOfWeb writes the width to the left of a row, and where the row begins.
func (b *block) widthOfWeb(r row) {
	web := b.webIn(r)
	x := web.x - 8
	b.dimension(rect{x, web.y, 0, web.h})
	b.rightOf(sizeSmall, ink, x-5, web.y+web.h/2+3, millimetres(b.layout.GetWebWidthUm()))
	if r.from > 0 {
		b.rightOf(sizeTiny, soft, web.x-3, web.bottom()+12, "from "+millimetres(r.from))
	} else {
		// The way of the web: this end leaves the machine first.
		y := web.y + web.h/2
		arrow := &area{}
		arrow.quad(margin-6, y+14, margin, y+10, margin, y+18, margin, y+18)
		arrow.add(rect{margin, y + 13.25, 38, 1.5})
		if web.h >= 40 {
			b.paint(arrow, ink)
		}
	}
}

func (b *block) rightOf(size float64, fill color.RGBA, x, y float64, text string) {
	b.text(b.regular, size, fill, x-b.regular.width(size, text)/widerFonts, y, text)
}

// dimension draws a line with a stop at each end.
func (b *block) dimension(r rect) {
	lines := &area{}
	if r.h == 0 {
		lines.add(rect{r.x, r.y - 0.3, r.w, 0.6})
		lines.add(rect{r.x, r.y - 3, 0.8, 6})
		lines.add(rect{r.right() - 0.8, r.y - 3, 0.8, 6})
	} else {
		lines.add(rect{r.x - 0.3, r.y, 0.6, r.h})
		lines.add(rect{r.x - 3, r.y, 6, 0.8})
		lines.add(rect{r.x - 3, r.bottom() - 0.8, 6, 0.8})
	}
	b.paint(lines, soft)
}
