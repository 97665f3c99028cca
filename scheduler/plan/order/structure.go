package order

import (
	"cmp"
	"math"
	"slices"

	"tandem/scheduler/plan/problem"
)

// shop is a problem in which every job goes through the same stages, nothing is released late, and a stage is one machine or
// several equal ones: a flow shop or a hybrid flow shop.
type shop struct {
	md      *model
	n       int       // jobs
	stages  int       // of each job
	ops     []int32   // operation of job j at stage s: ops[j*stages+s]
	work    []int32   // its duration
	servers []int32   // machines or places of a stage
	on      [][]int32 // machines of a stage
	job     []int32   // job of the problem
	due     []int32   // math.MaxInt32: none
	weight  []float64
	change  []int32 // changeover of stage s from job a to b: change[(a*n+b)*stages+s]; from a = n: at first; nil: none
	total   int64   // all work
}

// maxChanges bounds the table of changeovers.
const maxChanges = 1 << 24

// structure finds out whether a problem is a shop; nil: it is not.
func structure(md *model) *shop {
	if md.attended || md.maxLags || md.n == 0 {
		return nil
	}
	s := &shop{md: md}
	if !s.chains() || !s.equal() || !s.times() || !s.changes() {
		return nil
	}
	return s
}

// chains finds the operations of each job.
func (s *shop) chains() bool {
	md := s.md
	for _, free := range md.place {
		if free != 0 {
			return false
		}
	}
	for o := range int32(md.n) {
		if md.release[o] != 0 || md.predAt[o+1]-md.predAt[o] > 1 || md.succAt[o+1]-md.succAt[o] > 1 {
			return false
		}
		if md.predAt[o+1] > md.predAt[o] {
			continue
		}
		length := 0
		for at := o; ; length++ {
			if md.job[at] != md.job[o] {
				return false
			}
			s.ops = append(s.ops, at)
			if md.succAt[at+1] == md.succAt[at] {
				break
			}
			if md.succLag[md.succAt[at]] != 0 {
				return false
			}
			at = md.succOp[md.succAt[at]]
		}
		if s.stages == 0 {
			s.stages = length + 1
		}
		if length+1 != s.stages {
			return false
		}
		s.job = append(s.job, md.job[o])
	}
	s.n = len(s.job)
	seen := make([]bool, md.jobs)
	for _, j := range s.job {
		if seen[j] {
			return false
		}
		seen[j] = true
	}
	return s.n > 1
}

// equal finds the machines of each stage: the same for all jobs, for no other stage, and equally fast.
func (s *shop) equal() bool {
	md := s.md
	stageOf := make([]int, md.m)
	for st := range s.stages {
		first := s.ops[st]
		on := md.modeOn[md.modeAt[first]:md.modeAt[first+1]]
		servers := int32(0)
		for _, k := range on {
			if stageOf[k] != 0 {
				return false
			}
			stageOf[k] = st + 1
			servers += md.placeAt[k+1] - md.placeAt[k]
		}
		for j := range s.n {
			o := s.ops[j*s.stages+st]
			from, to := md.modeAt[o], md.modeAt[o+1]
			if int(to-from) != len(on) {
				return false
			}
			for x := from; x < to; x++ {
				if md.modeOn[x] != on[x-from] || md.modeDur[x] != md.modeDur[from] {
					return false
				}
			}
		}
		s.on = append(s.on, on)
		s.servers = append(s.servers, servers)
	}
	return true
}

// times takes the durations and due times over, if they are small enough.
func (s *shop) times() bool {
	md := s.md
	for _, o := range s.ops {
		s.total += md.fastest[o]
		if s.total > math.MaxInt32/4 {
			return false
		}
		s.work = append(s.work, int32(md.fastest[o]))
	}
	for _, j := range s.job {
		due := int32(math.MaxInt32)
		if md.due[j] < problem.Never {
			if md.due[j] < 0 || md.due[j] > math.MaxInt32/4 {
				return false
			}
			due = int32(md.due[j])
		}
		s.due = append(s.due, due)
		s.weight = append(s.weight, md.weight[j])
	}
	return true
}

// changes makes the table of changeovers.
func (s *shop) changes() bool {
	md := s.md
	if !md.setups {
		return true
	}
	if md.price != 0 || (s.n+1)*s.n*s.stages > maxChanges {
		return false
	}
	for st := range s.stages {
		if s.servers[st] > 1 {
			return false // several machines that are changed over are left to the general search
		}
	}
	s.change = make([]int32, (s.n+1)*s.n*s.stages)
	longest := tick(0)
	for a := range s.n + 1 {
		for b := range s.n {
			for st, on := range s.on {
				from := md.initial[on[0]]
				if a < s.n {
					from = md.family[s.ops[a*s.stages+st]]
				}
				change := md.change(on[0], from, s.ops[b*s.stages+st])
				longest = max(longest, change)
				if longest > math.MaxInt32/4 {
					return false
				}
				s.change[(a*s.n+b)*s.stages+st] = int32(change)
			}
		}
	}
	return s.total+longest*tick(len(s.ops)) < math.MaxInt32/4
}

// single: each stage is one machine.
func (s *shop) single() bool {
	for _, servers := range s.servers {
		if servers != 1 {
			return false
		}
	}
	return true
}

// byStart puts the jobs in the order in which a schedule begins them.
func (s *shop) byStart(jobs []int32, of problem.Schedule) {
	slices.SortStableFunc(jobs, func(a, b int32) int {
		return cmp.Compare(of.Start[s.ops[int(a)*s.stages]], of.Start[s.ops[int(b)*s.stages]])
	})
}
