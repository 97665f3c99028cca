package layout

import (
	"cmp"
	"slices"
)

// A shape is one way to lay an item: upright or turned.
type shape struct{ w, h int64 }

// An entry is a number of equal items. The order of the entries is what the search changes: among places and shapes
// that fit equally well, the entry that comes first is laid first.
type entry struct {
	shapes [2]shape // the second is used only if turns is 2
	ways   int      // how many shapes there are, 1 or 2
	turns  int      // how many of them may be used, 1 or 2
	shy    bool     // laid only where nothing else fits well
	turned bool     // the first shape is the turned one
	count  int
	kind   int   // which of the caller's items
	area   int64 // of one item
	least  int64 // the smallest width over the shapes
}

// A segment is a level piece of the skyline, from x to the next segment's x.
type segment struct{ x, y int64 }

// laid is one item in its place.
type laid struct {
	x, y, w, h int64
	kind       int
	turned     bool
}

// flip prefers the other shape.
func (e *entry) flip() {
	e.shapes[0], e.shapes[1] = e.shapes[1], e.shapes[0]
	e.turned = !e.turned
}

// newEntry returns an entry of a caller's item; shapes has one or two, the first of them upright unless the item only fits
// turned.
func newEntry(kind, count int, upright shape, shapes []shape) entry {
	e := entry{ways: len(shapes), turns: len(shapes), turned: shapes[0] != upright, count: count, kind: kind, area: upright.w * upright.h}
	copy(e.shapes[:], shapes)
	e.least = shapes[0].w
	if e.turns == 2 {
		e.least = min(e.least, shapes[1].w)
	}
	return e
}

// skyline lays items bottom-up. The skyline is the upper edge of what has been laid; everything below it is taken,
// waste included. The lowest level piece of it is always dealt with next, by the shape that fits it best (see rate), so
// that an item never lies over a hole that another could still fill.
type skyline struct {
	width   int64
	entries []entry
	levels  []segment
	left    []int   // items not laid yet, of each entry
	live    []int32 // entries with items left, in the order of the search
	bylow   []int32 // entries by their smallest width
	lowest  int     // bylow[lowest:] holds the narrowest that is left
	rest    int64   // area not laid yet
	placed  []laid
	top     int64 // highest upper edge
}

func newSkyline(width int64, entries []entry) *skyline {
	s := &skyline{width: width, entries: entries, left: make([]int, len(entries))}
	for i := range entries {
		s.bylow = append(s.bylow, int32(i))
	}
	slices.SortStableFunc(s.bylow, func(a, b int32) int { return cmp.Compare(entries[a].least, entries[b].least) })
	return s
}

// reset forgets what was laid and takes a new order of the entries.
func (s *skyline) reset(order []int32) {
	s.live = append(s.live[:0], order...)
	s.placed = s.placed[:0]
	s.rest, s.lowest = 0, 0
	for i := range s.entries {
		s.left[i] = s.entries[i].count
		s.rest += s.entries[i].area * int64(s.entries[i].count)
	}
	s.clear()
}

// clear begins a new panel with what is left.
func (s *skyline) clear() {
	s.levels = append(s.levels[:0], segment{})
	s.top = 0
}

// fill lays items until none is left, and returns true, or until none fits below the given height.
func (s *skyline) fill(height int64) bool {
	for len(s.live) > 0 {
		at := s.valley()
		y := s.levels[at].y
		width := s.end(at) - s.levels[at].x
		room := height - y
		leftWall, rightWall := room, room
		if at > 0 {
			leftWall = s.levels[at-1].y - y
		}
		if at+1 < len(s.levels) {
			rightWall = s.levels[at+1].y - y
		}
		pick, turn, beside := s.best(width, room, leftWall, rightWall)
		if pick >= 0 {
			s.lay(at, pick, turn, beside)
			continue
		}
		if len(s.levels) == 1 {
			return false
		}
		s.lift(at, y+min(leftWall, rightWall))
	}
	return true
}

// valley returns the lowest segment, the leftmost of several.
func (s *skyline) valley() int {
	at := 0
	for i := range s.levels {
		if s.levels[i].y < s.levels[at].y {
			at = i
		}
	}
	return at
}

func (s *skyline) end(at int) int64 {
	if at+1 < len(s.levels) {
		return s.levels[at+1].x
	}
	return s.width
}

