package layoutview

import (
	"image/color"
	"slices"

	tandemv1 "tandem/proto/tandem/v1"
)

// coat is what is painted on all pieces of one look.
type coat struct {
	look               look
	body, lines, frame area
}

// lettering is lines of text of one size, the first of them bold.
type lettering struct {
	size  float64
	lines []string
}

// coats collects pieces by look, so that a row is drawn in few areas, and what is lettered on top of them.
type coats struct {
	byLook  map[int]*coat // by number of the entry
	corners area
	labels  []label
}

// label is lettering on a plate of the piece's tone. Several lines are written below one another.
type label struct {
	x, y float64 // its centre
	lettering
	plate  color.RGBA
	border bool
}

func (c *coats) of(e *entry) *coat {
	if c.byLook[e.number] == nil {
		c.byLook[e.number] = &coat{look: e.look}
	}
	return c.byLook[e.number]
}

func (c *coats) paint(p *page) {
	numbers := make([]int, 0, len(c.byLook))
	for n := range c.byLook {
		numbers = append(numbers, n)
	}
	slices.Sort(numbers)
	for _, n := range numbers {
		coat := c.byLook[n]
		p.paint(&coat.body, coat.look.tone)
		p.paint(&coat.lines, coat.look.lines)
		p.paint(&coat.frame, soft)
	}
	p.paint(&c.corners, ink)
}

func (c *coats) letter(p *page) {
	plates := map[color.RGBA]*area{}
	var order []color.RGBA
	borders := &area{}
	for _, l := range c.labels {
		r := l.bounds(p)
		if l.border {
			borders.add(r.inset(-0.7))
		}
		if plates[l.plate] == nil {
			plates[l.plate] = &area{}
			order = append(order, l.plate)
		}
		plates[l.plate].add(r)
	}
	p.paint(borders, ink)
	for _, colour := range order {
		p.paint(plates[colour], colour)
	}
	for _, l := range c.labels {
		y := l.bounds(p).y
		for i, line := range l.lines {
			face := p.regular
			if i == 0 {
				face = p.bold
			}
			p.centred(face, l.size, ink, l.x, y+l.size*(0.95+lineStep*float64(i)), line)
		}
	}
}

const lineStep = 1.2

func (l label) bounds(p *page) rect {
	w := 0.0
	for i, line := range l.lines {
		face := p.regular
		if i == 0 {
			face = p.bold
		}
		w = max(w, face.width(l.size, line))
	}
	w += 3
	h := l.size * lineStep * float64(len(l.lines))
	return rect{l.x - w/2, l.y - h/2, w, h}
}

// pieces adds what of a panel's pieces lies in the row.
func (b *block) pieces(r row, p *tandemv1.PanelLayout, c *coats) {
	var run *stretch
	for _, piece := range p.GetPlacements() {
		whole, seen := b.at(r, piece.GetXUm(), p.GetStartUm()+piece.GetYUm(), piece.GetWidthUm(), piece.GetHeightUm())
		e := b.keys.of(piece)
		if run == nil || run.entry != e {
			b.tag(run, c)
			run = &stretch{entry: e, labels: len(c.labels)}
		}
		if b.strays(p, piece) {
			b.outside += orNone(first(r, p))
		}
		if seen.w <= 0 || seen.h <= 0 {
			continue
		}
		cover := max(seen.w, 1) * max(seen.h, 1)
		if b.left.pieces <= 0 || b.left.cover < cover {
			if begin := p.GetStartUm() + piece.GetYUm(); begin < r.to && (begin >= r.from || r.from == 0) {
				b.skipped++
			}
			continue
		}
		b.left.pieces--
		b.left.cover -= cover
		coat := c.of(e)
		coat.body.add(seen)
		fillPattern(&coat.lines, e.look.pattern, seen)
		if min(seen.w, seen.h) >= 3 {
			coat.frame.frame(seen, 0.6)
		}
		if piece.GetTurned() && min(seen.w, seen.h) >= 8 {
			const fold = 5
			c.corners.quad(seen.x, seen.y, seen.x+fold, seen.y, seen.x, seen.y+fold, seen.x, seen.y+fold)
		}
		full := seen.w > whole.w-0.01 && seen.h > whole.h-0.01
		run.add(seen, full && b.label(seen, e, c))
	}
	b.tag(run, c)
}

