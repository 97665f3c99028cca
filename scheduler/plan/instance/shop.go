package instance

import "tandem/scheduler/plan/problem"

// machines makes n machines of one place, free now.
func machines(n int) []problem.Machine {
	ms := make([]problem.Machine, n)
	for k := range ms {
		ms[k] = problem.Machine{Places: []problem.Time{0}, Initial: -1}
	}
	return ms
}

// add appends an operation to p, behind the one before of the same job.
func add(p *problem.Problem, job int, modes ...problem.Mode) {
	op := problem.Op{Job: job, Modes: modes}
	if last := len(p.Ops) - 1; last >= 0 && p.Ops[last].Job == job {
		op.Before = []problem.Arc{{Op: last, MaxLag: problem.Never}}
	}
	p.Ops = append(p.Ops, op)
}

// jobs adds n jobs without a promise.
func jobs(p *problem.Problem, n int) {
	for range n {
		p.Jobs = append(p.Jobs, problem.Job{Due: problem.Never, Weight: 1})
	}
}

// modes reads "#alternatives (machine time)...", machines from base.
func modes(r *reader, base, n, job, op int) []problem.Mode {
	var ms []problem.Mode
	for range r.take(1, int64(n), "number of machines for operation %d of job %d", op, job) {
		line := r.line()
		k := r.take(int64(base), int64(base+n-1), "machine for operation %d of job %d", op, job)
		d := r.time("duration of operation %d of job %d", op, job)
		for _, m := range ms {
			if m.Machine == int(k)-base {
				r.fail(line, "the machine is listed twice", "machine for operation %d of job %d", op, job)
			}
		}
		ms = append(ms, problem.Mode{Machine: int(k) - base, Duration: d, Attended: problem.None})
		if r.err != nil {
			return nil
		}
	}
	return ms
}

func flexible(r *reader, base int) *problem.Problem {
	p := &problem.Problem{}
	n, m := r.count("number of jobs"), r.count("number of machines")
	if base == 1 {
		r.skip() // the mean number of machines for an operation, which may be no whole number
	}
	if !r.room(n, 3, "jobs") {
		return p
	}
	p.Machines = machines(m)
	jobs(p, n)
	for j := 0; j < n && r.err == nil; j++ {
		for o := range r.count("number of operations of job %d", j) {
			if r.err != nil {
				break
			}
			add(p, j, modes(r, base, m, j, o)...)
		}
	}
	return p
}

// flexibleJobShop reads "jobs machines", then for each job the number of operations and the modes of each, machines from 0.
func flexibleJobShop(r *reader) *problem.Problem { return flexible(r, 0) }

// flexibleWithSetups reads as flexibleJobShop, with a third number in the first line and machines from 1; then for each machine a
// table of changeovers between operations: each operation is a family of its own.
func flexibleWithSetups(r *reader) *problem.Problem {
	p := flexible(r, 1)
	n := len(p.Ops)
	if r.err != nil || !r.room(len(p.Machines)*n, n, "changeovers") {
		return p
	}
	for o := range p.Ops {
		p.Ops[o].Family = o
	}
	setups(r, p.Machines, n, "operation")
	return p
}

// setups reads for each machine a table of n times n changeovers.
func setups(r *reader, ms []problem.Machine, n int, what string) {
	for k := range ms {
		ms[k].Setup = make([][]problem.Time, n)
		for a := range n {
			row := make([]problem.Time, n)
			for b := range row {
				row[b] = r.time("changeover of machine %d from %s %d to %d", k, what, a, b)
			}
			ms[k].Setup[a] = row
		}
	}
}

// jobShop reads "jobs machines", then for each job (machine time) for each machine, machines from 0.
func jobShop(r *reader) *problem.Problem {
	p := &problem.Problem{}
	n, m := r.count("number of jobs"), r.count("number of machines")
	if !r.room(2*n, m, "jobs") {
		return p
	}
	p.Machines = machines(m)
	jobs(p, n)
	for j := range n {
		for o := range m {
			k := r.take(0, int64(m-1), "machine for operation %d of job %d", o, j)
			d := r.time("duration of operation %d of job %d", o, j)
			add(p, j, problem.Mode{Machine: int(k), Duration: d, Attended: problem.None})
		}
	}
	return p
}

// graphShop reads "operations arcs machines", the arcs "a b", then the modes of each operation; all from 0. What hangs together is a
// job.
func graphShop(r *reader) *problem.Problem {
	p := &problem.Problem{}
	n := r.count("number of operations")
	arcs := int(r.take(0, mostEntries, "number of arcs"))
	m := r.count("number of machines")
	if !r.room(2*arcs+3*n, 1, "arcs and operations") {
		return p
	}
	p.Machines = machines(m)
	p.Ops = make([]problem.Op, n)
	root := make([]int, n) // lower operation of the same job; itself: the first one of the job
	for o := range root {
		root[o] = o
	}
	find := func(o int) int {
		for root[o] != o {
			root[o] = root[root[o]]
			o = root[o]
		}
		return o
	}
	for range arcs {
		a := int(r.take(0, int64(n-1), "first operation of an arc"))
		b := int(r.take(0, int64(n-1), "second operation of an arc"))
		p.Ops[b].Before = append(p.Ops[b].Before, problem.Arc{Op: a, MaxLag: problem.Never})
		a, b = find(a), find(b)
		root[max(a, b)] = min(a, b)
	}
	job := make(map[int]int)
	for o := range p.Ops {
		first := find(o)
		if _, ok := job[first]; !ok {
			job[first] = len(job)
		}
		p.Ops[o].Job = job[first]
		p.Ops[o].Modes = modes(r, 0, m, job[first], o)
		if r.err != nil {
			return p
		}
	}
	jobs(p, len(job))
	return p
}
