package layoutview

import (
	"fmt"

	tandemv1 "tandem/proto/tandem/v1"
)

// panels draws what of the panels lies in a row.
func (b *block) panels(r row) {
	bands, marks, frames := &area{}, &area{}, &area{}
	type name struct {
		panel *tandemv1.PanelLayout
		whole rect
		seen  rect
	}
	var visible []name
	free := &coats{byLook: map[int]*coat{}}
	for _, p := range b.layout.GetPanels() {
		whole, seen := b.at(r, 0, p.GetStartUm(), b.layout.GetWebWidthUm(), p.GetLengthUm())
		if seen.w <= 0 {
			continue
		}
		visible = append(visible, name{p, whole, seen})
		b.marks(r, p, bands, marks)
		b.frame(whole, seen, frames)
		b.pieces(r, p, free)
	}
	b.paint(bands, band)
	free.paint(b.page)
	b.paint(frames, soft)
	b.paint(marks, ink)
	free.letter(b.page)
	for _, v := range visible {
		b.namePanel(v.panel, v.whole, v.seen)
	}
}

// markSize is what a mark is drawn at, whatever its true size: it has to be seen.
const markSize = 5

// marks draws the mark bands of a panel, with a mark at each corner. How many marks there are, and where in the band, is
// a matter of the cutter.
func (b *block) marks(r row, p *tandemv1.PanelLayout, bands, marks *area) {
	length, width := p.GetMarkBandUm(), b.layout.GetWebWidthUm()
	if length == 0 {
		return
	}
	edge := min(b.layout.GetEdgeUm(), width/2)
	for _, y := range []int64{p.GetStartUm(), p.GetStartUm() + p.GetLengthUm() - length} {
		whole, seen := b.at(r, edge, y, width-2*edge, length)
		if seen.w <= 0 {
			continue
		}
		bands.add(seen)
		if middle := whole.x + whole.w/2; whole.h >= 4*markSize && middle >= seen.x && middle <= seen.right() {
			marks.diamond(middle, whole.y+markSize, markSize)
			marks.diamond(middle, whole.bottom()-markSize, markSize)
		}
	}
}

// frame adds the ends of a panel that lie in the row.
func (b *block) frame(whole, seen rect, lines *area) {
	if seen.x == whole.x {
		lines.dashes(rect{seen.x, seen.y, 1, seen.h})
	}
	if seen.right() > whole.right()-0.01 {
		lines.dashes(rect{seen.right() - 1, seen.y, 1, seen.h})
	}
}

// namePanel writes the name of a panel above it and its length below.
func (b *block) namePanel(p *tandemv1.PanelLayout, whole, seen rect) {
	pieces := len(p.GetPlacements()) + int(p.GetMore())
	name := fmt.Sprintf("%s: %s", p.GetPanel(), count(pieces, "piece"))
	if seen.w < whole.w-0.01 {
		name = p.GetPanel() + ", in part"
	}
	if b.bold.width(sizeSmall, b.fit(b.bold, sizeSmall, name, pageWidth)) > seen.w {
		name = p.GetPanel()
	}
	x := seen.x + seen.w/2
	if name = b.fit(b.bold, sizeSmall, name, seen.w); len(name) > 1 {
		b.centred(b.bold, sizeSmall, ink, x, seen.y-5, name)
	}
	if seen.w < whole.w-0.01 {
		return
	}
	if length := millimetres(p.GetLengthUm()); b.regular.width(sizeTiny, length)+2 <= seen.w {
		b.dimension(rect{seen.x, seen.bottom() + 6, seen.w, 0})
		b.centred(b.regular, sizeTiny, soft, x, seen.bottom()+16, length)
	}
}
