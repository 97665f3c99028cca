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
