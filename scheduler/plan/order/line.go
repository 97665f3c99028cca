package order

import "tandem/scheduler/plan/problem"

// plan is a schedule in the making.
type plan struct {
	start, end []tick
	mode       []int32 // place in the modes of the model
	place      []int32 // place of the machine
	change     []tick  // changeover before the start
}

func newPlan(n int) *plan {
	return &plan{
		start: make([]tick, n), end: make([]tick, n), mode: make([]int32, n), place: make([]int32, n), change: make([]tick, n),
	}
}

func (s *plan) copy(of *plan) {
	copy(s.start, of.start)
	copy(s.end, of.end)
	copy(s.mode, of.mode)
	copy(s.place, of.place)
	copy(s.change, of.change)
}

func (md *model) schedule(s *plan) problem.Schedule {
	out := problem.Schedule{Mode: make([]int, md.n), Start: make([]tick, md.n)}
	for o := range md.n {
		out.Mode[o] = int(s.mode[o] - md.modeAt[o])
		out.Start[o] = s.start[o]
	}
	return out
}

// line is the state of the machines and operators after some operations.
type line struct {
	place []tick  // when each place is free
	last  []int32 // family a machine is set up for, -1: none
	crew  crew
}

func (l *line) reset(md *model) {
	l.place = append(l.place[:0], md.place...)
	l.last = append(l.last[:0], md.initial...)
	if md.attended {
		l.crew.reset(md.p.Attendance)
	}
}

func (l *line) copy(of *line) {
	l.place = append(l.place[:0], of.place...)
	l.last = append(l.last[:0], of.last...)
	if len(of.crew.from) > 0 {
		l.crew.copy(&of.crew)
	}
}

// slot is where and when an operation could run.
type slot struct {
	mode, place        int32
	start, end, change tick
	idle               tick // time the place stands still before the changeover
}

// fit finds where an operation in mode x, that waits for nothing from ready on, would run after all that is on its machine.
// false: never, as no operator is there for long enough.
func (md *model) fit(l *line, o, x int32, ready tick) (slot, bool) {
	k := md.modeOn[x]
	at := md.placeAt[k]
	change := tick(0)
	if md.rack[k] {
		// Of the places that are free in time the one that was used last, else the first one to be free.
		for q := at + 1; q < md.placeAt[k+1]; q++ {
			switch was, is := l.place[at], l.place[q]; {
			case is <= ready && (was > ready || is > was), is > ready && is < was:
				at = q
			}
		}
	} else {
		change = md.change(k, l.last[k], o)
	}
	free := l.place[at]
	start := max(ready, free+change)
	duration := md.modeDur[x]
	if stay := md.stay(x, change); stay > 0 {
		begin := l.crew.earliest(start-change, stay)
		if begin >= problem.Never {
			return slot{}, false
		}
		start = begin + change
	}
	return slot{x, at, start, start + duration, change, start - change - free}, true
}

// choose finds the mode in which an operation ends first; of equal ones the one that changes over less, then the one that
// leaves its machine idle less.
func (md *model) choose(l *line, o int32, ready tick) (slot, bool) {
	from, to := md.modeAt[o], md.modeAt[o+1]
	best, ok := md.fit(l, o, from, ready)
	for x := from + 1; x < to; x++ {
		s, fits := md.fit(l, o, x, ready)
		if !fits {
			continue
		}
		if !ok || s.end < best.end ||
			s.end == best.end && (s.change < best.change || s.change == best.change && s.idle < best.idle) {
			best, ok = s, true
		}
	}
	return best, ok
}

// put books a slot.
func (md *model) put(l *line, s *plan, o int32, at slot) {
	s.start[o], s.end[o], s.mode[o], s.place[o], s.change[o] = at.start, at.end, at.mode, at.place, at.change
	l.place[at.place] = at.end
	k := md.modeOn[at.mode]
	l.last[k] = md.family[o]
	if stay := md.stay(at.mode, at.change); stay > 0 {
		l.crew.take(at.start-at.change, stay)
	}
}

// ready is when an operation waits for nothing but its machine.
func (md *model) ready(s *plan, o int32) tick {
	t := md.release[o]
	for a := md.predAt[o]; a < md.predAt[o+1]; a++ {
		t = max(t, s.end[md.predOp[a]]+md.predLag[a])
	}
	return t
}

// cost adds up what a complete plan costs; jobEnd is scratch space for all jobs.
func (md *model) cost(s *plan, jobEnd []tick) problem.Cost {
	var c problem.Cost
	clear(jobEnd)
	for o, end := range s.end {
		c.Makespan = max(c.Makespan, end)
		c.Setup += s.change[o]
		j := md.job[o]
		jobEnd[j] = max(jobEnd[j], end)
	}
	for j, end := range jobEnd {
		if late := end - md.due[j]; late > 0 {
			c.Tardiness += md.weight[j] * float64(late)
		}
	}
	if md.maxLags {
		c.Overrun = md.overruns(s)
	}
	return c
}

func (md *model) overruns(s *plan) float64 {
	sum := tick(0)
	for o := range int32(md.n) {
		for a := md.predAt[o]; a < md.predAt[o+1]; a++ {
			if over := s.start[o] - s.end[md.predOp[a]] - md.predMax[a]; over > 0 {
				sum += over
			}
		}
	}
	return float64(sum)
}
