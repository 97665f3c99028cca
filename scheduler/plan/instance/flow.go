package instance

import "tandem/scheduler/plan/problem"

// line fills p with n jobs that pass stages of parallel machines in the same order, and reads the time of each job on each stage.
// Each job is a family of its own.
func line(r *reader, p *problem.Problem, n int, parallel []int) {
	if !r.room(n, len(parallel), "times") {
		return
	}
	first := make([]int, len(parallel))
	total := 0
	for s, c := range parallel {
		first[s] = total
		total += c
	}
	if total*n > mostEntries {
		r.fail(r.line(), mostEntriesS, "machines per stage")
		return
	}
	p.Machines = machines(total)
	for j := range n {
		for s, c := range parallel {
			d := r.time("time of job %d on stage %d", j, s)
			ms := make([]problem.Mode, c)
			for i := range ms {
				ms[i] = problem.Mode{Machine: first[s] + i, Duration: d, Attended: problem.None}
			}
			add(p, j, ms...)
			p.Ops[len(p.Ops)-1].Family = j
		}
	}
}

func ones(n int) []int {
	c := make([]int, n)
	for i := range c {
		c[i] = 1
	}
	return c
}

// hybridFlowShop reads jobs, stages, machines per stage, then jobs times stages times. The machines of a stage are alike.
func hybridFlowShop(r *reader) *problem.Problem {
	p := &problem.Problem{}
	n, stages := r.count("number of jobs"), r.count("number of stages")
	if !r.room(n+1, stages, "machines per stage and times") {
		return p
	}
	parallel := make([]int, stages)
	for s := range parallel {
		parallel[s] = int(r.take(1, 1000, "machines of stage %d", s))
	}
	jobs(p, n)
	line(r, p, n, parallel)
	return p
}

// flowShopWithSetups reads jobs, machines, jobs times machines times, then for each machine a table of changeovers between jobs. The
// first job on a machine needs none.
func flowShopWithSetups(r *reader) *problem.Problem {
	p := &problem.Problem{}
	n, m := r.count("number of jobs"), r.count("number of machines")
	if !r.room(n, m, "times") {
		return p
	}
	jobs(p, n)
	line(r, p, n, ones(m))
	if r.room(m*n, n, "changeovers") {
		setups(r, p.Machines, n, "job")
	}
	return p
}

// flowShopWithDueTimes reads jobs, machines, a due time for each job, then jobs times machines times. Its objective is the sum of
// lateness.
func flowShopWithDueTimes(r *reader) *problem.Problem {
	p := &problem.Problem{Objective: problem.WeightedTardiness}
	n, m := r.count("number of jobs"), r.count("number of machines")
	if !r.room(m+1, n, "due times and times") {
		return p
	}
	jobs(p, n)
	for j := range p.Jobs {
		p.Jobs[j].Due = r.take(0, latestDue, "due time of job %d", j)
	}
	line(r, p, n, ones(m))
	return p
}
