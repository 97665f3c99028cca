package instance

import (
	"fmt"

	"tandem/scheduler/plan/problem"
)

// Known is an instance made from seeds, with what is published about it.
type Known struct {
	Name    string
	Problem *problem.Problem
	Lower   problem.Time // 0: none published
	Upper   problem.Time
}

// taillardRow holds the size, the seeds and the published bounds of the makespan of an instance.
type taillardRow struct {
	jobs, machines int
	times, machine int64 // seeds
	lower, upper   problem.Time
}

// TaillardJobShops makes ta01 to ta80 of E. Taillard, "Benchmarks for basic scheduling problems", European Journal of Operational
// Research 64 (1993) 278-285.
func TaillardJobShops() []Known {
	known := make([]Known, len(taillardJobShops))
	for i, row := range taillardJobShops {
		known[i] = Known{fmt.Sprintf("ta%02d", i+1), taillardJobShop(row), row.lower, row.upper}
	}
	return known
}

// TaillardFlowShops makes ta001 to ta020 of the same paper. The order need not be the same on all machines.
func TaillardFlowShops() []Known {
	known := make([]Known, len(taillardFlowShops))
	for i, row := range taillardFlowShops {
		known[i] = Known{fmt.Sprintf("ta%03d", i+1), taillardFlowShop(row), row.lower, row.upper}
	}
	return known
}

// lehmer is the generator of the paper: x becomes 16807 x modulo 2^31-1.
type lehmer int64

// between draws from a to b, both included.
func (x *lehmer) between(a, b int64) int64 {
	const modulus = 1<<31 - 1
	*x = *x * 16807 % modulus
	return a + int64(float64(*x)/modulus*float64(b-a+1))
}

func taillardJobShop(row taillardRow) *problem.Problem {
	p := &problem.Problem{Machines: machines(row.machines)}
	jobs(p, row.jobs)
	times, machine := lehmer(row.times), lehmer(row.machine)
	for j := range row.jobs {
		order := make([]int, row.machines)
		for i := range order {
			order[i] = i
		}
		for i := range order {
			k := machine.between(int64(i), int64(row.machines-1))
			order[i], order[k] = order[k], order[i]
		}
		for _, k := range order {
			add(p, j, problem.Mode{Machine: k, Duration: times.between(1, 99), Attended: problem.None})
		}
	}
	return p
}

func taillardFlowShop(row taillardRow) *problem.Problem {
	p := &problem.Problem{Machines: machines(row.machines)}
	jobs(p, row.jobs)
	times := lehmer(row.times)
	table := make([][]problem.Time, row.machines)
	for k := range table {
		table[k] = make([]problem.Time, row.jobs)
		for j := range table[k] {
			table[k][j] = times.between(1, 99)
		}
	}
	for j := range row.jobs {
		for k := range table {
			add(p, j, problem.Mode{Machine: k, Duration: table[k][j], Attended: problem.None})
			p.Ops[len(p.Ops)-1].Family = j
		}
	}
	return p
}
