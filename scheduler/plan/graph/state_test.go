package graph

import (
	"slices"
	"testing"

	"tandem/scheduler/chance"
)

// randomPlan draws an order that keeps precedence, and modes.
func randomPlan(md *model, c *chance.Stream) plan {
	p := newPlan(md.n)
	waits := make([]int32, md.n)
	var open []int32
	for o := range md.n {
		p.mode[o] = md.modeAt[o] + below(c, md.modeAt[o+1]-md.modeAt[o])
		if waits[o] = md.beforeAt[o+1] - md.beforeAt[o]; waits[o] == 0 {
			open = append(open, o)
		}
	}
	for i := range p.topo {
		x := below(c, int32(len(open)))
		o := open[x]
		open = slices.Delete(open, int(x), int(x)+1)
		p.topo[i] = o
		for _, l := range md.after[md.afterAt[o]:md.afterAt[o+1]] {
			if waits[l.op]--; waits[l.op] == 0 {
				open = append(open, l.op)
			}
		}
	}
	return p
}

// same compares a state that was changed step by step with one computed from nothing.
func same(t *testing.T, s *state) {
	t.Helper()
	p := newPlan(s.md.n)
	s.save(&p)
	fresh := newState(s.md)
	fresh.load(&p)
	for k := range s.order {
		if !slices.Equal(s.order[k], fresh.order[k]) {
			t.Fatalf("machine %d: order %v, the topological order has %v", k, s.order[k], fresh.order[k])
		}
	}
	for o := range s.md.n {
		a, b := s.nodes[o], fresh.nodes[o]
		if a != b {
			t.Fatalf("operation %d: %+v, computed anew %+v", o, a, b)
		}
		for _, l := range s.md.before[s.md.beforeAt[o]:s.md.beforeAt[o+1]] {
			if s.nodes[l.op].pos >= a.pos {
				t.Fatalf("operation %d stands before %d, for which it waits", o, l.op)
			}
		}
	}
}

// circle asks with a search of its own whether the graph would have a circle with these orders on the machines.
func circle(md *model, order [][]int32) bool {
	waits := make([]int, md.n)
	after := make([][]int32, md.n)
	for o := range md.n {
		for _, l := range md.before[md.beforeAt[o]:md.beforeAt[o+1]] {
			after[l.op] = append(after[l.op], o)
			waits[o]++
		}
	}
	for _, ops := range order {
		for i := 1; i < len(ops); i++ {
			after[ops[i-1]] = append(after[ops[i-1]], ops[i])
			waits[ops[i]]++
		}
	}
	var ready []int32
	for o, w := range waits {
		if w == 0 {
			ready = append(ready, int32(o))
		}
	}
	for i := 0; i < len(ready); i++ {
		for _, o := range after[ready[i]] {
			if waits[o]--; waits[o] == 0 {
				ready = append(ready, o)
			}
		}
	}
	return len(ready) < int(md.n)
}

func TestMoveKeepsTheGraph(t *testing.T) {
	for name, sh := range shapes(24, 4, 4) {
		t.Run(name, func(t *testing.T) {
			c := chance.New(7)
			refused := 0
			for range 8 {
				md := compile(randomProblem(c, sh))
				s := newState(md)
				p := randomPlan(md, c)
				s.load(&p)
				for range 150 {
					v := below(c, md.n)
					mode := md.modeAt[v] + below(c, md.modeAt[v+1]-md.modeAt[v])
					many := len(s.order[md.modeOn[mode]])
					if mode == s.mode[v] {
						many--
					}
					at := below(c, int32(many)+1)
					want := make([][]int32, md.m)
					for k := range want {
						want[k] = slices.Clone(s.order[k])
						if i := slices.Index(want[k], v); i >= 0 {
							want[k] = slices.Delete(want[k], i, i+1)
						}
					}
					before := slices.Clone(s.nodes)
					k := md.modeOn[mode]
					want[k] = slices.Insert(want[k], int(at), v)
					ok := s.move(v, mode, at)
					if ok == circle(md, want) {
						t.Fatalf("move of %d to %d on machine %d: done %v, circle %v", v, at, k, ok, !ok)
					}
					if !ok {
						refused++
						if !slices.Equal(before, s.nodes) {
							t.Fatal("a refused move has changed the graph")
						}
					} else if !slices.Equal(s.order[k], want[k]) {
						t.Fatalf("machine %d: order %v, want %v", k, s.order[k], want[k])
					}
					same(t, s)
				}
			}
			if refused == 0 {
				t.Error("no move was refused: the test has seen no circle")
			}
		})
	}
}

// TestOfferedMovesAreDone holds the theorem on places on another machine, and the conditions inside blocks: no move that is offered
// makes a circle where operations take time.
func TestOfferedMovesAreDone(t *testing.T) {
	for name, sh := range shapes(40, 4, 5) {
		if sh.zero {
			continue
		}
		t.Run(name, func(t *testing.T) {
			c := chance.New(11)
			done, elsewhere := 0, 0
			for range 20 {
				md := compile(randomProblem(c, sh))
				m := &moves{state: newState(md), taboo: newForbidden(md), luck: c}
				p := randomPlan(md, c)
				m.load(&p)
				for range 100 {
					m.look(m.makespan())
					if m.choice.equals == 0 {
						break
					}
					st := m.choice.best
					if st.mode != m.mode[st.v] {
						elsewhere++
					}
					if !m.move(st.v, st.mode, st.at) {
						t.Fatalf("%+v makes a circle", st)
					}
					done++
				}
			}
			if done < 20 || sh.flexible && elsewhere == 0 {
				t.Errorf("%d moves, %d of them to another machine: too few to tell", done, elsewhere)
			}
		})
	}
}

// TestGuessOnOneMachine compares the guess of a move inside a block with the path it stands for: a move of two neighbours has an exact
// guess, since nothing before the first and nothing after the second changes (Taillard 1994).
func TestGuessOnOneMachine(t *testing.T) {
	for name, sh := range shapes(30, 3, 5) {
		if sh.zero {
			continue
		}
		t.Run(name, func(t *testing.T) {
			c := chance.New(13)
			swaps := 0
			for range 60 {
				md := compile(randomProblem(c, sh))
				m := &moves{state: newState(md), taboo: newForbidden(md), luck: c}
				p := randomPlan(md, c)
				m.load(&p)
				for range 30 {
					m.longest(m.makespan())
					moved := false
					for i := 1; i < len(m.path) && !moved; i++ {
						u, v := m.path[i-1], m.path[i]
						if m.nodes[v].prev != u || m.mustFollow(u, v) {
							continue
						}
						k, at := m.nodes[u].on, m.nodes[u].at
						m.choice.reset()
						if below(c, 2) == 0 {
							m.right(at, at+1, m.order[k])
						} else {
							m.left(at+1, at, m.order[k])
						}
						st := m.choice.best
						if !m.move(st.v, st.mode, st.at) {
							t.Fatalf("%+v makes a circle", st)
						}
						a, b := &m.nodes[u], &m.nodes[v]
						if got := max(a.start+a.tail(), b.start+b.tail()); got != st.guess {
							t.Fatalf("swap of %d and %d: guess %d, longest path through them %d", u, v, st.guess, got)
						}
						swaps++
						moved = true
					}
					if !moved {
						break
					}
				}
			}
			if swaps < 20 {
				t.Errorf("%d swaps are too few to tell", swaps)
			}
		})
	}
}
