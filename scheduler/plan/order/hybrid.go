package order

import (
	"cmp"
	"math"
	"slices"

	"tandem/scheduler/chance"
)

// hybrid is the search for hybrid flow shops. An order of jobs says in which order they enter the first stage; at a later stage,
// too, the first in that order of those that wait is taken by the machine that is free first. The problem is looked at from both ends: the last
// stage of the one is the first of the other, and a schedule of the one read backwards is one of the other.
type hybrid struct {
	*run
	shop    *shop
	n       int
	chance  *chance.Stream
	views   [2]view
	free    []int32 // when the machines of a stage are free
	ends    []int32 // of the jobs at all stages, as of the last decoding: ends[s*n+j]
	queue   []int32 // jobs as they come
	seq     []int32
	plan    *plan
	bestEnd int32
	now     int32 // makespan of seq, seen from side
	side    int
	tries   int
	rank    []int32 // place of a job in the order
	wait    []int32
	zero    []int32
	next    []int32
}

// view is the shop from one end: duration and what comes after a job at stage s: work[s*n+j].
type view struct {
	work, after []int32
	servers     []int32
}

func newHybrid(r *run, s *shop, seed uint64) *hybrid {
	h := &hybrid{
		run: r, shop: s, n: s.n, chance: chance.New(seed), free: make([]int32, slices.Max(s.servers)),
		ends: make([]int32, s.n*s.stages), queue: make([]int32, s.n), seq: make([]int32, s.n), plan: newPlan(s.md.n),
		rank: make([]int32, s.n), wait: make([]int32, 0, s.n), zero: make([]int32, s.n), next: make([]int32, s.n),
		bestEnd: math.MaxInt32,
	}
	for side := range h.views {
		v := &h.views[side]
		v.work, v.after = make([]int32, s.n*s.stages), make([]int32, s.n*s.stages)
		for i := range s.stages {
			v.servers = append(v.servers, s.servers[h.stage(side, i)])
		}
		for j := range s.n {
			sum := int32(0)
			for i := s.stages - 1; i >= 0; i-- {
				at := i*s.n + j
				v.work[at] = s.work[j*s.stages+h.stage(side, i)]
				v.after[at] = sum
				sum += v.work[at]
			}
		}
	}
	return h
}

// stage is the i-th stage as seen from a side.
func (h *hybrid) stage(side, i int) int {
	if side == 1 {
		return h.shop.stages - 1 - i
	}
	return i
}

// decode gives the makespan of an order of jobs, or something above limit as soon as it is certain to be above.
func (h *hybrid) decode(side int, seq []int32, limit int32) int32 {
	v, n := &h.views[side], h.n
	queue := append(h.queue[:0], seq...)
	for i, j := range seq {
		h.rank[j] = int32(i)
	}
	most, before := int32(0), h.zero
	for i, servers := range v.servers {
		work, after, ends := v.work[i*n:(i+1)*n], v.after[i*n:(i+1)*n], h.ends[i*n:(i+1)*n]
		if i > 0 {
			arrange(queue, before)
		}
		free := h.free[:servers]
		clear(free)
		wait, next, begin := h.wait[:0], 0, int32(0)
		for range queue {
			// The machine that is free first is at 0; the others are in order. What waits has come by the last beginning.
			begin = max(begin, free[0])
			if len(wait) == 0 {
				begin = max(begin, before[queue[next]])
			}
			for next < len(queue) && before[queue[next]] <= begin {
				wait = h.line(wait, queue[next])
				next++
			}
			j := wait[len(wait)-1]
			wait = wait[:len(wait)-1]
			end := begin + work[j]
			ends[j] = end
			if m := end + after[j]; m > most {
				if most = m; most > limit {
					return most
				}
			}
			q := 1
			for ; q < len(free) && free[q] < end; q++ {
				free[q-1] = free[q]
			}
			free[q-1] = end
		}
		before = ends
	}
	return most
}

// arrange puts jobs in the order in which they come; they nearly are.
func arrange(queue, before []int32) {
	for a := 1; a < len(queue); a++ {
		j := queue[a]
		came, b := before[j], a
		for ; b > 0 && before[queue[b-1]] > came; b-- {
			queue[b] = queue[b-1]
		}
		queue[b] = j
	}
}

// line puts a job in the line of those that wait; the first in the order of jobs stands last.
func (h *hybrid) line(wait []int32, j int32) []int32 {
	wait = append(wait, j)
	at := len(wait) - 1
	for ; at > 0 && h.rank[wait[at-1]] < h.rank[j]; at-- {
		wait[at] = wait[at-1]
	}
	wait[at] = j
	return wait
}

