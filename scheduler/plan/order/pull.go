package order

import (
	"math"
	"slices"

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
	placed   []int32 // operations in the order in which they were placed
	open     []int32
	ready    []tick
	urgency  []float64 // ln(w/p)
	meanWork float64
	meanGap  float64 // mean changeover

	crowds  []crowd
	crowdOf []int32
	joins   [][]int32 // crowds that a machine serves
	pending []int32   // operations whose predecessors are placed and whose time has not come
	soon    tick      // when the first of them is ready
	bids    []bid
	rows    [][]tick // changeovers of a machine from the family it is set up for
}

// bid is the mode in which a waiting operation would run, while the turn of its crowd has not gone on.
type bid struct {
	begin, change tick
	mode, turn    int32
}

// crowd is the waiting operations that may use the same machines.
type crowd struct {
	mask    uint64
	turn    int32 // goes on when one of the machines takes something
	waiting []int32
}

func newPull(md *model) *pull {
	b := &pull{
		md: md, jobEnd: make([]tick, md.jobs), open: make([]int32, md.n), ready: make([]tick, md.n),
		urgency: make([]float64, md.n), bids: make([]bid, md.n), rows: make([][]tick, md.m),
		joins: make([][]int32, md.m), crowdOf: make([]int32, md.n), pending: make([]int32, 0, md.n),
	}
	for o, p := range md.fastest {
		b.meanWork += float64(p) / float64(md.n)
		if w := md.weight[md.job[o]]; w > 0 {
			b.urgency[o] = math.Log(w / max(1, float64(p)))
		}
	}
	b.meanWork = max(1, b.meanWork)
	b.meanGap = max(1, md.meanChange())
	for at, members := range md.crowds() {
		for _, o := range members {
			b.crowdOf[o] = int32(at)
		}
		o := members[0]
		b.crowds = append(b.crowds, crowd{mask: md.mask[o], waiting: make([]int32, 0, len(members))})
		for x := md.modeAt[o]; x < md.modeAt[o+1]; x++ {
			if k := md.modeOn[x]; !slices.Contains(b.joins[k], int32(at)) {
				b.joins[k] = append(b.joins[k], int32(at))
			}
		}
	}
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

// build makes a plan.
func (b *pull) build(r *rule, want []int32, s *plan) (problem.Cost, bool) {
	md := b.md
	b.line.reset(md)
	b.pending, b.soon = b.pending[:0], problem.Never
	for c := range b.crowds {
		b.crowds[c].waiting = b.crowds[c].waiting[:0]
	}
	for k := range b.rows {
		b.rows[k] = nil
		if from := b.line.last[k]; from >= 0 && md.setup[k] != nil {
			b.rows[k] = md.setup[k][from]
		}
	}
	for o := range int32(md.n) {
		b.bids[o].turn = -1
		if b.open[o] = md.predAt[o+1] - md.predAt[o]; b.open[o] == 0 {
			b.await(o, md.release[o])
		}
	}
	t := tick(math.MinInt64)
	for b.placed = b.placed[:0]; len(b.placed) < md.n; {
		if b.soon <= t {
			b.arrive(t)
		}
		busy, next := b.busy(t)
		next = min(next, b.soon)
		best, from, at := math.Inf(-1), -1, -1
		for c := range b.crowds {
			if b.crowds[c].mask&^busy == 0 {
				continue
			}
			turn := b.crowds[c].turn
			for i, o := range b.crowds[c].waiting {
				found := &b.bids[o]
				if found.turn != turn || r.free {
					b.find(r, want[o], o, t, found)
					found.turn = turn
				}
				if found.begin > t {
					next = min(next, found.begin)
					continue
				}
				if v := b.index(r, o, t, found.change); v > best {
					best, from, at = v, c, i
				}
			}
		}
		if from < 0 {
			if next >= problem.Never || next <= t {
				return problem.Cost{}, false
			}
			t = next
			continue
		}
		w := b.crowds[from].waiting
		o := w[at]
		w[at] = w[len(w)-1]
		b.crowds[from].waiting = w[:len(w)-1]
		b.place(s, o)
		b.placed = append(b.placed, o)
	}
	return md.cost(s, b.jobEnd), true
}

// place books the slot of an operation; what waited for it last waits for a machine now.
func (b *pull) place(s *plan, o int32) {
	md := b.md
	found, _ := md.fit(&b.line, o, b.bids[o].mode, b.ready[o])
	md.put(&b.line, s, o, found)
	k := md.modeOn[found.mode]
	if md.setup[k] != nil {
		b.rows[k] = md.setup[k][md.family[o]]
	}
	if md.stay(found.mode, found.change) > 0 {
		for c := range b.crowds {
			b.crowds[c].turn++
		}
	} else {
		for _, c := range b.joins[k] {
			b.crowds[c].turn++
		}
	}
	for a := md.succAt[o]; a < md.succAt[o+1]; a++ {
		w := md.succOp[a]
		if b.open[w]--; b.open[w] == 0 {
			b.await(w, md.ready(s, w))
		}
	}
}

func (b *pull) await(o int32, ready tick) {
	b.ready[o] = ready
	b.soon = min(b.soon, ready)
	b.pending = append(b.pending, o)
}

// arrive lets those wait for machines whose time has come.
func (b *pull) arrive(t tick) {
	b.soon = problem.Never
	left := b.pending[:0]
	for _, o := range b.pending {
		if ready := b.ready[o]; ready > t {
			b.soon = min(b.soon, ready)
			left = append(left, o)
			continue
		}
		c := &b.crowds[b.crowdOf[o]]
		c.waiting = append(c.waiting, o)
	}
	b.pending = left
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

// find looks for the mode an operation would take at t, and when it would begin.
func (b *pull) find(r *rule, want, o int32, t tick, into *bid) {
	md, ready := b.md, b.ready[o]
	from, to := md.modeAt[o], md.modeAt[o+1]
	if want >= 0 {
		from, to = want, want+1
	}
	into.begin = problem.Never
	best, idle, now := problem.Never, problem.Never, false
	for x := from; x < to; x++ {
		var begin, change, end, gap tick
		k := md.modeOn[x]
		if row := b.rows[k]; row != nil {
			change = row[md.family[o]]
		}
		if md.rack[k] || md.stay(x, change) > 0 {
			s, fits := md.fit(&b.line, o, x, ready)
			if !fits {
				continue
			}
			begin, change, end, gap = s.start-s.change, s.change, s.end, s.idle
		} else {
			free := b.line.place[md.placeAt[k]]
			begin = max(ready-change, free)
			end = begin + change + md.modeDur[x]
			gap = begin - free
		}
		starts := r.free && begin <= t
		if better := end < best || end == best && (change < into.change || change == into.change && gap < idle); starts == now &&
			better || starts && !now {
			into.mode, into.begin, into.change = x, begin, change
			best, idle, now = end, gap, starts
		}
	}
}
