package problem

import (
	"errors"
	"strings"
	"testing"
)

// shop is two jobs on a machine with changeovers, a second machine, and a rack of two places; one operator from 0, none from
// 30, two from 40. All numbers are made by hand.
//
//	0: job 0, family 0, machine 0 for 5, attended 2
//	1: job 0, after 0 with lag 3 (at most 10), rack for 6, nobody
//	2: job 1, family 1, released at 4, machine 0 for 4 (whole) or machine 1 for 7 (nobody)
//	3: job 1, after 2, rack for 9, nobody
//	4: job 1, family 1, machine 0 for 1, nobody
func shop() *Problem {
	setup := [][]Time{{0, 2}, {3, 0}}
	return &Problem{
		Machines: []Machine{
			{Places: []Time{1}, Setup: setup, Initial: 1},
			{Places: []Time{0}, Initial: -1},
			{Places: []Time{0, 12}, Initial: -1},
		},
		Jobs: []Job{{Due: 15, Weight: 2}, {Due: Never, Weight: 5}},
		Ops: []Op{
			{Job: 0, Modes: []Mode{{Machine: 0, Duration: 5, Attended: 2}}},
			{Job: 0, Before: []Arc{{Op: 0, Lag: 3, MaxLag: 10}}, Modes: []Mode{{Machine: 2, Duration: 6, Attended: None}}},
			{Job: 1, Family: 1, Release: 4, Modes: []Mode{
				{Machine: 0, Duration: 4, Attended: Whole}, {Machine: 1, Duration: 7, Attended: None},
			}},
			{Job: 1, Before: []Arc{{Op: 2, MaxLag: Never}}, Modes: []Mode{{Machine: 2, Duration: 9, Attended: None}}},
			{Job: 1, Family: 1, Modes: []Mode{{Machine: 0, Duration: 1, Attended: None}}},
		},
		Attendance: []Window{{From: 0, Operators: 1}, {From: 30, Operators: 0}, {From: 40, Operators: 2}},
	}
}

// good: machine 0 changes over from 1 to 4, runs 0 from 4 to 9, changes over to 11, runs 2 to 15 and 4 to 16; the rack holds 1
// from 12 to 18 and 3 from 15 to 24.
func good() Schedule {
	return Schedule{Mode: []int{0, 0, 0, 0, 0}, Start: []Time{4, 12, 11, 15, 15}}
}

