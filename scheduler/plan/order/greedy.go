package order

import (
	"cmp"
	"math"
	"slices"

	"tandem/scheduler/chance"
)

// greedy is the iterated greedy search of Ruiz & Stützle (2007, EJOR 177:2033-2049; 2008, EJOR 187:1143-1159 for changeovers):
// some jobs are taken out of the order and put back one by one where they cost least, then each job is tried everywhere. The
// jobs that stayed are put in order before the others come back (Dubois-Lacoste, Pagnozzi & Stützle 2017, Computers & OR
// 81:160-166).
type greedy struct {
	*run
	*flow
	chance *chance.Stream
	now    []int32 // the order from which the search goes on
	cost   float64 // what it costs
	spare  []int32
	out    []int32
	jobs   []int32
	plan   *plan
	top    float64 // value of the best order
}

func newGreedy(r *run, s *shop, seed uint64) *greedy {
	return &greedy{run: r, flow: newFlow(s), chance: chance.New(seed), plan: newPlan(s.md.n), top: math.Inf(1)}
}

// search goes on until it is another search's turn.
func (g *greedy) search() {
	if g.now == nil {
		g.start()
	}
	heat := g.heat()
	for g.going() {
		seq := append(g.spare[:0], g.now...)
		g.out = g.out[:0]
		for range min(taken, g.n-1) {
			at := g.chance.Below(len(seq))
			g.out = append(g.out, seq[at])
			seq = slices.Delete(seq, at, at+1)
		}
		seq, _ = g.polish(seq, g.evaluate(seq))
		var v float64
		for _, j := range g.out {
			seq, v = g.put(seq, j)
		}
		seq, v = g.polish(seq, v)
		g.keep(seq, v)
		g.spare = seq
		if v <= g.cost || g.chance.Float() < math.Exp((g.cost-v)/heat) {
			g.now, g.spare, g.cost = seq, g.now, v
		}
	}
}

// start makes the first order: by rule, or that of a warm start.
func (g *greedy) start() {
	g.now, g.cost = g.begin()
	if g.value != worst {
		warm := slices.Sorted(slices.Values(g.now))
		g.byStart(warm, g.best)
		if v := g.evaluate(warm); v < g.cost {
			g.now, g.cost = warm, v
		}
	}
	g.now, g.cost = g.polish(g.now, g.cost)
	g.keep(g.now, g.cost)
}

// taken is how many jobs are taken out of the order at a time.
const taken = 3

// heat is the temperature: what is worse by so much is accepted in 37 of 100 cases. It follows from the mean duration as Ruiz &
// Stützle have it for the makespan; lateness adds up over jobs and goes up and down by more.
func (g *greedy) heat() float64 {
	mean := float64(g.total) / float64(g.n*g.stages)
	if !g.late {
		return 0.05 * mean
	}
	weight := 0.0
	for _, w := range g.weight {
		weight += w / float64(g.n)
	}
	return mean * weight
}

// begin puts the jobs in one after another where they cost least: those with most work first for the makespan (Nawaz, Enscore
// & Ham 1983, Omega 11:91-95), those due first for the tardiness.
func (g *greedy) begin() ([]int32, float64) {
	key := make([]float64, g.n)
	jobs := make([]int32, g.n)
	for j := range g.n {
		jobs[j] = int32(j)
		if g.late {
			key[j] = float64(g.due[j])
			continue
		}
		for _, p := range g.works(int32(j)) {
			key[j] -= float64(p)
		}
	}
	slices.SortStableFunc(jobs, func(a, b int32) int { return cmp.Compare(key[a], key[b]) })
	var seq []int32
	var v float64
	for _, j := range jobs {
		seq, v = g.put(seq, j)
	}
	return seq, v
}

// keep offers the schedule of an order if it is the best one.
func (g *greedy) keep(seq []int32, value float64) {
	if value >= g.top {
		return
	}
	g.top = value
	g.forward(seq, 0)
	for i, j := range seq {
		change := g.between(g.before(seq, i), j)
		for s, p := range g.works(j) {
			o := g.ops[int(j)*g.stages+s]
			end := tick(g.ends[(i+1)*g.stages+s])
			g.plan.start[o], g.plan.end[o], g.plan.change[o] = end-tick(p), end, tick(change[s])
			g.plan.mode[o] = g.md.modeAt[o]
			g.plan.place[o] = g.md.placeAt[g.on[s][0]]
		}
	}
	g.offer(g.plan, g.md.cost(g.plan, make([]tick, g.md.jobs)))
}

// put inserts a job where it costs least; of equal places one at random.
func (g *greedy) put(seq []int32, j int32) ([]int32, float64) {
	g.prepare(seq)
	at, least, ties := 0, math.Inf(1), 0
	for i := len(seq); i >= 0; i-- {
		var v float64
		if g.late {
			v = g.lateInsertion(seq, j, i, least)
		} else {
			v = float64(g.insertion(seq, j, i, int32(min(least, math.MaxInt32))))
		}
		switch {
		case v < least:
			at, least, ties = i, v, 1
		case v == least:
			if ties++; g.chance.Below(ties) == 0 {
				at = i
			}
		}
	}
	g.spend(len(seq)+1, len(seq)*g.stages/16)
	return slices.Insert(seq, at, j), least
}

// polish tries each job everywhere, in an order of chance, until nothing gets better.
func (g *greedy) polish(seq []int32, value float64) ([]int32, float64) {
	jobs := g.jobs[:0]
	jobs = append(jobs, seq...)
	g.jobs = jobs
	shuffle(g.chance, jobs)
	for since, i := 0, 0; since < len(jobs) && !g.ended; i = (i + 1) % len(jobs) {
		j := jobs[i]
		at := slices.Index(seq, j)
		seq = slices.Delete(seq, at, at+1)
		var v float64
		if seq, v = g.put(seq, j); v < value {
			value, since = v, 0
		} else {
			since++
		}
	}
	return seq, value
}
