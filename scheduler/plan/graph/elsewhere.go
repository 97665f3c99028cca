package graph

// elsewhere offers the best places for v on another machine. What ends before v could start there and what has a longer tail
// than v divide the order: any place between is possible, and the best one is there (Mastrolilli & Gambardella 2000).
func (m *moves) elsewhere(v, mode int32) {
	md, nodes := m.md, m.nodes
	k, length := md.modeOn[mode], md.modeTime[mode]
	ops := m.order[k]
	a := &nodes[v]
	ready, rest := a.ready, a.rest
	if m.beaten(max(ready, md.free[k]) + length + rest) {
		return
	}
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
			at += below(m.luck, early-late+1)
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
	if md.setup[k] == nil { // the same as below, but for what is 0
		for at := from; at <= to; at++ {
			b := &nodes[prev]
			next := b.next
			h := max(a.ready, b.start+b.length) + length
			if m.beaten(h + a.rest) {
				return // and so are the places behind
			}
			m.offer(step{v, mode, at, h + max(a.rest, nodes[next].tail())}, taboo)
			prev = next
		}
		return
	}
	for at := from; at <= to; at++ {
		next := nodes[prev].next
		h := max(a.ready, nodes[prev].end()+m.change(k, prev, v))
		t := max(a.rest, m.change(k, v, next)+nodes[next].tail())
		m.offer(step{v, mode, at, h + length + t}, taboo)
		prev = next
	}
}
