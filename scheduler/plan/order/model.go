package order

import (
	"fmt"
	"math"
	"slices"

	"tandem/scheduler/plan/problem"
)

type tick = problem.Time

// model is a problem in flat slices: what belongs to operation o lies from xAt[o] to xAt[o+1].
type model struct {
	p          *problem.Problem
	n, m, jobs int

	release []tick
	job     []int32
	family  []int32

	predAt  []int32
	predOp  []int32
	predLag []tick
	predMax []tick

	succAt  []int32
	succOp  []int32
	succLag []tick
	succMax []tick

	modeAt  []int32
	modeOn  []int32 // machine
	modeDur []tick
	modeAtt []tick
	mask    []uint64 // machines of an operation, bit machine%64

	placeAt []int32 // places of machine k: from placeAt[k] to placeAt[k+1]
	place   []tick  // when each is free at first
	rack    []bool  // several places: nothing is changed over
	initial []int32
	setup   [][][]tick // nil where nothing is changed over

	due    []tick
	weight []float64

	topo     []int32 // operations, predecessors first
	fastest  []tick  // the shortest duration of an operation
	head     []tick  // no earlier start, machines unlimited
	tail     []tick  // from the start of an operation to the end of all that wait for it, machines unlimited
	jobTail  []tick  // the same within the job of the operation
	attended bool    // operators are limited, and something needs them
	maxLags  bool
	setups   bool

	tardy   bool    // the objective is weighted tardiness
	price   float64 // of a tick of changeover
	overrun float64 // price of a tick beyond a maximum lag
}

func compile(p *problem.Problem) (*model, error) {
	if err := problem.Validate(p); err != nil {
		return nil, fmt.Errorf("reading the problem: %w", err)
	}
	md := &model{
		p: p, n: len(p.Ops), m: len(p.Machines), jobs: len(p.Jobs),
		tardy: p.Objective == problem.WeightedTardiness, price: p.SetupPrice,
	}
	md.machines()
	heaviest := 1.0
	some := make([]bool, md.jobs)
	for _, op := range p.Ops {
		some[op.Job] = true
	}
	for i, j := range p.Jobs {
		due, weight := j.Due, j.Weight
		if weight == 0 || !some[i] {
			due = problem.Never
		}
		md.due = append(md.due, due)
		md.weight = append(md.weight, weight)
		heaviest = max(heaviest, weight)
	}
	md.overrun = problem.OverrunPrice * heaviest
	md.operations()
	md.sort()
	return md, nil
}

func (md *model) machines() {
	for _, k := range md.p.Machines {
		md.placeAt = append(md.placeAt, int32(len(md.place)))
		md.place = append(md.place, k.Places...)
		md.rack = append(md.rack, len(k.Places) > 1)
		md.initial = append(md.initial, int32(k.Initial))
		if len(k.Places) > 1 || len(k.Setup) == 0 {
			md.setup = append(md.setup, nil)
			continue
		}
		md.setup = append(md.setup, k.Setup)
		md.setups = true
	}
	md.placeAt = append(md.placeAt, int32(len(md.place)))
}

func (md *model) operations() {
	limited := len(md.p.Attendance) > 0
	md.attended = limited && md.setups
	waiting := make([]int32, md.n+1)
	for _, op := range md.p.Ops {
		md.release = append(md.release, op.Release)
		md.job = append(md.job, int32(op.Job))
		md.family = append(md.family, int32(op.Family))
		md.predAt = append(md.predAt, int32(len(md.predOp)))
		for _, a := range op.Before {
			md.predOp = append(md.predOp, int32(a.Op))
			md.predLag = append(md.predLag, a.Lag)
			md.predMax = append(md.predMax, a.MaxLag)
			md.maxLags = md.maxLags || a.MaxLag < problem.Never
			waiting[a.Op+1]++
		}
		md.modeAt = append(md.modeAt, int32(len(md.modeOn)))
		mask, fastest := uint64(0), problem.Never
		for _, mode := range op.Modes {
			attended := mode.Attended
			if !limited {
				attended = problem.None
			}
			md.attended = md.attended || attended != problem.None
			md.modeOn = append(md.modeOn, int32(mode.Machine))
			md.modeDur = append(md.modeDur, mode.Duration)
			md.modeAtt = append(md.modeAtt, attended)
			mask |= 1 << (mode.Machine % 64)
			fastest = min(fastest, mode.Duration)
		}
		md.mask = append(md.mask, mask)
		md.fastest = append(md.fastest, fastest)
	}
	md.predAt = append(md.predAt, int32(len(md.predOp)))
	md.modeAt = append(md.modeAt, int32(len(md.modeOn)))
	for i := range md.n {
		waiting[i+1] += waiting[i]
	}
	md.succAt = slices.Clone(waiting)
	md.succOp = make([]int32, len(md.predOp))
	md.succLag = make([]tick, len(md.predOp))
	md.succMax = make([]tick, len(md.predOp))
	for i := range md.n {
		for a := md.predAt[i]; a < md.predAt[i+1]; a++ {
			at := waiting[md.predOp[a]]
			waiting[md.predOp[a]]++
			md.succOp[at], md.succLag[at], md.succMax[at] = int32(i), md.predLag[a], md.predMax[a]
		}
	}
}