// search goes on until it is another search's turn: simulated annealing, over and over, each time from the other end.
func (h *hybrid) search() {
	if h.bestEnd == math.MaxInt32 {
		h.begin()
		h.now = h.decode(h.side, h.seq, math.MaxInt32)
		h.keep(h.side, h.now)
	}
	heat := warmth * float64(h.shop.total) / float64(len(h.shop.work))
	for h.going() {
		if h.tries++; h.tries > patience*h.n {
			h.tries = 0
			h.now = h.turn(h.side)
			h.side = 1 - h.side
			h.keep(h.side, h.now)
		}
		next := h.change()
		cool := 1 - float64(h.tries)/float64(patience*h.n+1)
		limit := h.now + int32(-math.Log(1-h.chance.Float())*heat*cool*cool)
		v := h.decode(h.side, next, limit)
		h.spend(1, len(h.shop.work)/4)
		if v <= limit {
			h.now = v
			h.seq, h.next = next, h.seq
			h.keep(h.side, v)
		}
	}
}

const (
	// warmth is by how much of the mean duration an accepted order may be worse at first, on average.
	warmth = 0.04
	// patience is how many changes a job one annealing takes.
	patience = 5000
)

// begin orders the jobs by what comes after the first stage, longest first, or as a warm start has them.
func (h *hybrid) begin() {
	for j := range h.seq {
		h.seq[j] = int32(j)
	}
	key := h.views[0].after
	slices.SortStableFunc(h.seq, func(a, b int32) int { return cmp.Compare(key[b], key[a]) })
	if h.value != worst {
		h.shop.byStart(h.seq, h.best)
	}
}

// turn looks at the present order from the other end.
func (h *hybrid) turn(side int) int32 {
	h.decode(side, h.seq, math.MaxInt32)
	ends := h.ends[(h.shop.stages-1)*h.n:]
	slices.SortStableFunc(h.seq, func(a, b int32) int { return cmp.Compare(ends[b], ends[a]) })
	return h.decode(1-side, h.seq, math.MaxInt32)
}

// change swaps two jobs or moves one.
func (h *hybrid) change() []int32 {
	next := append(h.next[:0], h.seq...)
	a, b := h.chance.Below(h.n), h.chance.Below(h.n)
	if h.chance.Below(2) == 0 {
		next[a], next[b] = next[b], next[a]
		return next
	}
	j := next[a]
	if a < b {
		copy(next[a:b], next[a+1:b+1])
	} else {
		copy(next[b+1:a+1], next[b:a])
	}
	next[b] = j
	return next
}

// keep offers the schedule decoded last if it is the best one.
func (h *hybrid) keep(side int, value int32) {
	if value >= h.bestEnd {
		return
	}
	h.bestEnd = value
	s, md := h.shop, h.md
	for i := range s.stages {
		st := h.stage(side, i)
		jobs := slices.Clone(h.seq)
		start := make([]tick, s.n)
		for j := range s.n {
			end := tick(h.ends[i*s.n+j])
			start[j] = end - tick(s.work[j*s.stages+st])
			if side == 1 {
				start[j] = tick(value) - end
			}
		}
		slices.SortStableFunc(jobs, func(a, b int32) int { return cmp.Compare(start[a], start[b]) })
		h.assign(st, jobs, start)
	}
	h.offer(h.plan, md.cost(h.plan, make([]tick, md.jobs)))
}

// assign gives the jobs of a stage, in the order of their starts, places.
func (h *hybrid) assign(stage int, jobs []int32, start []tick) {
	s, md := h.shop, h.md
	free := make([]tick, len(md.place))
	for _, j := range jobs {
		o := s.ops[int(j)*s.stages+stage]
		best, on := int32(-1), int32(-1)
		for x := md.modeAt[o]; x < md.modeAt[o+1]; x++ {
			for q := md.placeAt[md.modeOn[x]]; q < md.placeAt[md.modeOn[x]+1]; q++ {
				if best < 0 || free[q] < free[best] {
					best, on = q, x
				}
			}
		}
		h.plan.start[o], h.plan.end[o], h.plan.change[o] = start[j], start[j]+md.modeDur[on], 0
		h.plan.mode[o], h.plan.place[o] = on, best
		free[best] = h.plan.end[o]
	}
}
