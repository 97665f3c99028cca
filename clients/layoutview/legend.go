package layoutview

import (
	"fmt"
	"math"
	"strings"

	"tandem/clients/celltext"
	tandemv1 "tandem/proto/tandem/v1"
)

// entry is a line of the legend: an item, on a gang run of a certain job.
type entry struct {
	item, job string // clean, and short enough to write
	number    int    // below 0: beyond what a legend can hold
	look      look

	pieces, turned int
	width, height  int64 // of a piece as it is read; 0: they differ
}

// keys are the entries of all layouts, so that a letter means the same everywhere.
type keys struct {
	most    int // of one layout
	entries map[[2]string]*entry
	next    int
	other   *entry
}

func newKeys(most int) *keys {
	return &keys{
		most:    most,
		entries: map[[2]string]*entry{},
		other:   &entry{number: -1, look: look{tone: tones[len(tones)-1].tone, lines: tones[len(tones)-1].lines}},
	}
}

// of returns the entry of a piece.
func (k *keys) of(piece *tandemv1.Placement) *entry {
	if e := k.entries[[2]string{piece.GetJob(), piece.GetItem()}]; e != nil {
		return e
	}
	return k.other
}

// longestName on a piece, in cells.
const longestName = 40

// entriesOf gives the items of a layout their looks, in the order in which they leave the machine. Of a large layout the
// first have one each; the rest share the look of the others.
func (k *keys) entriesOf(l *tandemv1.Layout) []*entry {
	var list []*entry
	here := map[*entry]bool{}
	for _, p := range l.GetPanels() {
		for _, piece := range p.GetPlacements() {
			id := [2]string{piece.GetJob(), piece.GetItem()}
			e := k.entries[id]
			if e == nil {
				if len(list) >= k.most {
					continue
				}
				e = &entry{item: celltext.Short(piece.GetItem(), longestName), job: celltext.Short(piece.GetJob(), longestName), number: k.next, look: lookOf(k.next)}
				k.next++
				k.entries[id] = e
			}
			if !here[e] {
				here[e] = true
				e.pieces, e.turned = 0, 0
				e.width, e.height = readSize(piece)
				list = append(list, e)
			}
			if w, h := readSize(piece); w != e.width || h != e.height {
				e.width, e.height = 0, 0
			}
			e.pieces++
			e.turned += orNone(piece.GetTurned())
		}
	}
	return list
}

func readSize(piece *tandemv1.Placement) (width, height int64) {
	if piece.GetTurned() {
		return piece.GetHeightUm(), piece.GetWidthUm()
	}
	return piece.GetWidthUm(), piece.GetHeightUm()
}

// legend lists the items of a layout.
func (b *block) legend() {
	listed := 0
	for _, e := range b.entries {
		listed += e.pieces
		const top = 2
		y := b.height + 13
		b.swatch(rect{webLeft, b.height + top, 28, 15}, e.look)
		b.text(b.bold, sizeText, ink, webLeft+36, y, e.look.letter)
		name := b.nameOf(e)
		room := 300.0
		if b.gang {
			room = 180
			b.text(b.regular, sizeText, ink, webLeft+250, y, b.fit(b.regular, sizeText, "job "+e.job, 115))
		}
		b.text(b.regular, sizeText, ink, webLeft+62, y, b.fit(b.regular, sizeText, name, room))
		b.rightOf(sizeText, ink, webLeft+440, y, count(e.pieces, "piece"))
		size := "sizes differ"
		if e.width > 0 {
			size = strings.TrimSuffix(millimetres(e.width), " mm") + " x " + millimetres(e.height)
		}
		b.text(b.regular, sizeText, ink, webLeft+456, y, b.fit(b.regular, sizeText, size, 130))
		turned := ""
		switch {
		case e.turned == e.pieces:
			turned = "turned by 90°"
		case e.turned > 0:
			turned = fmt.Sprintf("%d turned by 90°", e.turned)
		}
		b.text(b.regular, sizeText, ink, webLeft+592, y, turned)
		b.height += 20
	}
	all := 0
	unlisted := 0
	for _, p := range b.layout.GetPanels() {
		all += len(p.GetPlacements())
		unlisted += int(p.GetMore())
	}
	if n := all - listed; n > 0 {
		b.remark(count(n, "piece") + " of further items, without a letter and in one tone.")
	}
	if unlisted > 0 {
		b.remark(count(unlisted, "piece") + " more on these panels; the quote does not say where each of them lies.")
	}
}

// nameOf returns the item with its name for people, which only the job's own items have.
func (b *block) nameOf(e *entry) string {
	for _, item := range b.job.GetItems() {
		if !b.gang && item.GetId() == e.item && item.GetDisplayName() != "" {
			return e.item + ", " + celltext.Short(item.GetDisplayName(), longest)
		}
	}
	return e.item
}

func (p *page) swatch(r rect, l look) {
	lines, frame := &area{}, &area{}
	fillPattern(lines, l.pattern, r)
	frame.frame(r, 0.7)
	p.box(r, l.tone)
	p.paint(lines, l.lines)
	p.paint(frame, soft)
}

// conventions explains, once for the page, how to read it.
func (p *page) conventions() {
	p.box(rect{margin, p.height, pageWidth - 2*margin, 1}, soft)
	p.height += 8
	y := p.height + 12
	x := float64(margin)
	put := func(text string, draw func(r rect)) {
		draw(rect{x, p.height + 1, 28, 15})
		p.text(p.regular, sizeSmall, soft, x+34, y, text)
		x += 34 + p.regular.width(sizeSmall, text) + 14
	}
	put("edge left free", func(r rect) {
		p.box(r, rim)
		var a area
		a.dashes(rect{r.x, r.bottom() - 0.5, r.w, 0.5})
		p.paint(&a, soft)
	})
	put("mark band; marks drawn at its ends", func(r rect) {
		p.box(r, band)
		var a area
		a.diamond(r.x+r.w/2, r.y+r.h/2, markSize)
		p.paint(&a, ink)
	})
	put("end of a panel", func(r rect) {
		var a area
		a.dashes(rect{r.x + r.w/2, r.y, 1, r.h})
		p.paint(&a, soft)
	})
	put("lies turned by 90°", func(r rect) {
		p.box(r, tones[0].tone)
		var a, f area
		f.frame(r, 0.6)
		a.quad(r.x, r.y, r.x+5, r.y, r.x, r.y+5, r.x, r.y+5)
		p.paint(&f, soft)
		p.paint(&a, ink)
	})
	p.height += 20
	p.text(p.regular, sizeSmall, soft, margin, p.height+12, "The arrow points the way the web leaves the machine: its beginning is at the left, its left edge on top. Lengths include the mark bands.")
	p.height = math.Ceil(p.height + 26)
}
