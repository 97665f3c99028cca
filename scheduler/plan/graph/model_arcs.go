package graph

import "math"

// turn fills in the arcs seen from their other ends, the sinks and the order that keeps precedence.
func (md *model) turn() {
	for o := range md.n {
		md.afterAt[o+1] += md.afterAt[o]
	}
	md.after = make([]link, len(md.before))
	at := append([]int32(nil), md.afterAt...)
	waits := make([]int32, md.n)
	for o := range md.n {
		for _, a := range md.before[md.beforeAt[o]:md.beforeAt[o+1]] {
			md.after[at[a.op]] = link{o, a.lag}
			at[a.op]++
		}
		waits[o] = md.beforeAt[o+1] - md.beforeAt[o]
		if waits[o] == 0 {
			md.topo = append(md.topo, o)
		}
		if md.afterAt[o] == md.afterAt[o+1] {
			md.sinks = append(md.sinks, o)
		}
	}
	for i := 0; i < len(md.topo); i++ {
		o := md.topo[i]
		for _, a := range md.after[md.afterAt[o]:md.afterAt[o+1]] {
			if waits[a.op]--; waits[a.op] == 0 {
				md.topo = append(md.topo, a.op)
			}
		}
	}
}

func (md *model) paths() {
	md.head, md.tail = make([]int32, md.n), make([]int32, md.n)
	for _, o := range md.topo {
		free := int32(math.MaxInt32)
		for x := md.modeAt[o]; x < md.modeAt[o+1]; x++ {
			free = min(free, md.free[md.modeOn[x]])
		}
		h := max(md.release[o], free)
		for _, a := range md.before[md.beforeAt[o]:md.beforeAt[o+1]] {
			h = max(h, md.head[a.op]+md.fastest[a.op]+a.lag)
		}
		md.head[o] = h
	}
	for i := md.n - 1; i >= 0; i-- {
		o := md.topo[i]
		t := int32(0)
		for _, a := range md.after[md.afterAt[o]:md.afterAt[o+1]] {
			t = max(t, a.lag+md.tail[a.op])
		}
		md.tail[o] = t + md.fastest[o]
	}
}