// strays reports whether a piece lies, even in part, beside the web or beyond its panel.
func (b *block) strays(p *tandemv1.PanelLayout, piece *tandemv1.Placement) bool {
	const slack = 1000 // a millimetre, for rounding
	in := func(from, length, to int64) bool {
		return from >= -slack && length > 0 && length <= maxLength && from <= to-length+slack
	}
	return !in(piece.GetXUm(), piece.GetWidthUm(), b.layout.GetWebWidthUm()) || !in(piece.GetYUm(), piece.GetHeightUm(), p.GetLengthUm())
}

// first reports whether a row is the one to count the pieces of a panel in: that in which the panel begins.
func first(r row, p *tandemv1.PanelLayout) bool {
	return p.GetStartUm() >= r.from && p.GetStartUm() < r.to
}

func orNone(yes bool) int {
	if yes {
		return 1
	}
	return 0
}

// label writes on a piece what there is room for: the item, on a gang run with its job, or the letter. It reports
// whether the piece says all there is to say.
func (b *block) label(r rect, e *entry, c *coats) bool {
	if b.left.labels <= 0 || e.number < 0 {
		return false
	}
	room := r.inset(2)
	letter := e.look.letter
	tries := []lettering{
		{sizeSmall, []string{letter + "  " + e.item}},
		{sizeSmall, []string{letter, e.item}},
		{sizeSmall, []string{letter}},
		{sizeTiny, []string{letter}},
	}
	if b.gang {
		tries = []lettering{
			{sizeSmall, []string{letter + "  " + e.item, e.job}},
			{sizeSmall, []string{letter, e.item, e.job}},
			{sizeSmall, []string{letter, e.job}},
			{sizeTiny, []string{letter, e.job}},
			{sizeSmall, []string{letter}},
			{sizeTiny, []string{letter}},
		}
	}
	for _, try := range tries {
		l := label{r.x + r.w/2, r.y + r.h/2, try, e.look.tone, false}
		if size := l.bounds(b.page); size.w <= room.w && size.h <= room.h {
			c.labels = append(c.labels, l)
			b.left.labels--
			return !b.gang || len(try.lines) > 1
		}
	}
	return false
}

// stretch is a run of like pieces, one after the other.
type stretch struct {
	entry    *entry
	bounds   rect
	pieces   int
	lettered int // pieces that say all there is to say
	labels   int // in the list of labels before this stretch
}

func (s *stretch) add(r rect, lettered bool) {
	if s.pieces == 0 {
		s.bounds = r
	}
	x, y := min(s.bounds.x, r.x), min(s.bounds.y, r.y)
	s.bounds = rect{x, y, max(s.bounds.right(), r.right()) - x, max(s.bounds.bottom(), r.bottom()) - y}
	s.pieces++
	s.lettered += orNone(lettered)
}

// tag puts one label on a stretch of pieces whose own do not say all there is to say.
func (b *block) tag(s *stretch, c *coats) {
	if s == nil || s.pieces == 0 || s.lettered > 0 || s.entry.number < 0 || b.left.labels <= 0 {
		return
	}
	e := s.entry
	letter := e.look.letter
	tries := []lettering{{sizeSmall, []string{letter + "  " + e.item}}, {sizeSmall, []string{letter}}}
	if b.gang {
		tries = []lettering{
			{sizeSmall, []string{letter + "  " + e.item, e.job}},
			{sizeSmall, []string{letter, e.job}},
			{sizeTiny, []string{letter, e.job}},
			{sizeSmall, []string{letter}},
		}
	}
	for _, try := range tries {
		if len(try.lines) == 1 && b.gang && len(c.labels) > s.labels {
			return // the pieces have their letter already
		}
		l := label{s.bounds.x + s.bounds.w/2, s.bounds.y + s.bounds.h/2, try, paper, true}
		if size := l.bounds(b.page); size.w <= s.bounds.w && size.h <= s.bounds.h {
			// Nothing shows from beneath.
			own := slices.DeleteFunc(c.labels[s.labels:], func(o label) bool { return !o.bounds(b.page).meet(size).empty() })
			c.labels = append(c.labels[:s.labels+len(own)], l)
			b.left.labels--
			return
		}
	}
}
