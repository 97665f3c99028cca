package graph

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
