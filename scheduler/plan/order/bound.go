package order

import "slices"

// bound is a value that no schedule is below: lateness of each job as if it were alone, and the longest of its paths and of the
// loads of the machines.
func (md *model) bound() value {
	last := tick(0)
	jobEnd := make([]tick, md.jobs)
	for o := range md.n {
		last = max(last, md.head[o]+md.tail[o])
		j := md.job[o]
		jobEnd[j] = max(jobEnd[j], md.head[o]+md.fastest[o])
	}
	last = max(last, md.loadBound())
	v := value{second: float64(last)}
	if !md.tardy {
		v.first = v.second
		return v
	}
	for j, end := range jobEnd {
		if late := end - md.due[j]; late > 0 {
			v.first += md.weight[j] * float64(late)
		}
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

// loadBound is the bound of the load for each set of machines that is all that some operations may use.
func (md *model) loadBound() tick {
	best := tick(0)
	for _, members := range md.crowds() {
		o := members[0]
		g := group{head: md.head[o], after: md.tail[o] - md.fastest[o]}
		for x := md.modeAt[o]; x < md.modeAt[o+1]; x++ {
			if k := md.modeOn[x]; !slices.Contains(g.machines, k) {
				g.machines = append(g.machines, k)
			}
		}
		for _, o := range members {
			g.work += md.fastest[o]
			g.head = min(g.head, md.head[o])
			g.after = min(g.after, md.tail[o]-md.fastest[o])
		}
		best = max(best, g.load(md))
	}
	return best
}

// group is the work that only some machines can do.
type group struct {
	machines          []int32
	work, head, after tick
}

// load is when the work of the group, and the least of what comes after it, can have ended: the level to which the work fills up
// the places from the times at which they are free.
func (g *group) load(md *model) tick {
	var from []tick
	for _, k := range g.machines {
		for q := md.placeAt[k]; q < md.placeAt[k+1]; q++ {
			from = append(from, max(g.head, md.place[q]))
		}
	}
	slices.Sort(from)
	sum := g.work
	for i, f := range from {
		sum += f
		places := tick(i + 1)
		if level := (sum + places - 1) / places; i+1 == len(from) || level <= from[i+1] {
			return level + g.after
		}
	}
	return g.after
}
