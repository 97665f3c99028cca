package order

import (
	"cmp"
	"math"
	"slices"
)

// hybrid is the search for hybrid flow shops. An order of jobs says in which order they enter the first stage; at a later stage
// they are taken as they come, and always by the machine that is free first. The problem is looked at from both ends: the last
// stage of the one is the first of the other, and a schedule of the one read backwards is one of the other.
type hybrid struct {
	*run
	shop                       *shop
	n                          int
	chance                     chance
	views                      [2]view
	free                       []int32 // when the machines of a stage are free
	ends                       []int32 // of the jobs at all stages, as of the last decoding: ends[s*n+j]
	queue                      []int32 // jobs as they come
	seq                        []int32
	plan                       *plan
	bestEnd                    int32
	free2, wait, arrived, rank []int32
}

// view is the shop from one end: duration and what comes after a job at stage s: work[s*n+j].
type view struct {
	work, after []int32
	servers     []int32
}

func newHybrid(r *run, s *shop, seed uint64) *hybrid {
	h := &hybrid{
		run: r, shop: s, n: s.n, chance: chance{seed}, free: make([]int32, slices.Max(s.servers)),
		ends: make([]int32, s.n*s.stages), queue: make([]int32, s.n), seq: make([]int32, s.n), plan: newPlan(s.md.n),
		free2: make([]int32, slices.Max(s.servers)), wait: make([]int32, s.n), arrived: make([]int32, s.n), rank: make([]int32, s.n),
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
func (h *hybrid) decode(side, style int, seq []int32, limit int32) int32 {
	v, n := &h.views[side], h.n
	queue := append(h.queue[:0], seq...)
	most := int32(0)
	if style == 2 {
		for i, j := range seq {
			h.rank[j] = int32(i)
		}
	}
	var before []int32
	for i, servers := range v.servers {
		work, after, ends := v.work[i*n:(i+1)*n], v.after[i*n:(i+1)*n], h.ends[i*n:(i+1)*n]
		if i > 0 {
			// As they come; they nearly are in order.
			for a := 1; a < len(queue); a++ {
				j := queue[a]
				e := before[j]
				b := a
				for ; b > 0 && before[queue[b-1]] > e; b-- {
					queue[b] = queue[b-1]
				}
				queue[b] = j
			}
		}
		free := h.free[:servers]
		clear(free)
		if style > 0 && i > 0 {
			h.sort(queue, before, v, i, style)
		}
		for _, j := range queue {
			// The machine that is free first is at 0; the others are in order.
			end := free[0]
			if i > 0 {
				end = max(end, before[j])
			}
			end += work[j]
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

// sort
func (h *hybrid) sort(queue, before []int32, v *view, i, style int) {
	free := h.free2[:v.servers[i]]
	clear(free)
	work, after := v.work[i*h.n:(i+1)*h.n], v.after[i*h.n:(i+1)*h.n]
	wait := h.wait[:0]
	at := 0
	arrived := h.arrived[:copy(h.arrived, queue)]
	for k := range queue {
		t := free[0]
		if len(wait) == 0 {
			t = max(t, before[arrived[at]])
		}
		for at < len(arrived) && before[arrived[at]] <= t {
			wait = append(wait, arrived[at])
			at++
		}
		best := 0
		for x := 1; x < len(wait); x++ {
			a, b := wait[x], wait[best]
			var better bool
			if style == 1 {
				better = after[a] > after[b]
			} else {
				better = h.rank[a] < h.rank[b]
			}
			if better {
				best = x
			}
		}
		j := wait[best]
		wait = append(wait[:best], wait[best+1:]...)
		queue[k] = j
		end := max(t, before[j]) + work[j]
		q := 1
		for ; q < len(free) && free[q] < end; q++ {
			free[q-1] = free[q]
		}
		free[q-1] = end
	}
}

var ST = 0

// search goes on until the budget is spent.
func (h *hybrid) search() {
	for j := range h.seq {
		h.seq[j] = int32(j)
	}
	key := h.views[0].after
	slices.SortStableFunc(h.seq, func(a, b int32) int { return cmp.Compare(key[b], key[a]) })
	side, style := 0, ST%3
	now := h.decode(side, style, h.seq, math.MaxInt32)
	h.keep(side, now)
	n := h.n
	heat := H * float64(h.shop.total) / float64(len(h.shop.work))
	next := make([]int32, n)
	tries := 0
	for !h.ended {
		tries++
		if tries > D*1000*n {
			tries = 0
			side = 1 - side
			old := style
			if ST == 3 {
				style = h.chance.below(3)
			}
			if ST == 4 {
				style = h.chance.below(2) * 2
			}
			h.decode(1-side, old, h.seq, math.MaxInt32)
			ends := h.ends[(h.shop.stages-1)*n:]
			slices.SortStableFunc(h.seq, func(a, b int32) int { return cmp.Compare(ends[b], ends[a]) })
			now = h.decode(side, style, h.seq, math.MaxInt32)
			h.keep(side, now)
		}
		copy(next, h.seq)
		a, b := h.chance.below(n), h.chance.below(n)
		if a == b {
			continue
		}
		if h.chance.below(2) == 0 {
			next[a], next[b] = next[b], next[a]
		} else {
			j := next[a]
			next = slices.Delete(next, a, a+1)
			next = slices.Insert(next, b, j)
		}
		limit := now + int32(-math.Log(1-h.chance.float())*heat)
		v := h.decode(side, style, next, limit)
		h.spend(len(h.shop.work))
		if v <= limit {
			now = v
			copy(h.seq, next)
			h.keep(side, v)
		}
	}
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