func TestCheck(t *testing.T) {
	tests := []struct {
		name   string
		change func(*Problem, *Schedule)
		want   string // part of the error; empty: none
	}{
		{"good", func(*Problem, *Schedule) {}, ""},
		{"other mode", func(_ *Problem, s *Schedule) { s.Mode[2], s.Start[2], s.Start[3] = 1, 4, 18 }, ""},
		{"maximum lag is no wall", func(_ *Problem, s *Schedule) { s.Start[1] = 25 }, ""},
		{"too few starts", func(_ *Problem, s *Schedule) { s.Start = s.Start[1:] }, "5 modes and 4 starts"},
		{"no such mode", func(_ *Problem, s *Schedule) { s.Mode[2] = 2 }, "operation 2: mode 2"},
		{"mode below 0", func(_ *Problem, s *Schedule) { s.Mode[0] = -1 }, "operation 0: mode -1"},
		{"release", func(_ *Problem, s *Schedule) { s.Mode[2], s.Start[2] = 1, 3 }, "operation 2: starts at 3, before its release at 4"},
		{"lag", func(_ *Problem, s *Schedule) { s.Start[1] = 11 }, "operation 1: starts at 11, before 12"},
		{"precedence", func(_ *Problem, s *Schedule) { s.Start[3] = 14 }, "operation 3: starts at 14, before 15"},
		{"overlap", func(p *Problem, s *Schedule) { p.Attendance = nil; s.Start[4] = 14 }, "operation 4: starts at 14 on machine 0"},
		{"changeover", func(_ *Problem, s *Schedule) { s.Start[2] = 10 }, "operation 2: starts at 10 on machine 0, changeover of 2"},
		{"first changeover", func(_ *Problem, s *Schedule) { s.Start[0] = 3 }, "the machine is free only at 1"},
		{"no first changeover", func(p *Problem, s *Schedule) { p.Machines[0].Initial = -1; s.Start[0] = 1 }, ""},
		{"not free, no changeover", func(p *Problem, s *Schedule) { p.Machines[0].Initial = -1; s.Start[0] = 0 }, "the machine is free only at 1"},
		{"rack place free later", func(p *Problem, _ *Schedule) { p.Machines[2].Places[1] = 16 }, "at 15 machine 2 has 1 places and needs 2"},
		{"rack full", func(p *Problem, _ *Schedule) { p.Machines[2].Places = []Time{0} }, "operation 1 ends only at 18"},
		{"rack full of three", func(p *Problem, _ *Schedule) {
			p.Machines[2].Places = []Time{0, 20, 20}
		}, "machine 2 has 1 places and needs 2"},
		{"back to back on the rack", func(p *Problem, s *Schedule) { p.Machines[2].Places[1] = 100; s.Start[3] = 18 }, ""},
		{"nobody there", func(_ *Problem, s *Schedule) { s.Start[2], s.Start[4], s.Start[3] = 27, 31, 31 }, "1 operators are needed at 30 and 0 are there"},
		{"there to the last tick", func(_ *Problem, s *Schedule) { s.Start[2], s.Start[4], s.Start[3] = 26, 30, 30 }, ""},
		{"two needed at once", func(p *Problem, s *Schedule) {
			p.Ops[2].Modes[1].Attended = 3
			s.Mode[2], s.Start[2], s.Start[3] = 1, 4, 18
		}, "2 operators are needed at 4 and 1 are there"},
		{"one after the other", func(p *Problem, s *Schedule) {
			p.Ops[2].Modes[1].Attended = 3
			s.Mode[2], s.Start[2], s.Start[3] = 1, 6, 18
		}, ""},
		{"a changeover needs somebody", func(p *Problem, s *Schedule) {
			p.Attendance = []Window{{0, 1}, {10, 0}}
			p.Ops[2].Modes[0].Attended = None
		}, "1 operators are needed at 10 and 0 are there"},
		{"an unattended run needs nobody", func(p *Problem, s *Schedule) {
			p.Attendance = []Window{{0, 1}, {11, 0}}
			p.Ops[2].Modes[0].Attended = None
		}, ""},
		{"attended 0 needs somebody only for the changeover", func(p *Problem, s *Schedule) {
			p.Attendance = []Window{{0, 1}, {11, 0}}
			p.Ops[2].Modes[0].Attended = 0
		}, ""},
		{"before the first window there is nobody", func(p *Problem, _ *Schedule) { p.Attendance[0].From = 2 }, "1 operators are needed at 1 and 0 are there"},
		{"no attendance: anybody", func(p *Problem, s *Schedule) { p.Attendance = nil; s.Start[2], s.Start[4], s.Start[3] = 35, 39, 39 }, ""},
	}
	for _, test := range tests {
		t.Run(test.name, func(t *testing.T) {
			p, s := shop(), good()
			test.change(p, &s)
			if err := Validate(p); err != nil {
				t.Fatal(err)
			}
			err := Check(p, s)
			if test.want == "" && err != nil || test.want != "" && (err == nil || !strings.Contains(err.Error(), test.want)) {
				t.Errorf("got %v, want %q", err, test.want)
			}
		})
	}
}

func TestCost(t *testing.T) {
	p, s := shop(), good()
	// Job 0 ends at 18, 3 late, weight 2; changeovers 3 and 2; wait of 1 after 0: 3.
	c := CostOf(p, s)
	if want := (Cost{Tardiness: 6, Makespan: 24, Setup: 5}); c != want {
		t.Errorf("got %+v, want %+v", c, want)
	}
	s.Start[1] = 25 // waits for 16, 6 too long; ends at 31, 16 late
	late := CostOf(p, s)
	if want := (Cost{Tardiness: 32, Makespan: 31, Setup: 5, Overrun: 6}); late != want {
		t.Errorf("got %+v, want %+v", late, want)
	}
	if got := late.Value(p); got != 31+6*OverrunPrice*5 {
		t.Errorf("value %v", got)
	}
	p.Objective, p.SetupPrice = WeightedTardiness, 0.5
	if got := c.Value(p); got != 6+2.5 {
		t.Errorf("value %v", got)
	}
	if !Less(p, c, late) || Less(p, late, c) || Less(p, c, c) {
		t.Error("order of costs")
	}
	tie := c
	tie.Makespan++
	if !Less(p, c, tie) || Less(p, tie, c) {
		t.Error("equal values: the shorter one is better")
	}
}

