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

// loadBound is the bound of the load for each set of machines that is all that some operations may use.
func (md *model) loadBound() tick {
	groups := map[string]*group{}
	best := tick(0)
	var key []byte
	for o := range md.n {
		on := slices.Clone(md.modeOn[md.modeAt[o]:md.modeAt[o+1]])
		slices.Sort(on)
		on = slices.Compact(on)
		key = key[:0]
		for _, k := range on {
			key = append(key, byte(k), byte(k>>8), byte(k>>16))
		}
		g := groups[string(key)]
		if g == nil {
			g = &group{machines: on, head: md.head[o], after: md.tail[o] - md.fastest[o]}
			groups[string(key)] = g
		}
		g.work += md.fastest[o]
		g.head = min(g.head, md.head[o])
		g.after = min(g.after, md.tail[o]-md.fastest[o])
		// The order of the map is of no account: only the largest value counts, and it is added to below.
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
