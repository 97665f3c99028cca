package graph

import (
	"math"

	"tandem/scheduler/chance"
)

// build makes a plan by a rule: of what could start before anything else could end, the operation with the longest way to go,
// on the machine where it ends first (Giffler & Thompson 1960, for several machines). Noise of 0 follows the rule, more takes
// turns.
func (s *state) build(p *plan, luck *chance.Stream, noise float64, byTail bool) {
	md := s.md
	waits := make([]int32, md.n)
	ready := make([]int32, md.n)
	free := append([]int32(nil), md.free...)
	last := make([]int32, md.m)
	end := make([]int32, md.n)
	var open []int32
	for o := range md.n {
		ready[o] = md.release[o]
		if waits[o] = md.beforeAt[o+1] - md.beforeAt[o]; waits[o] == 0 {
			open = append(open, o)
		}
	}
	for k := range md.m {
		last[k] = md.n + k
	}
	type option struct{ mode, start, end int32 }
	options := make([]option, md.n)
	for i := range md.n {
		first := int32(math.MaxInt32)
		for _, o := range open {
			best := option{end: math.MaxInt32}
			for x := md.modeAt[o]; x < md.modeAt[o+1]; x++ {
				k := md.modeOn[x]
				start := max(ready[o], free[k]+s.change(k, last[k], o))
				if e := start + md.modeTime[x]; e < best.end {
					best = option{x, start, e}
				}
			}
			options[o] = best
			first = min(first, best.end)
		}
		chosen, urgent := -1, math.Inf(-1)
		for y, o := range open {
			opt := options[o]
			if opt.start >= first && opt.end > first {
				continue
			}
			u := float64(md.tail[o])
			if !byTail {
				u = -float64(opt.end)
			}
			if noise > 0 {
				u += noise * float64(md.tail[o]+opt.end) * (luck.Float() - 0.5)
			}
			if chosen < 0 || u > urgent {
				chosen, urgent = y, u
			}
		}
		o := open[chosen]
		open[chosen] = open[len(open)-1]
		open = open[:len(open)-1]
		opt := options[o]
		p.mode[o], p.topo[i], end[o] = opt.mode, o, opt.end
		k := md.modeOn[opt.mode]
		free[k], last[k] = opt.end, o
		for _, l := range md.after[md.afterAt[o]:md.afterAt[o+1]] {
			ready[l.op] = max(ready[l.op], opt.end+l.lag)
			if waits[l.op]--; waits[l.op] == 0 {
				open = append(open, l.op)
			}
		}
	}
}
