package problem

import "testing"

// By hand: what waits, what is free late, and what only some machines can do.
func TestLowerBound(t *testing.T) {
	op := func(release Time, before []Arc, modes ...Mode) Op {
		return Op{Release: release, Before: before, Modes: modes}
	}
	on := func(machine int, d Time) Mode { return Mode{Machine: machine, Duration: d, Attended: None} }
	one, rack := Machine{Places: []Time{0}, Initial: -1}, Machine{Places: []Time{0, 4}, Initial: -1}
	for _, tt := range []struct {
		name string
		p    Problem
		want Time
	}{
		{"a path with a lag and a release", Problem{Machines: []Machine{one, one}, Ops: []Op{
			op(3, nil, on(0, 5), on(1, 2)), op(0, []Arc{{Op: 0, Lag: 4, MaxLag: Never}}, on(1, 6)),
		}}, 3 + 2 + 4 + 6},
		{"work on one machine", Problem{Machines: []Machine{one, one}, Ops: []Op{op(0, nil, on(0, 5)), op(0, nil, on(0, 7)), op(0, nil, on(1, 1))}}, 12},
		{"work that begins late and has something behind it", Problem{Machines: []Machine{one, one}, Ops: []Op{
			op(10, nil, on(0, 5)), op(10, nil, on(0, 5)), op(0, []Arc{{Op: 0, MaxLag: Never}}, on(1, 3)), op(0, []Arc{{Op: 1, MaxLag: Never}}, on(1, 3)), op(0, nil, on(0, 1)),
		}}, 10 + 5 + 5 + 3},
		{"places that are free at two times", Problem{Machines: []Machine{rack}, Ops: []Op{op(0, nil, on(0, 5)), op(0, nil, on(0, 5)), op(0, nil, on(0, 1))}}, 8}, // (11+4)/2
		{"either machine", Problem{Machines: []Machine{one, one}, Ops: []Op{op(0, nil, on(0, 3), on(1, 4)), op(0, nil, on(0, 3), on(1, 4)), op(0, nil, on(0, 3), on(1, 4))}}, 5},
	} {
		tt.p.Jobs = []Job{{Due: Never}}
		if err := Validate(&tt.p); err != nil {
			t.Fatalf("%s: %v", tt.name, err)
		}
		if got := LowerBound(&tt.p); got != tt.want {
			t.Errorf("%s: %d, want %d", tt.name, got, tt.want)
		}
	}
}
