package layout

import (
	"fmt"
	"math"

	"tandem/scheduler/badfield"
	"tandem/scheduler/chance"
)

// Item is a rectangle to pack; lengths in any unit.
type Item struct {
	Width, Height int64
	Rotate        bool // may be turned by 90 degrees
}

// Options bound a search. The zero value is a good start.
type Options struct {
	Seed uint64
	// Evaluations is how many packings may be made. 0: as many as take about a second at most. A caller that stops by time
	// sets it to math.MaxInt64.
	Evaluations int64
	// Stop, if there is one, is asked before every packing; once it says true, the best so far is the answer. At least one
	// packing is always made. An answer that was stopped can be repeated only with the same number of calls.
	Stop func() bool
}

// budget returns what the options allow for a search in which one packing takes so many elementary steps.
func (o Options) budget(work int64) (*budget, error) {
	if o.Evaluations < 0 {
		return nil, badfield.New("options.evaluations", "is %d: must be 0 or more", o.Evaluations)
	}
	n := o.Evaluations
	if n == 0 {
		n = min(max(200_000_000/max(work, 1), 10), 20_000)
	}
	return &budget{left: n, stop: o.Stop, rand: chance.New(o.Seed)}, nil
}

// Place is where an item lies.
type Place struct {
	X, Y    int64 // its corner nearest to the beginning of the strip, from the left
	Rotated bool  // turned by 90 degrees
}

// Packing is the answer of [Strip].
type Packing struct {
	Height      int64
	LowerBound  int64   // no packing is lower
	Places      []Place // one for each item, in that order
	Evaluations int64   // packings made
}

// Optimal reports whether the packing is proved to be the lowest.
func (p *Packing) Optimal() bool { return p.Height == p.LowerBound }

// Strip packs rectangles on a strip of the given width so that they need little height: scored best fit on the skyline
// under a local search over the order of the items, from a shelf packing as the first answer. It stops early once the
// answer is proved to be the lowest. The errors are of type [*Error].
func Strip(width int64, items []Item, opt Options) (Packing, error) {
	entries, err := stripEntries(width, items)
	if err != nil {
		return Packing{}, err
	}
	b, err := opt.budget(int64(len(items)) * int64(len(items)))
	if err != nil {
		return Packing{}, err
	}
	packed, height := packStrip(b, width, entries, endless)
	p := Packing{
		Height: height, LowerBound: lowerBound(width, entries),
		Places: make([]Place, len(items)), Evaluations: b.used,
	}
	for _, l := range packed {
		p.Places[l.kind] = Place{X: l.x, Y: l.y, Rotated: l.turned}
	}
	return p, nil
}

func stripEntries(width int64, items []Item) ([]entry, error) {
	if width <= 0 {
		return nil, badfield.New("width", "is %d: must be more than 0", width)
	}
	if len(items) == 0 || len(items) > MaxSearched {
		return nil, badfield.New("items", "there are %d: must be 1 to %d", len(items), MaxSearched)
	}
	entries := make([]entry, len(items))
	var total int64
	for i, it := range items {
		field := fmt.Sprintf("items[%d]", i)
		if it.Width <= 0 || it.Height <= 0 {
			return nil, badfield.New(field, "is %d by %d: both must be more than 0", it.Width, it.Height)
		}
		upright := shape{it.Width, it.Height}
		var shapes []shape
		if it.Width <= width {
			shapes = append(shapes, upright)
		}
		if it.Rotate && it.Width != it.Height && it.Height <= width {
			shapes = append(shapes, shape{it.Height, it.Width})
		}
		if len(shapes) == 0 {
			return nil, badfield.New(field, "is %d by %d: fits in no allowed way on a strip %d wide", it.Width, it.Height, width)
		}
		// The height of any packing times the width stays within what can be counted.
		longest := max(it.Width, it.Height)
		if longest > math.MaxInt64/8/width-total {
			return nil, badfield.New("items", "are too large to be counted: use a coarser unit")
		}
		total += longest
		entries[i] = newEntry(i, 1, upright, shapes)
	}
	return entries, nil
}
