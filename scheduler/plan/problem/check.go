package problem

import (
	"fmt"
	"sort"
)

// Check says whether s keeps every rule of p. It is written to be read, not to be fast, and shares nothing with any search. p
// is valid.
//
// The rules: each operation runs in one of its modes, not before its release, and Lag after each operation it waits for. A
// machine of one place does one operation at a time, with the changeover directly before its start and after the end of the
// operation before; a machine of more places has a place free for each. At no time are more operators busy than Attendance gives;
// before its first window there is nobody. An operator is busy with an operation from the beginning of its changeover until
// Attended after its start, or until its end. An operation that needs nobody needs somebody for its changeover all the same.
//
// A wait beyond a maximum lag breaks no rule: it costs.
func Check(p *Problem, s Schedule) error {
	if len(s.Mode) != len(p.Ops) || len(s.Start) != len(p.Ops) {
		return fmt.Errorf("schedule has %d modes and %d starts for %d operations", len(s.Mode), len(s.Start), len(p.Ops))
	}
	for o, op := range p.Ops {
		if s.Mode[o] < 0 || s.Mode[o] >= len(op.Modes) {
			return fmt.Errorf("operation %d: mode %d is none of its %d", o, s.Mode[o], len(op.Modes))
		}
	}
	for o, op := range p.Ops {
		if s.Start[o] < op.Release {
			return fmt.Errorf("operation %d: starts at %d, before its release at %d", o, s.Start[o], op.Release)
		}
		for _, a := range op.Before {
			if earliest := end(p, s, a.Op) + a.Lag; s.Start[o] < earliest {
				return fmt.Errorf("operation %d: starts at %d, before %d: operation %d ends at %d and the lag is %d",
					o, s.Start[o], earliest, a.Op, end(p, s, a.Op), a.Lag)
			}
		}
	}
	for k := range p.Machines {
		if err := checkMachine(p, s, k); err != nil {
			return err
		}
	}
	return checkAttendance(p, s)
}

func checkMachine(p *Problem, s Schedule, k int) error {
	m := &p.Machines[k]
	ops := operations(p, s, k)
	if len(m.Places) == 1 {
		free, last := m.Places[0], "the machine is free"
		for i, o := range ops {
			change := changeover(p, ops, m, i)
			if s.Start[o]-change < free {
				return fmt.Errorf("operation %d: starts at %d on machine %d, changeover of %d before it, but %s only at %d",
					o, s.Start[o], k, change, last, free)
			}
			free, last = end(p, s, o), fmt.Sprintf("operation %d ends", o)
		}
		return nil
	}
	for _, o := range ops {
		t, places, taken := s.Start[o], 0, 1
		for _, free := range m.Places {
			if free <= t {
				places++
			}
		}
		for _, other := range ops {
			if other != o && s.Start[other] <= t && t < end(p, s, other) {
				taken++
			}
		}
		if taken > places {
			return fmt.Errorf("operation %d: at %d machine %d has %d places and needs %d", o, t, k, places, taken)
		}
	}
	return nil
}

// checkAttendance counts operators where their number can get too small: where one begins work and where a window begins.
func checkAttendance(p *Problem, s Schedule) error {
	if len(p.Attendance) == 0 {
		return nil
	}
	type stay struct {
		op       int
		from, to Time
	}
	var stays []stay
	var times []Time
	for k := range p.Machines {
		ops := operations(p, s, k)
		for i, o := range ops {
			mode := p.Ops[o].Modes[s.Mode[o]]
			st := stay{op: o, from: s.Start[o] - changeover(p, ops, &p.Machines[k], i), to: s.Start[o]}
			if mode.Attended != None {
				st.to += min(mode.Attended, mode.Duration)
			}
			stays = append(stays, st)
			times = append(times, st.from)
		}
	}
	for _, w := range p.Attendance {
		times = append(times, w.From)
	}
	for _, t := range times {
		there, busy, last := 0, 0, 0
		for _, w := range p.Attendance {
			if w.From <= t {
				there = w.Operators
			}
		}
		for _, st := range stays {
			if st.from <= t && t < st.to {
				busy++
				last = st.op
			}
		}
		if busy > there {
			return fmt.Errorf("operation %d: %d operators are needed at %d and %d are there", last, busy, t, there)
		}
	}
	return nil
}

// operations lists the operations on a machine in order of time.
func operations(p *Problem, s Schedule, k int) []int {
	var ops []int
	for o, op := range p.Ops {
		if op.Modes[s.Mode[o]].Machine == k {
			ops = append(ops, o)
		}
	}
	sort.SliceStable(ops, func(i, j int) bool {
		a, b := ops[i], ops[j]
		if s.Start[a] != s.Start[b] {
			return s.Start[a] < s.Start[b]
		}
		return end(p, s, a) < end(p, s, b) // what takes no time goes first
	})
	return ops
}

// changeover is how long machine m is changed over before the i-th of its operations.
func changeover(p *Problem, ops []int, m *Machine, i int) Time {
	if m.Setup == nil || len(m.Places) > 1 {
		return 0
	}
	from := m.Initial
	if i > 0 {
		from = p.Ops[ops[i-1]].Family
	}
	if from < 0 {
		return 0
	}
	return m.Setup[from][p.Ops[ops[i]].Family]
}

func end(p *Problem, s Schedule, o int) Time {
	return s.Start[o] + p.Ops[o].Modes[s.Mode[o]].Duration
}
