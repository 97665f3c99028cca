package order

import "tandem/scheduler/plan/problem"

// bound is a value that no schedule is below: lateness of each job as if it were alone, and the makespan.
func (md *model) bound() value {
	v := value{second: float64(problem.LowerBound(md.p))}
	if !md.tardy {
		v.first = v.second
		return v
	}
	jobEnd := make([]tick, md.jobs)
	for o := range md.n {
		j := md.job[o]
		jobEnd[j] = max(jobEnd[j], md.head[o]+md.fastest[o])
	}
	for j, end := range jobEnd {
		if late := end - md.due[j]; late > 0 {
			v.first += md.weight[j] * float64(late)
		}
	}
	return v
}
