package order

import (
	"math"

	"tandem/scheduler/plan/problem"
)

// rule is how urgent a waiting operation is. The logarithm of the ATCS index of Lee, Bhaskaran & Pinedo 1997 (IIE Transactions
// 29:45-52; from memory):
//
//	ln I = ln(w/p) - slack/(k1 p_mean) - changeover/(k2 s_mean)
//
// with the slack of the job to its end. Jobs without a due time, and all of them where the makespan counts, are as urgent as the
// work that waits for them is long. bias is added to it.
type rule struct {
	slack  float64 // per tick
	change float64 // per tick
	bias   []float64
	free   bool // only machines that are free now are considered, else an operation waits for the one in which it ends first
}

// pull builds schedules along time.
type pull struct {
	md       *model
	line     line
	jobEnd   []tick
	open     []int32
	waiting  []int32 // operations whose predecessors are placed
	ready    []tick
	urgency  []float64 // ln(w/p)
	meanWork float64
	meanGap  float64 // mean changeover
}

func newPull(md *model) *pull {
	b := &pull{
		md: md, jobEnd: make([]tick, md.jobs), open: make([]int32, md.n), waiting: make([]int32, 0, md.n),
		ready: make([]tick, md.n), urgency: make([]float64, md.n),
	}
	for o, p := range md.fastest {
		b.meanWork += float64(p) / float64(md.n)
		if w := md.weight[md.job[o]]; w > 0 {
			b.urgency[o] = math.Log(w / max(1, float64(p)))
		}
	}
	b.meanWork = max(1, b.meanWork)
	b.meanGap = max(1, md.meanChange())
	return b
}

// meanChange is the mean changeover between two operations on a machine, of a sample of pairs.
func (md *model) meanChange() float64 {
	sum, count := 0.0, 0
	for x, k := range md.modeOn {
		if md.setup[k] == nil {
			continue
		}
		o := md.modeOwner(int32(x))
		for d := int32(1); d <= 16; d++ {
			other := (o + d*7) % int32(md.n)
			sum += float64(md.change(k, md.family[other], o))
			count++
		}
	}
	return sum / float64(max(1, count))
}

func (md *model) modeOwner(x int32) int32 {
	lo, hi := int32(0), int32(md.n)
	for hi-lo > 1 {
		if mid := (lo + hi) / 2; md.modeAt[mid] <= x {
			lo = mid
		} else {
			hi = mid
		}
	}
	return lo
}

// index is how urgent operation o is at time t, given the changeover it needs.
func (b *pull) index(r *rule, o int32, t, change tick) float64 {
	md := b.md
	v := r.bias[o] - r.change*float64(change)
	due := md.due[md.job[o]]
	if !md.tardy || due >= problem.Never {
		v += r.slack * float64(md.tail[o])
		if md.tardy {
			v -= 1e6 // after all that is due
		}
		return v
	}
	v += b.urgency[o]
	if slack := due - md.jobTail[o] - t; slack > 0 {
		v -= r.slack * float64(slack)
	}
	return v
}

// build makes a plan; order, if not nil, takes the operations in the order in which they were placed.
func (b *pull) build(r *rule, want []int32, s *plan, order []int32) (problem.Cost, bool) {
	md := b.md
	b.line.reset(md)
	b.waiting = b.waiting[:0]
	for o := range int32(md.n) {
		if b.open[o] = md.predAt[o+1] - md.predAt[o]; b.open[o] == 0 {
			b.waiting = append(b.waiting, o)
			b.ready[o] = md.release[o]
		}
	}
	t := tick(math.MinInt64)
	for placed := 0; placed < md.n; {
		busy, next := b.busy(t)
		best, bestAt, bestSlot := math.Inf(-1), -1, slot{}
		if busy != math.MaxUint64 {
			for i, o := range b.waiting {
				ready := b.ready[o]
				if ready > t {
					next = min(next, ready)
					continue
				}
				if md.mask[o]&^busy == 0 {
					continue
				}
				found, ok := b.find(r, want[o], o, t, ready)
				if !ok {
					continue
				}
				if begin := found.start - found.change; begin > t {
					next = min(next, begin)
					continue
				}
				if v := b.index(r, o, t, found.change); v > best {
					best, bestAt, bestSlot = v, i, found
				}
			}
		} else {
			for _, o := range b.waiting {
				if ready := b.ready[o]; ready > t {
					next = min(next, ready)
				}
			}
		}
		if bestAt < 0 {
			if next >= problem.Never || next <= t {
				return problem.Cost{}, false
			}
			t = next
			continue
		}
		o := b.waiting[bestAt]
		b.waiting[bestAt] = b.waiting[len(b.waiting)-1]
		b.waiting = b.waiting[:len(b.waiting)-1]
		md.put(&b.line, s, o, bestSlot)
		if order != nil {
			order[placed] = o
		}
		placed++
		for a := md.succAt[o]; a < md.succAt[o+1]; a++ {
			w := md.succOp[a]
			if b.open[w]--; b.open[w] == 0 {
				b.waiting = append(b.waiting, w)
				b.ready[w] = md.ready(s, w)
			}
		}
	}
	return md.cost(s, b.jobEnd), true
}

// busy tells which machines have no free place at t (more than 64 of them share bits; a bit is set when all of its machines are
// busy), and when the next place is free.
func (b *pull) busy(t tick) (uint64, tick) {
	md := b.md
	free, next := uint64(0), problem.Never
	for k := range md.m {
		for q := md.placeAt[k]; q < md.placeAt[k+1]; q++ {
			if f := b.line.place[q]; f <= t {
				free |= 1 << (k % 64)
			} else {
				next = min(next, f)
			}
		}
	}
	return ^free, next
}

// find gives the slot an operation would take at t.
func (b *pull) find(r *rule, want, o int32, t, ready tick) (slot, bool) {
	md := b.md
	if want >= 0 {
		return md.fit(&b.line, o, want, ready)
	}
	if !r.free {
		return md.choose(&b.line, o, ready)
	}
	var best slot
	ok, now := false, false
	for x := md.modeAt[o]; x < md.modeAt[o+1]; x++ {
		s, fits := md.fit(&b.line, o, x, ready)
		if !fits {
			continue
		}
		starts := s.start-s.change <= t
		if !ok || starts && !now || starts == now && s.end < best.end {
			best, ok, now = s, true, starts
		}
	}
	return best, ok
}