// sort finds an order of precedence and what follows from it.
func (md *model) sort() {
	open := make([]int32, md.n)
	for i := range md.n {
		open[i] = md.predAt[i+1] - md.predAt[i]
		if open[i] == 0 {
			md.topo = append(md.topo, int32(i))
		}
	}
	for at := 0; at < len(md.topo); at++ {
		o := md.topo[at]
		for a := md.succAt[o]; a < md.succAt[o+1]; a++ {
			if open[md.succOp[a]]--; open[md.succOp[a]] == 0 {
				md.topo = append(md.topo, md.succOp[a])
			}
		}
	}
	md.head = slices.Clone(md.release)
	md.tail = slices.Clone(md.fastest)
	md.jobTail = slices.Clone(md.fastest)
	for _, o := range md.topo {
		for a := md.succAt[o]; a < md.succAt[o+1]; a++ {
			s := md.succOp[a]
			md.head[s] = max(md.head[s], md.head[o]+md.fastest[o]+md.succLag[a])
		}
	}
	for _, o := range slices.Backward(md.topo) {
		for a := md.succAt[o]; a < md.succAt[o+1]; a++ {
			s := md.succOp[a]
			md.tail[o] = max(md.tail[o], md.fastest[o]+md.succLag[a]+md.tail[s])
			if md.job[s] == md.job[o] {
				md.jobTail[o] = max(md.jobTail[o], md.fastest[o]+md.succLag[a]+md.jobTail[s])
			}
		}
	}
}

// change is the changeover of machine k from a family, -1: none, to that of operation o.
func (md *model) change(k, from, o int32) tick {
	if md.setup[k] == nil || from < 0 {
		return 0
	}
	return md.setup[k][from][md.family[o]]
}

// stay is how long an operator is needed for an operation in mode x, from the beginning of a changeover on.
func (md *model) stay(x int32, change tick) tick {
	switch attended := md.modeAtt[x]; {
	case !md.attended:
		return 0
	case attended == problem.None:
		return change
	default:
		return change + min(attended, md.modeDur[x])
	}
}

// value is what a search compares: less of first, then less of second.
type value struct{ first, second float64 }

var worst = value{math.Inf(1), math.Inf(1)}

// less asks for more than the noise of adding floating point numbers.
func (v value) less(w value) bool {
	if eps := 1e-9 * max(1, math.Abs(w.first)); math.Abs(v.first-w.first) > eps || math.IsInf(w.first, 1) {
		return v.first < w.first
	}
	return v.second < w.second
}

func (md *model) value(c problem.Cost) value {
	v := value{first: md.price*float64(c.Setup) + md.overrun*c.Overrun, second: float64(c.Makespan)}
	if md.tardy {
		v.first += c.Tardiness
	} else {
		v.first += float64(c.Makespan)
	}
	return v
}

// crowds are the operations that may use the same machines, for each set of machines.
func (md *model) crowds() [][]int32 {
	var all [][]int32
	at := map[string]int{}
	var key []byte
	for o := range int32(md.n) {
		on := slices.Clone(md.modeOn[md.modeAt[o]:md.modeAt[o+1]])
		slices.Sort(on)
		key = key[:0]
		for _, k := range slices.Compact(on) {
			key = append(key, byte(k), byte(k>>8), byte(k>>16))
		}
		i, known := at[string(key)]
		if !known {
			i = len(all)
			at[string(key)] = i
			all = append(all, nil)
		}
		all[i] = append(all[i], o)
	}
	return all
}
