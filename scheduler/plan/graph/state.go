package graph

// node is an operation with its place in the graph. Before the first operation of a machine there is a node that ends when the
// machine is free, behind the last one a node of no length: nobody has to ask for ends of lists.
type node struct {
	start  int32 // longest path to it
	after  int32 // longest path from its end
	length int32
	prev   int32 // on its machine
	next   int32
	change int32 // changeover between prev and it
	ready  int32 // start if it only had to wait for its job
	rest   int32 // after, as far as only its job asks for it
	on     int32 // machine
	at     int32 // place in the order on the machine
	pos    int32 // place in the topological order
	family int32
}

func (a *node) end() int32 { return a.start + a.length }

// tail is the longest path from its start.
func (a *node) tail() int32 { return a.length + a.after }

// state is a schedule as a graph, with heads and tails kept up to date.
type state struct {
	md    *model
	nodes []node    // n operations, then m beginnings and m ends of machines
	mode  []int32   // of each operation
	order [][]int32 // of the operations on each machine
	topo  []int32   // all operations; arcs lead only forward
	mark  []uint32
	stamp uint32
	spare []int32
}

// plan is a schedule told shortly: modes, and an order of all operations that gives the orders on the machines.
type plan struct {
	mode, topo []int32
	length     int32
}

func newPlan(n int32) plan { return plan{mode: make([]int32, n), topo: make([]int32, n)} }

func (p *plan) set(from *plan) {
	copy(p.mode, from.mode)
	copy(p.topo, from.topo)
	p.length = from.length
}

func newState(md *model) *state {
	n, m := md.n, md.m
	s := &state{
		md: md, nodes: make([]node, n+2*m), mode: make([]int32, n), order: make([][]int32, m), topo: make([]int32, n),
		mark: make([]uint32, n+2*m), spare: make([]int32, 0, n),
	}
	room := make([]int, m)
	for _, k := range md.modeOn {
		room[k]++
	}
	for k := range m {
		s.order[k] = make([]int32, 0, room[k])
		s.nodes[n+k] = node{start: md.free[k], on: k, family: md.initial[k]}
		s.nodes[n+m+k] = node{on: k}
	}
	for o := range n {
		s.nodes[o].family = md.family[o]
	}
	return s
}

// load makes the graph of a plan.
func (s *state) load(p *plan) {
	md := s.md
	copy(s.mode, p.mode)
	copy(s.topo, p.topo)
	for k := range s.order {
		s.order[k] = s.order[k][:0]
	}
	for i, o := range s.topo {
		a := &s.nodes[o]
		a.pos, a.on, a.length = int32(i), md.modeOn[s.mode[o]], md.modeTime[s.mode[o]]
		a.at = int32(len(s.order[a.on]))
		s.order[a.on] = append(s.order[a.on], o)
	}
	for k, ops := range s.order {
		last := md.n + int32(k)
		for _, o := range ops {
			s.join(last, o)
			last = o
		}
		s.join(last, md.n+md.m+int32(k))
	}
	s.heads(0)
	s.tails(md.n - 1)
}

// save tells the graph shortly.
func (s *state) save(p *plan) {
	copy(p.mode, s.mode)
	copy(p.topo, s.topo)
	p.length = s.makespan()
}

// join makes b follow a on their machine.
func (s *state) join(a, b int32) {
	s.nodes[a].next, s.nodes[b].prev = b, a
	s.nodes[b].change = s.change(s.nodes[b].on, a, b)
}

// change is the changeover between two nodes of machine k.
func (s *state) change(k, a, b int32) int32 {
	table := s.md.setup[k]
	if table == nil || b >= s.md.n {
		return 0
	}
	from := s.nodes[a].family
	if from < 0 {
		return 0
	}
	return table[from*s.md.families[k]+s.nodes[b].family]
}

// heads computes starts from a place in the topological order on.
func (s *state) heads(from int32) {
	md, nodes := s.md, s.nodes
	for _, o := range s.topo[from:] {
		a := &nodes[o]
		h := md.release[o]
		for _, l := range md.before[md.beforeAt[o]:md.beforeAt[o+1]] {
			b := &nodes[l.op]
			h = max(h, b.start+b.length+l.lag)
		}
		a.ready = h
		b := &nodes[a.prev]
		a.start = max(h, b.start+b.length+a.change)
	}
}

// tails computes tails from a place in the topological order back to the first.
func (s *state) tails(from int32) {
	md, nodes := s.md, s.nodes
	for i := from; i >= 0; i-- {
		o := s.topo[i]
		a := &nodes[o]
		t := int32(0)
		for _, l := range md.after[md.afterAt[o]:md.afterAt[o+1]] {
			b := &nodes[l.op]
			t = max(t, l.lag+b.length+b.after)
		}
		a.rest = t
		b := &nodes[a.next]
		a.after = max(t, b.change+b.length+b.after)
	}
}

func (s *state) makespan() int32 {
	c := int32(0)
	for _, o := range s.md.sinks {
		c = max(c, s.nodes[o].end())
	}
	return c
}

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
	s.stamp++
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