// best returns the position in live of the entry that fits a valley best, and how: which shape, and beside which wall. A
// negative position: none fits.
func (s *skyline) best(width, room, leftWall, rightWall int64) (pick, turn int, right bool) {
	tall, low := leftWall, rightWall
	if rightWall > leftWall {
		tall, low = rightWall, leftWall
	}
	pick = -1
	bestRate := -1
	narrowest := s.narrowest()
	for i, e := range s.live {
		entry := &s.entries[e]
		for t := range entry.turns {
			sh := &entry.shapes[t]
			if sh.w > width || sh.h > room || sh.w < width && bestRate > mostOfNarrow {
				continue
			}
			r := rate(sh, width, tall, low, room, narrowest)
			if entry.shy && r > 0 {
				r = 0
			}
			if r > bestRate {
				bestRate, pick, turn = r, i, t
				if r == fullMarks {
					return pick, turn, false
				}
			}
		}
	}
	if pick < 0 {
		return pick, 0, false
	}
	// What is level with a wall leans on it; what is level with none leans on the taller one.
	h := s.entries[s.live[pick]].shapes[turn].h
	right = rightWall > leftWall
	if h != tall && h == low {
		right = !right
	}
	return pick, turn, right
}

// The most a shape can get, and the most one can get that does not fill the width.
const fullMarks, mostOfNarrow = 9, 4

// rate says how well a shape fits a valley of the given width between a taller and a lower wall: best if it fills the width
// and is level with a wall, so that the skyline gets simpler; worst if it leaves a gap that is narrower than anything
// left. The steps follow the idea of the scored best fit in Leung, Zhang, Sim: A two-stage intelligent search algorithm
// for the two-dimensional strip packing problem, EJOR 215 (2011), from memory; the order of the steps was measured here.
func rate(sh *shape, width, tall, low, room, narrowest int64) int {
	if sh.w == width {
		switch {
		case sh.h == tall && tall == low:
			return 9
		case sh.h == low:
			return 8
		case sh.h == tall:
			return 7
		case sh.h > low:
			return 6
		default:
			return 5
		}
	}
	if width-sh.w < narrowest {
		return 0
	}
	switch sh.h {
	case tall:
		return 4
	case low:
		return 3
	case room:
		return 2
	default:
		return 1
	}
}

func (s *skyline) narrowest() int64 {
	for s.left[s.bylow[s.lowest]] == 0 {
		s.lowest++
	}
	return s.entries[s.bylow[s.lowest]].least
}

// lay puts one item of the picked entry into a valley, at its right or left end.
func (s *skyline) lay(at, pick, turn int, right bool) {
	e := s.live[pick]
	entry := &s.entries[e]
	sh := entry.shapes[turn]
	x := s.levels[at].x
	if right {
		x = s.end(at) - sh.w
	}
	y := s.levels[at].y
	s.placed = append(s.placed, laid{x, y, sh.w, sh.h, entry.kind, entry.turned != (turn == 1)})
	s.top = max(s.top, y+sh.h)
	s.rest -= entry.area
	s.left[e]--
	if s.left[e] == 0 {
		s.live = append(s.live[:pick], s.live[pick+1:]...)
	}
	s.raise(at, x, x+sh.w, y+sh.h)
}

// raise sets the skyline between two places of one segment, at one of its ends, to a new height.
func (s *skyline) raise(at int, from, to, y int64) {
	start, end := s.levels[at].x, s.end(at)
	switch {
	case from == start && to == end:
		s.lift(at, y)
		return
	case from == start:
		if at > 0 && s.levels[at-1].y == y {
			s.levels[at].x = to
			return
		}
		s.insert(at, segment{from, y})
		s.levels[at+1].x = to
	default:
		if at+1 < len(s.levels) && s.levels[at+1].y == y {
			s.levels[at+1].x = from
			return
		}
		s.insert(at+1, segment{from, y})
	}
}

func (s *skyline) insert(at int, seg segment) {
	s.levels = append(s.levels, segment{})
	copy(s.levels[at+1:], s.levels[at:])
	s.levels[at] = seg
}

// lift sets the height of a whole segment and joins it with neighbours of the same height.
func (s *skyline) lift(at int, y int64) {
	s.levels[at].y = y
	if at+1 < len(s.levels) && s.levels[at+1].y == y {
		s.levels = append(s.levels[:at+1], s.levels[at+2:]...)
	}
	if at > 0 && s.levels[at-1].y == y {
		s.levels = append(s.levels[:at], s.levels[at+1:]...)
	}
}
