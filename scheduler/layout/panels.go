package layout

import (
	"cmp"
	"slices"
)

// mostEntries bounds the entries of a search: of many pieces, some equal ones share an entry.
const mostEntries = 256

// A page is what one panel holds, in units that include the gutter: every item is one gutter wider and higher, and so is
// the panel, which is the same as a gutter between items.
type page struct {
	items  []laid
	height int64
}

// search looks for panels that use little media.
func (f *frame) search(b *budget, pieces []Piece) []Panel {
	g := f.rules.GutterUm
	entries := f.entries(pieces)
	width, most := f.usable+g, f.content+g
	bound := lowerBound(width, entries)
	var best []page
	if bound <= most { // perhaps one panel is enough
		items, height := packStrip(b, width, entries, most)
		best = []page{{items, height}}
	}
	if best == nil || best[0].height > most {
		best = f.searchPanels(b, width, most, entries)
	}
	panels := make([]Panel, len(best))
	for i := range best {
		panels[i] = f.panel(&best[i])
	}
	return panels
}

// entries splits the pieces into entries, one for each piece or, if those are too many, for several equal ones.
func (f *frame) entries(pieces []Piece) []entry {
	var total int64
	for i := range pieces {
		total += pieces[i].wanted()
	}
	// Every kind may have one entry that is not full.
	each := ceilDiv(total, mostEntries)
	g := f.rules.GutterUm
	var out []entry
	for i := range pieces {
		p := &pieces[i]
		var shapes []shape
		for _, s := range p.shapes() {
			if f.fits(s) {
				shapes = append(shapes, shape{s.w + g, s.h + g})
			}
		}
		upright := shape{p.WidthUm + g, p.HeightUm + g}
		for left := p.wanted(); left > 0; left -= each {
			out = append(out, newEntry(i, int(min(each, left)), upright, shapes))
		}
	}
	return out
}

// panel turns a page into a panel without the added gutters.
func (f *frame) panel(p *page) Panel {
	g := f.rules.GutterUm
	out := Panel{Copies: 1, ContentUm: p.height - g, Blocks: make([]Block, len(p.items))}
	for i, l := range p.items {
		out.Blocks[i] = Block{
			Piece: l.kind, XUm: f.rules.EdgeUm + l.x, YUm: l.y,
			WidthUm: l.w - g, HeightUm: l.h - g, Across: 1, Rows: 1, Rotated: l.turned,
		}
	}
	slices.SortFunc(out.Blocks, func(a, b Block) int {
		return cmp.Or(cmp.Compare(a.YUm, b.YUm), cmp.Compare(a.XUm, b.XUm))
	})
	return out
}

// overhead is what one more panel costs besides its content: on a roll two bands and a gap, less the gutter that a page
// counts at its end; a sheet costs more than any content saves.
func (f *frame) overhead() int64 {
	if f.media.Sheet {
		return MaxPieces * 10_000_000
	}
	return 2*f.rules.MarkBandUm + f.rules.PanelGapUm - f.rules.GutterUm
}

// searchPanels climbs as packStrip does, but begins a new page whenever nothing more fits on one; the cost is the media used.
func (f *frame) searchPanels(b *budget, width, most int64, entries []entry) []page {
	sky := newSkyline(width, slices.Clone(entries))
	var pages, best []page
	bestCost := int64(endless)
	try := func(order []int32) int64 {
		b.spend()
		pages = fillPages(sky, order, most, pages[:0])
		c := f.cost(pages)
		if c < bestCost {
			bestCost = c
			best = clonePages(pages)
		}
		return c
	}
	starts := orders(entries)
	for _, order := range starts {
		try(order)
		if b.spent() {
			return best
		}
	}
	for round := 0; !b.spent(); round++ {
		copy(sky.entries, entries) // a climb changes them
		climb(b, sky, slices.Clone(starts[round%len(starts)]), idleSteps(len(entries)), try)
	}
	return best
}

// fillPages lays everything, page by page.
func fillPages(sky *skyline, order []int32, limit int64, pages []page) []page {
	sky.reset(order)
	from := 0
	for done := false; !done; {
		done = sky.fill(limit)
		pages = append(pages, page{items: sky.placed[from:], height: sky.top})
		from = len(sky.placed)
		sky.clear()
	}
	return pages
}

func (f *frame) height(pages []page) int64 {
	var sum int64
	for i := range pages {
		sum += pages[i].height
	}
	return sum
}

func (f *frame) cost(pages []page) int64 {
	return f.height(pages) + int64(len(pages))*f.overhead()
}

func clonePages(pages []page) []page {
	out := slices.Clone(pages)
	for i := range out {
		out[i].items = slices.Clone(out[i].items)
	}
	return out
}
