package graph

import "math"

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
	luck   *chance
	path   []int32
	choice choice
	record int32 // a move that promises less is never forbidden
}

func (c *choice) reset() {
	c.best.guess, c.any.guess = math.MaxInt32, math.MaxInt32
	c.equals, c.anyMany = 0, 0
}

func (m *moves) offer(st step, taboo bool) {
	c := &m.choice
	if !taboo || st.guess < m.record {
		if st.guess < c.best.guess {
			c.best, c.equals = st, 1
		} else if st.guess == c.best.guess {
			if c.equals++; m.luck.below(c.equals) == 0 {
				c.best = st
			}
		}
		return
	}
	if c.anyMany++; m.luck.below(c.anyMany) == 0 {
		c.any = st
	}
}

// longest walks back along one longest path, chosen by chance.
func (m *moves) longest(length int32) {
	md, nodes := m.md, m.nodes
	o, many := int32(-1), int32(0)
	for _, e := range md.sinks {
		if nodes[e].end() == length {
			if many++; many == 1 || m.luck.below(many) == 0 {
				o = e
			}
		}
	}
	m.path = m.path[:0]
	for o >= 0 {
		m.path = append(m.path, o)
		a := &nodes[o]
		next, many := int32(-1), int32(0)
		if a.prev < md.n && nodes[a.prev].end()+a.change == a.start {
			next, many = a.prev, 1
		}
		if a.ready == a.start {
			for _, l := range md.before[md.beforeAt[o]:md.beforeAt[o+1]] {
				if nodes[l.op].end()+l.lag == a.start {
					if many++; many == 1 || m.luck.below(many) == 0 {
						next = l.op
					}
				}
			}
		}
		o = next
	}
	for i, j := 0, len(m.path)-1; i < j; i, j = i+1, j-1 {
		m.path[i], m.path[j] = m.path[j], m.path[i]
	}
}

// look offers the moves of one longest path.
func (m *moves) look(length int32) {
	m.longest(length)
	m.choice.reset()
	path, nodes := m.path, m.nodes
	for i := 0; i < len(path); {
		j := i
		for j+1 < len(path) && nodes[path[j+1]].prev == path[j] {
			j++
		}
		if j > i {
			m.block(path[i], path[j], i == 0, j+1 == len(path))
		}
		i = j + 1
	}
	for _, v := range path {
		for x := m.md.modeAt[v]; x < m.md.modeAt[v+1]; x++ {
			if x != m.mode[v] {
				m.elsewhere(v, x)
			}
		}
	}
}

// block offers moves inside a run of operations of the path on one machine: any of them to one of its ends, and those at the
// ends to any place inside (Zhang, Li, Guan & Rao 2007). No other order inside makes the path shorter, unless there are
// changeovers.
func (m *moves) block(first, last int32, opens, closes bool) {
	nodes := m.nodes
	on := nodes[first].on
	ops := m.order[on]
	i0, i1 := nodes[first].at, nodes[last].at
	all := m.md.setup[on] != nil
	// What begins when the machine is free begins then in any order, what ends the schedule ends it.
	front := all || !opens || i0 > 0 || nodes[first].start > nodes[nodes[first].prev].end()
	back := all || !closes
	if all {
		m.everywhere(i0, i1, ops)
		return
	}
	for i := i0; i < i1 && back; i++ {
		m.tryRight(i, i1, ops)
	}
	for i := i0 + 1; i <= i1 && front; i++ {
		if i > i0+1 || i < i1 || !back { // else the same as to the right
			m.tryLeft(i, i0, ops)
		}
	}
	for j := i0 + 2; front && (j < i1 || j == i1 && !back); j++ {
		if !m.tryRight(i0, j, ops) {
			break
		}
	}
	for j := i1 - 2; back && (j > i0 || j == i0 && !front); j-- {
		if !m.tryLeft(i1, j, ops) {
			break
		}
	}
}

// everywhere offers every move inside a block.
func (m *moves) everywhere(i0, i1 int32, ops []int32) {
	for i := i0; i <= i1; i++ {
		for j := i + 1; j <= i1 && m.tryRight(i, j, ops); j++ {
		}
		for j := i - 2; j >= i0 && m.tryLeft(i, j, ops); j-- { // one to the left is the other one to the right
		}
	}
}

func (m *moves) tryRight(i, j int32, ops []int32) bool {
	if m.mustFollow(ops[i], ops[j]) {
		return false
	}
	m.right(i, j, ops)
	return true
}

func (m *moves) tryLeft(i, j int32, ops []int32) bool {
	if m.mustFollow(ops[j], ops[i]) {
		return false
	}
	m.left(i, j, ops)
	return true
}

// mustFollow says whether something that waits for a may lead to b, which is behind a on its machine.
func (m *moves) mustFollow(a, b int32) bool {
	md, nodes := m.md, m.nodes
	y := &nodes[b]
	start, tail := y.start, y.tail()
	for _, l := range md.after[md.afterAt[a]:md.afterAt[a+1]] {
		x := &nodes[l.op]
		if l.op == b || x.end() <= start && x.after >= tail {
			return true
		}
	}
	return false
}