func TestValidate(t *testing.T) {
	tests := []struct {
		field  string
		change func(*Problem)
	}{
		{"", func(*Problem) {}},
		{"Objective", func(p *Problem) { p.Objective = 2 }},
		{"SetupPrice", func(p *Problem) { p.SetupPrice = -1 }},
		{"Machines[1].Places", func(p *Problem) { p.Machines[1].Places = nil }},
		{"Machines[2].Places[1]", func(p *Problem) { p.Machines[2].Places[1] = -1 }},
		{"Machines[2].Setup", func(p *Problem) { p.Machines[2].Setup = p.Machines[0].Setup }},
		{"Machines[0].Initial", func(p *Problem) { p.Machines[0].Initial = 2 }},
		{"Machines[0].Setup[1]", func(p *Problem) { p.Machines[0].Setup[1] = []Time{1} }},
		{"Machines[0].Setup[0][1]", func(p *Problem) { p.Machines[0].Setup[0][1] = -1 }},
		{"Jobs[0].Due", func(p *Problem) { p.Jobs[0].Due = Never - 1 }},
		{"Jobs[1].Weight", func(p *Problem) { p.Jobs[1].Weight = -1 }},
		{"Ops[0].Job", func(p *Problem) { p.Ops[0].Job = 2 }},
		{"Ops[0].Release", func(p *Problem) { p.Ops[0].Release = -1 }},
		{"Ops[3].Before[0].Op", func(p *Problem) { p.Ops[3].Before[0].Op = 5 }},
		{"Ops[3].Before[0].Op", func(p *Problem) { p.Ops[3].Before[0].Op = 3 }},
		{"Ops[1].Before[0].Lag", func(p *Problem) { p.Ops[1].Before[0].Lag = -1 }},
		{"Ops[1].Before[0].MaxLag", func(p *Problem) { p.Ops[1].Before[0].MaxLag = 2 }},
		{"Ops[1].Before[0].MaxLag", func(p *Problem) { p.Ops[1].Before[0].MaxLag = Never + 1 }},
		{"Ops[4].Modes", func(p *Problem) { p.Ops[4].Modes = nil }},
		{"Ops[2].Modes[1].Machine", func(p *Problem) { p.Ops[2].Modes[1].Machine = 3 }},
		{"Ops[2].Modes[1].Duration", func(p *Problem) { p.Ops[2].Modes[1].Duration = -1 }},
		{"Ops[2].Modes[1].Attended", func(p *Problem) { p.Ops[2].Modes[1].Attended = -2 }},
		{"Ops[4].Family", func(p *Problem) { p.Ops[4].Family = 2 }},
		{"Attendance[1].Operators", func(p *Problem) { p.Attendance[1].Operators = -1 }},
		{"Attendance[0].From", func(p *Problem) { p.Attendance[0].From = Never }},
		{"Attendance[2].From", func(p *Problem) { p.Attendance[2].From = 30 }},
		{"Ops[2].Before", func(p *Problem) { p.Ops[2].Before = []Arc{{Op: 3, MaxLag: Never}} }},
	}
	for _, test := range tests {
		p := shop()
		test.change(p)
		err := Validate(p)
		var bad *InvalidError
		switch {
		case test.field == "" && err != nil:
			t.Errorf("good problem: %v", err)
		case test.field != "" && (!errors.As(err, &bad) || bad.Field != test.field || bad.Reason == ""):
			t.Errorf("%s: got %v", test.field, err)
		}
	}
}
