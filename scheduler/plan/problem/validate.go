package problem

import (
	"fmt"
	"math"
	"slices"
)

// longest is the longest time a problem may state; sums of thousands of them still fit.
const longest Time = 1 << 50

// InvalidError says which field of a problem is wrong and what to write instead.
type InvalidError struct {
	Field  string // for instance Ops[3].Before[0].Lag
	Reason string
}

func (e *InvalidError) Error() string { return e.Field + ": " + e.Reason }

func invalid(field, reason string, args ...any) error {
	return &InvalidError{Field: field, Reason: fmt.Sprintf(reason, args...)}
}

// Validate says whether p can be scheduled at all: that every index leads somewhere, every time is in its range and precedence
// runs in no circle. The error is an [*InvalidError]. It does not say whether there is enough attendance: see Check.
func Validate(p *Problem) error {
	if p.Objective != Makespan && p.Objective != WeightedTardiness {
		return invalid("Objective", "%d is not known: use Makespan or WeightedTardiness", p.Objective)
	}
	if p.SetupPrice < 0 || math.IsNaN(p.SetupPrice) || math.IsInf(p.SetupPrice, 0) {
		return invalid("SetupPrice", "%v is not a price: use 0 or more", p.SetupPrice)
	}
	for k := range p.Machines {
		if err := validateMachine(fmt.Sprintf("Machines[%d]", k), &p.Machines[k]); err != nil {
			return err
		}
	}
	for j, job := range p.Jobs {
		if job.Due < -longest || job.Due > longest && job.Due != Never {
			return invalid(fmt.Sprintf("Jobs[%d].Due", j), "%d is too far away: use Never for no promise", job.Due)
		}
		if job.Weight < 0 || math.IsNaN(job.Weight) || math.IsInf(job.Weight, 0) {
			return invalid(fmt.Sprintf("Jobs[%d].Weight", j), "%v is not a weight: use 0 or more", job.Weight)
		}
	}
	for o := range p.Ops {
		if err := validateOp(p, fmt.Sprintf("Ops[%d]", o), o); err != nil {
			return err
		}
	}
	for i, w := range p.Attendance {
		field := fmt.Sprintf("Attendance[%d]", i)
		if w.Operators < 0 {
			return invalid(field+".Operators", "%d is below 0", w.Operators)
		}
		if w.From < -longest || w.From > longest {
			return invalid(field+".From", "%d is too far away", w.From)
		}
		if i > 0 && w.From <= p.Attendance[i-1].From {
			return invalid(field+".From", "%d is not after %d: put the windows in order of time", w.From, p.Attendance[i-1].From)
		}
	}
	return validateOrder(p)
}

func validateMachine(field string, m *Machine) error {
	if len(m.Places) == 0 {
		return invalid(field+".Places", "it has no place: say when its one place is free")
	}
	for i, free := range m.Places {
		if free < 0 || free > longest {
			return invalid(fmt.Sprintf("%s.Places[%d]", field, i), "%d is outside 0 to %d: use 0 for what is free now", free, longest)
		}
	}
	if m.Setup == nil {
		return nil
	}
	if len(m.Places) > 1 {
		return invalid(field+".Setup", "a machine of %d places changes nothing over: leave it out", len(m.Places))
	}
	if m.Initial < -1 || m.Initial >= len(m.Setup) {
		return invalid(field+".Initial", "%d is none of the %d families of Setup: use -1 for none", m.Initial, len(m.Setup))
	}
	for a, row := range m.Setup {
		if len(row) != len(m.Setup) {
			return invalid(fmt.Sprintf("%s.Setup[%d]", field, a), "%d entries for %d families: a row has one for each", len(row), len(m.Setup))
		}
		for b, t := range row {
			if t < 0 || t > longest {
				return invalid(fmt.Sprintf("%s.Setup[%d][%d]", field, a, b), "%d is outside 0 to %d", t, longest)
			}
		}
	}
	return nil
}

func validateOp(p *Problem, field string, o int) error {
	op := &p.Ops[o]
	if op.Job < 0 || op.Job >= len(p.Jobs) {
		return invalid(field+".Job", "%d is none of the %d jobs", op.Job, len(p.Jobs))
	}
	if op.Release < 0 || op.Release > longest {
		return invalid(field+".Release", "%d is outside 0 to %d: use 0 for now", op.Release, longest)
	}
	for i, a := range op.Before {
		arc := fmt.Sprintf("%s.Before[%d]", field, i)
		switch {
		case a.Op < 0 || a.Op >= len(p.Ops):
			return invalid(arc+".Op", "%d is none of the %d operations", a.Op, len(p.Ops))
		case a.Op == o:
			return invalid(arc+".Op", "the operation waits for itself")
		case a.Lag < 0 || a.Lag > longest:
			return invalid(arc+".Lag", "%d is outside 0 to %d", a.Lag, longest)
		case a.MaxLag < a.Lag:
			return invalid(arc+".MaxLag", "%d is below the lag %d: use Never for no limit", a.MaxLag, a.Lag)
		case a.MaxLag > longest && a.MaxLag != Never:
			return invalid(arc+".MaxLag", "%d is too long: use Never for no limit", a.MaxLag)
		}
	}
	if len(op.Modes) == 0 {
		return invalid(field+".Modes", "no machine can do it: give at least one mode")
	}
	for x, m := range op.Modes {
		mode := fmt.Sprintf("%s.Modes[%d]", field, x)
		switch {
		case m.Machine < 0 || m.Machine >= len(p.Machines):
			return invalid(mode+".Machine", "%d is none of the %d machines", m.Machine, len(p.Machines))
		case m.Duration < 0 || m.Duration > longest:
			return invalid(mode+".Duration", "%d is outside 0 to %d", m.Duration, longest)
		case m.Attended < None || m.Attended > longest && m.Attended != Whole:
			return invalid(mode+".Attended", "%d is no length of time: use None or Whole", m.Attended)
		}
		if families := p.Machines[m.Machine].Setup; families != nil && (op.Family < 0 || op.Family >= len(families)) {
			return invalid(field+".Family", "%d is none of the %d families of Machines[%d].Setup", op.Family, len(families), m.Machine)
		}
	}
	return nil
}

// validateOrder finds what waits in a circle.
func validateOrder(p *Problem) error {
	order := inOrder(p)
	if len(order) == len(p.Ops) {
		return nil
	}
	placed := make([]bool, len(p.Ops))
	for _, o := range order {
		placed[o] = true
	}
	return invalid(fmt.Sprintf("Ops[%d].Before", slices.Index(placed, false)), "the operation waits, directly or not, for operations that wait in a circle")
}

// inOrder takes away operations that wait for nothing until none is left, and returns them in that order; what is left out waits in a
// circle.
func inOrder(p *Problem) []int {
	waits := make([]int, len(p.Ops))
	after := make([][]int, len(p.Ops))
	var order []int
	for o, op := range p.Ops {
		waits[o] = len(op.Before)
		for _, a := range op.Before {
			after[a.Op] = append(after[a.Op], o)
		}
		if waits[o] == 0 {
			order = append(order, o)
		}
	}
	for i := 0; i < len(order); i++ {
		for _, o := range after[order[i]] {
			if waits[o]--; waits[o] == 0 {
				order = append(order, o)
			}
		}
	}
	return order
}
