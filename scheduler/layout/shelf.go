package layout

import (
	"cmp"
	"slices"
)

// A shelf packing gives every search a start with a proved bound. Items are taken in the order of decreasing height; a
// shelf is as high as its first item. Bounds: Coffman, Garey, Johnson, Tarjan: Performance bounds for level-oriented
// two-dimensional packing algorithms, SIAM J. Computing 9 (1980), from memory, for items that are not turned:
// first fit (ffdh) needs at most 1.7 times the optimum, plus the height of the highest item.

// shelf is one row of items; the next free place in it is x.
type shelf struct{ x, y, h int64 }

// ffdh puts each item on the lowest shelf that has room for it, or opens a new one.
func ffdh(width int64, entries []entry) (packed []laid, height int64) {
	order := make([]int, 0, len(entries))
	for i := range entries {
		order = append(order, i)
	}
	slices.SortStableFunc(order, func(a, b int) int {
		return cmp.Compare(entries[b].shapes[0].h, entries[a].shapes[0].h)
	})
	var open []shelf
	for _, i := range order {
		e := &entries[i]
		for range e.count {
			sh := e.shapes[0]
			at := slices.IndexFunc(open, func(s shelf) bool { return s.x+sh.w <= width })
			if at < 0 {
				open = append(open, shelf{y: height, h: sh.h})
				height += sh.h
				at = len(open) - 1
			}
			s := &open[at]
			packed = append(packed, laid{s.x, s.y, sh.w, sh.h, e.kind, e.turned})
			s.x += sh.w
		}
	}
	return packed, height
}
