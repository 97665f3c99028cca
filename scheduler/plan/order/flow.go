package order

import "math"

// flow evaluates orders of jobs in a flow shop: every machine takes the jobs in the same order.
type flow struct {
	*shop
	ends  []int32 // end of the i-th job at stage s: ends[(i+1)*stages+s]; row 0 is the beginning
	tails []int32 // from the start of the i-th job at stage s to the end of all: tails[i*stages+s]
	at    []int32 // scratch: one row
	rest  []float64
	zero  []int32
	late  bool // the value is the weighted tardiness, else the makespan
}

func newFlow(s *shop) *flow {
	return &flow{
		shop: s, late: s.md.tardy, ends: make([]int32, (s.n+1)*s.stages), tails: make([]int32, (s.n+1)*s.stages),
		at: make([]int32, s.stages), rest: make([]float64, s.n+1), zero: make([]int32, s.stages),
	}
}

// between are the changeovers from job a, n: the first, to b at all stages.
func (f *flow) between(a, b int32) []int32 {
	if f.change == nil {
		return f.zero
	}
	at := (int(a)*f.n + int(b)) * f.stages
	return f.change[at : at+f.stages]
}

func (f *flow) works(j int32) []int32 {
	return f.work[int(j)*f.stages : (int(j)+1)*f.stages]
}

func (f *flow) before(seq []int32, i int) int32 {
	if i == 0 {
		return int32(f.n)
	}
	return seq[i-1]
}

// forward fills ends from place i on.
func (f *flow) forward(seq []int32, i int) {
	S := f.stages
	for ; i < len(seq); i++ {
		prev, row := f.ends[i*S:(i+1)*S], f.ends[(i+1)*S:(i+2)*S]
		f.append(prev, row, f.before(seq, i), seq[i])
	}
}

// append puts the ends of job j after a, whose ends are prev, into row.
func (f *flow) append(prev, row []int32, a, j int32) {
	work := f.works(j)
	prev, row = prev[:len(work)], row[:len(work)]
	ready := int32(0)
	if f.change == nil {
		for s, p := range work {
			ready = max(ready, prev[s]) + p
			row[s] = ready
		}
		return
	}
	change := f.between(a, j)[:len(work)]
	for s, p := range work {
		ready = max(ready, prev[s]+change[s]) + p
		row[s] = ready
	}
}

// backward fills tails from place i down to the first.
func (f *flow) backward(seq []int32, i int) {
	S := f.stages
	for ; i >= 0; i-- {
		work, row := f.works(seq[i]), f.tails[i*S:(i+1)*S]
		if i == len(seq)-1 {
			sum := int32(0)
			for s := S - 1; s >= 0; s-- {
				sum += work[s]
				row[s] = sum
			}
			continue
		}
		next, change := f.tails[(i+1)*S:(i+2)*S], f.between(seq[i], seq[i+1])
		after := int32(0)
		for s := S - 1; s >= 0; s-- {
			after = max(after, next[s]+change[s]) + work[s]
			row[s] = after
		}
	}
}

// evaluate tells what an order of some jobs costs.
func (f *flow) evaluate(seq []int32) float64 {
	f.forward(seq, 0)
	if !f.late {
		return float64(f.ends[(len(seq)+1)*f.stages-1])
	}
	sum := 0.0
	for i, j := range seq {
		sum += f.lateness(j, f.ends[(i+2)*f.stages-1])
	}
	return sum
}

func (f *flow) lateness(j, end int32) float64 {
	if over := end - f.due[j]; over > 0 {
		return f.weight[j] * float64(over)
	}
	return 0
}

// prepare makes ready for insertions into an order.
func (f *flow) prepare(seq []int32) {
	f.forward(seq, 0)
	if !f.late {
		f.backward(seq, len(seq)-1)
		return
	}
	f.rest[len(seq)] = 0
	for i := len(seq) - 1; i >= 0; i-- {
		f.rest[i] = f.rest[i+1] + f.lateness(seq[i], f.ends[(i+2)*f.stages-1])
	}
}

// insertion is the makespan of a prepared order with job j put in at place i: Taillard's acceleration (1990, EJOR 47:65-74) with
// changeovers. Anything above limit may be given as it was found first.
func (f *flow) insertion(seq []int32, j int32, i int, limit int32) int32 {
	S := f.stages
	work, prev := f.works(j), f.ends[i*S:(i+1)*S]
	prev = prev[:len(work)]
	if i == len(seq) {
		f.append(prev, f.at, f.before(seq, i), j)
		return f.at[S-1]
	}
	tails := f.tails[i*S : (i+1)*S][:len(work)]
	ready, most := int32(0), int32(0)
	if f.change == nil {
		for s, p := range work {
			ready = max(ready, prev[s]) + p
			most = max(most, ready+tails[s])
		}
		return most
	}
	in, out := f.between(f.before(seq, i), j)[:len(work)], f.between(j, seq[i])[:len(work)]
	for s, p := range work {
		ready = max(ready, prev[s]+in[s]) + p
		if most = max(most, ready+out[s]+tails[s]); most > limit {
			return most
		}
	}
	return most
}

// lateInsertion is the tardiness of a prepared order with job j put in at place i. It ends early with something above limit when
// that is certain: no job after it ends earlier than without it.
func (f *flow) lateInsertion(seq []int32, j int32, i int, limit float64) float64 {
	S := f.stages
	sum := 0.0
	if i > 0 {
		sum = f.rest[0] - f.rest[i]
	}
	f.append(f.ends[i*S:(i+1)*S], f.at, f.before(seq, i), j)
	sum += f.lateness(j, f.at[S-1])
	last := j
	for k := i; k < len(seq); k++ {
		if f.change == nil && sum+f.rest[k] > limit {
			return math.Inf(1)
		}
		f.append(f.at, f.at, last, seq[k])
		last = seq[k]
		sum += f.lateness(last, f.at[S-1])
		if sum > limit {
			return math.Inf(1)
		}
	}
	return sum
}