// right guesses what comes of putting the i-th of the operations behind the j-th, by computing anew what lies between (Balas &
// Vazacopoulos 1998), and offers it.
func (m *moves) right(i, j int32, ops []int32) {
	nodes := m.nodes
	v := ops[i]
	a := &nodes[v]
	k, last := a.on, a.prev
	free := nodes[last].end()
	taboo := false
	m.spare = m.spare[:0]
	for _, o := range ops[i+1 : j+1] {
		b := &nodes[o]
		gap := b.change
		if last == a.prev {
			gap = m.change(k, last, o)
		}
		h := max(b.ready, free+gap)
		m.spare = append(m.spare, h)
		free, last = h+b.length, o
		taboo = taboo || m.taboo.before(o, v)
	}
	h := max(a.ready, free+m.change(k, last, v))
	next := nodes[ops[j]].next
	t := max(a.rest, m.change(k, v, next)+nodes[next].tail())
	guess := h + a.length + t
	t += a.length
	behind := v
	for x := j; x > i; x-- {
		o := ops[x]
		b := &nodes[o]
		gap := nodes[behind].change
		if behind == v {
			gap = m.change(k, o, v)
		}
		t = max(b.rest, gap+t) + b.length
		guess = max(guess, m.spare[x-i-1]+t)
		behind = o
	}
	m.offer(step{v, m.mode[v], j, guess}, taboo)
}

// left is right in the other direction: the i-th goes before the j-th.
func (m *moves) left(i, j int32, ops []int32) {
	nodes := m.nodes
	v := ops[i]
	a := &nodes[v]
	k := a.on
	prev := nodes[ops[j]].prev
	h := max(a.ready, nodes[prev].end()+m.change(k, prev, v))
	vh := h
	free, last := h+a.length, v
	taboo := false
	m.spare = m.spare[:0]
	for _, o := range ops[j:i] {
		b := &nodes[o]
		gap := b.change
		if last == v {
			gap = m.change(k, v, o)
		}
		h := max(b.ready, free+gap)
		m.spare = append(m.spare, h)
		free, last = h+b.length, o
		taboo = taboo || m.taboo.before(v, o)
	}
	behind := a.next
	t := nodes[behind].tail()
	guess := int32(0)
	for x := i - 1; x >= j; x-- {
		o := ops[x]
		b := &nodes[o]
		gap := nodes[behind].change
		if behind == a.next {
			gap = m.change(k, o, behind)
		}
		t = max(b.rest, gap+t) + b.length
		guess = max(guess, m.spare[x-j]+t)
		behind = o
	}
	t = max(a.rest, m.change(k, v, behind)+t)
	guess = max(guess, vh+a.length+t)
	m.offer(step{v, m.mode[v], j, guess}, taboo)
}

// elsewhere offers the best places for v on another machine. What ends before v could start there and what has a longer tail
// than v divide the order: any place between is possible, and the best one is there (Mastrolilli & Gambardella 2000).
func (m *moves) elsewhere(v, mode int32) {
	md, nodes := m.md, m.nodes
	k, length := md.modeOn[mode], md.modeTime[mode]
	ops := m.order[k]
	a := &nodes[v]
	ready, rest := a.ready, a.rest
	// early: the first that ends after v could start; late: the first that has no longer tail than v has behind it.
	early, high := int32(0), int32(len(ops))
	for early < high {
		if mid := int32(uint32(early+high) >> 1); nodes[ops[mid]].end() > ready {
			high = mid
		} else {
			early = mid + 1
		}
	}
	late := int32(0)
	high = int32(len(ops))
	for late < high {
		if mid := int32(uint32(late+high) >> 1); nodes[ops[mid]].tail() <= rest {
			high = mid
		} else {
			late = mid + 1
		}
	}
	taboo := m.taboo.mode[mode] > m.taboo.now
	if md.setup[k] != nil {
		m.aroundWithChangeovers(v, mode, min(early, late), max(early, late), taboo)
		return
	}
	if late <= early {
		at := late
		if early > late {
			at += m.luck.below(early - late + 1)
		}
		guess := max(ready, md.free[k]) + length + rest
		m.offer(step{v, mode, at, guess}, taboo)
		return
	}
	m.between(v, mode, early, late, taboo)
}

// aroundWithChangeovers offers the places for v from one to another and, since the changeover may be shorter there, some before and
// behind, as far as they are possible.
func (m *moves) aroundWithChangeovers(v, mode, from, to int32, taboo bool) {
	const further = 3
	ops := m.order[m.md.modeOn[mode]]
	for least := max(0, from-further); from > least && !m.mustPrecede(ops[from-1], v); {
		from--
	}
	for most := min(int32(len(ops)), to+further); to < most && !m.mustFollow(v, ops[to]); {
		to++
	}
	m.between(v, mode, from, to, taboo)
}

// mustPrecede says whether a may lead to something that b waits for.
func (m *moves) mustPrecede(a, b int32) bool {
	md, nodes := m.md, m.nodes
	x := &nodes[a]
	end, after := x.end(), x.after
	for _, l := range md.before[md.beforeAt[b]:md.beforeAt[b+1]] {
		y := &nodes[l.op]
		if l.op == a || end <= y.start && after >= y.tail() {
			return true
		}
	}
	return false
}

// between offers the places for v from one to another.
func (m *moves) between(v, mode, from, to int32, taboo bool) {
	md, nodes := m.md, m.nodes
	k, length := md.modeOn[mode], md.modeTime[mode]
	ops := m.order[k]
	a := &nodes[v]
	prev := md.n + k
	if from > 0 {
		prev = ops[from-1]
	}
	for at := from; at <= to; at++ {
		next := nodes[prev].next
		h := max(a.ready, nodes[prev].end()+m.change(k, prev, v))
		t := max(a.rest, m.change(k, v, next)+nodes[next].tail())
		m.offer(step{v, mode, at, h + length + t}, taboo)
		prev = next
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
