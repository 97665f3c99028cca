package graph

import (
	"math"

	"tandem/scheduler/chance"
)

// step is a move: v to a place of the order on the machine of a mode, counted without v.
type step struct {
	v, mode, at int32
	guess       int32 // length of the longest path that the move touches, about
}

// forbidden is what may not be undone for a while.
type forbidden struct {
	mode  []int64 // of an operation, until when
	arc   []int64 // one operation before another, until when; places are shared if there are many operations
	mask  uint32
	now   int64
	reach int32 // n
}

func newForbidden(md *model) forbidden {
	size := uint32(1)
	for int64(size) < int64(md.n)*int64(md.n) && size < 1<<20 {
		size *= 2
	}
	return forbidden{mode: make([]int64, len(md.modeOn)), arc: make([]int64, size), mask: size - 1, reach: md.n}
}

func (f *forbidden) place(a, b int32) *int64 { return &f.arc[uint32(a*f.reach+b)&f.mask] }

func (f *forbidden) before(a, b int32) bool { return *f.place(a, b) > f.now }

func (f *forbidden) clear() {
	clear(f.mode)
	clear(f.arc)
	f.now = 0
}

// choice keeps the best move, one of equals by chance.
type choice struct {
	best    step
	equals  int32
	any     step // the best of all, forbidden or not
	anyMany int32
}

// search of moves from one schedule.
type moves struct {
	*state
	taboo  forbidden
	luck   *chance.Stream
	path   []int32
	choice choice
	record int32 // a move that promises less is never forbidden
}

func (c *choice) reset() {
	c.best.guess, c.any.guess = math.MaxInt32, math.MaxInt32
	c.equals, c.anyMany = 0, 0
}

// beaten says that a move that promises no less than this is not chosen, whatever its place.
func (m *moves) beaten(least int32) bool { return m.choice.equals > 0 && least > m.choice.best.guess }

func (m *moves) offer(st step, taboo bool) {
	c := &m.choice
	if !taboo || st.guess < m.record {
		if st.guess < c.best.guess {
			c.best, c.equals = st, 1
		} else if st.guess == c.best.guess {
			if c.equals++; below(m.luck, c.equals) == 0 {
				c.best = st
			}
		}
		return
	}
	if c.anyMany++; below(m.luck, c.anyMany) == 0 {
		c.any = st
	}
}

// forbid keeps a move from being undone for so many steps; it is called before the move.
func (m *moves) forbid(st step, steps int64) {
	until := m.taboo.now + steps
	a := &m.nodes[st.v]
	if m.mode[st.v] != st.mode {
		m.taboo.mode[m.mode[st.v]] = until
		return
	}
	ops := m.order[a.on]
	for x := a.at + 1; x <= st.at; x++ {
		*m.taboo.place(st.v, ops[x]) = until
	}
	for x := st.at; x < a.at; x++ {
		*m.taboo.place(ops[x], st.v) = until
	}
}
