package order

import "tandem/scheduler/plan/problem"

// trace finds the operations that the cost of the walk hangs on: back from the end of a late job, or of the last operation, over
// whatever each operation waited for.
func (g *general) trace() {
	md, s := g.md, g.now.plan
	g.chain = g.chain[:0]
	if g.now.value == worst {
		return
	}
	before := g.back[:0]
	for range md.n {
		before = append(before, -1)
	}
	g.back = before
	last := g.lastOn
	for q := range last {
		last[q] = -1
	}
	for _, o := range g.now.order {
		before[o] = last[s.place[o]]
		last[s.place[o]] = o
	}
	o := g.culprit()
	for range md.n {
		g.chain = append(g.chain, o)
		prev := int32(-1)
		for a := md.predAt[o]; a < md.predAt[o+1]; a++ {
			if p := md.predOp[a]; s.end[p]+md.predLag[a] == s.start[o] {
				prev = p
			}
		}
		if b := before[o]; b >= 0 && s.end[b] == s.start[o]-s.change[o] && (prev < 0 || g.chance.Below(2) == 0) {
			prev = b
		}
		if prev < 0 {
			break
		}
		o = prev
	}
}

// culprit is the last operation of a job that is late, the later the likelier, else the operation that ends last.
func (g *general) culprit() int32 {
	md, s := g.md, g.now.plan
	best, most := int32(0), 0.0
	if md.tardy {
		// Of four operations the one that is late for most; of its job the last one.
		for range 4 {
			o := int32(g.chance.Below(md.n))
			if late := md.weight[md.job[o]] * float64(s.end[o]-md.due[md.job[o]]); late > most && md.due[md.job[o]] < problem.Never {
				best, most = o, late
			}
		}
		if most > 0 {
			for o, end := range s.end {
				if md.job[o] == md.job[best] && end > s.end[best] {
					best = int32(o)
				}
			}
			return best
		}
	}
	for o, end := range s.end {
		if end > s.end[best] {
			best = int32(o)
		}
	}
	return best
}
