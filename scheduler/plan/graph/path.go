package graph

// longest walks back along one longest path, chosen by chance.
func (m *moves) longest(length int32) {
	md, nodes := m.md, m.nodes
	o, many := int32(-1), int32(0)
	for _, e := range md.sinks {
		if nodes[e].end() == length {
			if many++; many == 1 || below(m.luck, many) == 0 {
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
					if many++; many == 1 || below(m.luck, many) == 0 {
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
