package graph

// take removes an operation from its machine.
func (s *state) take(v int32) {
	a := &s.nodes[v]
	ops := s.order[a.on]
	copy(ops[a.at:], ops[a.at+1:])
	ops = ops[:len(ops)-1]
	for i := a.at; i < int32(len(ops)); i++ {
		s.nodes[ops[i]].at = i
	}
	s.order[a.on] = ops
	s.join(a.prev, a.next)
}

// put puts an operation in a place of the order on the machine of a mode.
func (s *state) put(v, mode, at int32) {
	md := s.md
	k := md.modeOn[mode]
	ops := append(s.order[k], 0)
	copy(ops[at+1:], ops[at:])
	ops[at] = v
	s.order[k] = ops
	for i := at; i < int32(len(ops)); i++ {
		s.nodes[ops[i]].at = i
	}
	a := &s.nodes[v]
	a.on, a.length, s.mode[v] = k, md.modeTime[mode], mode
	prev, next := md.n+k, md.n+md.m+k
	if at > 0 {
		prev = ops[at-1]
	}
	if int(at)+1 < len(ops) {
		next = ops[at+1]
	}
	s.join(prev, v)
	s.join(v, next)
}

// move takes v to a place of the order on the machine of a mode, counted without v, and brings heads and tails up to date. If
// the graph would have a circle then, it changes nothing and says false.
func (s *state) move(v, mode, at int32) bool {
	wasMode, wasAt := s.mode[v], s.nodes[v].at
	s.take(v)
	s.put(v, mode, at)
	from, to, ok := s.sort(v)
	if !ok {
		s.take(v)
		s.put(v, wasMode, wasAt)
		return false
	}
	s.heads(from)
	s.tails(to)
	return true
}

// sort repairs the topological order after v has got other neighbours on its machine: between the first of what follows it and
// the last of what it follows, whatever leads to v goes before it (Pearce & Kelly 2007, "A dynamic topological sort algorithm
// for directed acyclic graphs", with a scan instead of a search). It gives the part of the order that may have changed.
func (s *state) sort(v int32) (from, to int32, ok bool) {
	md, nodes := s.md, s.nodes
	a := &nodes[v]
	from, to = a.pos, a.pos
	if a.prev < md.n {
		to = max(to, nodes[a.prev].pos)
	}
	if a.next < md.n {
		from = min(from, nodes[a.next].pos)
	}
	if s.stamp++; s.stamp == 0 { // round once: old marks would count again
		clear(s.mark)
		s.stamp = 1
	}
	s.mark[v] = s.stamp
	leads := s.spare[:0]
	for i := to; i >= from; i-- {
		o := s.topo[i]
		if o == v {
			continue
		}
		marked := s.mark[nodes[o].next] == s.stamp
		for _, l := range md.after[md.afterAt[o]:md.afterAt[o+1]] {
			marked = marked || s.mark[l.op] == s.stamp
		}
		if marked {
			s.mark[o] = s.stamp
			leads = append(leads, o)
		}
	}
	if s.mark[a.next] == s.stamp {
		return 0, 0, false
	}
	for _, l := range md.after[md.afterAt[v]:md.afterAt[v+1]] {
		if s.mark[l.op] == s.stamp {
			return 0, 0, false
		}
	}
	// What is not marked moves up to the end, from behind; then the others fit in before.
	w := to
	for i := to; i >= from; i-- {
		if o := s.topo[i]; s.mark[o] != s.stamp {
			s.topo[w], nodes[o].pos = o, w
			w--
		}
	}
	s.topo[w], a.pos = v, w
	for _, o := range leads {
		w--
		s.topo[w], nodes[o].pos = o, w
	}
	return from, to, true
}
