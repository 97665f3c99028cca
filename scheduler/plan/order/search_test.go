package order

import (
	"fmt"
	"reflect"
	"testing"

	"tandem/scheduler/chance"
	"tandem/scheduler/plan/problem"
)

// search searches and checks what comes out; the cost told by Better last is that of the schedule.
func search(t *testing.T, p *problem.Problem, warm *problem.Schedule, evaluations int64, seed uint64) (problem.Schedule, value) {
	t.Helper()
	var told problem.Cost
	best := worst
	s, stats, err := Search(p, warm, problem.Budget{Evaluations: evaluations, Better: func(s problem.Schedule, c problem.Cost) {
		told = c
		if v := worth(p, c); v.less(best) {
			best = v
		} else {
			t.Errorf("told of %v after %v", v, best)
		}
		if _, err := check(p, s); err != nil {
			t.Errorf("told of a schedule that is none: %v", err)
		}
	}}, seed)
	if err != nil {
		t.Fatal(err)
	}
	c, err := check(p, s)
	if err != nil {
		t.Fatalf("seed %d: %v", seed, err)
	}
	if c != told {
		t.Fatalf("cost %+v, told %+v", c, told)
	}
	if evaluations > 0 && stats.Evaluations > evaluations+100 {
		t.Errorf("%d evaluations, %d allowed", stats.Evaluations, evaluations)
	}
	return s, worth(p, c)
}

func TestSearchMeetsEveryOrder(t *testing.T) {
	for i, f := range []features{
		{ops: 5, machines: 2, longest: 5},
		{ops: 5, machines: 3, longest: 5, tardy: true, setups: true},
		{ops: 5, machines: 2, longest: 4, tardy: true, racks: true, operators: true},
		{ops: 4, machines: 2, longest: 4, setups: true, racks: true, operators: true, price: true},
		{ops: 4, machines: 2, longest: 4, tardy: true, setups: true, racks: true, operators: true, price: true},
	} {
		t.Run(fmt.Sprint(i), func(t *testing.T) {
			missed := 0
			const problems = 40
			for seed := range uint64(problems) {
				p := random(f, seed)
				want := everyOrder(p)
				_, got := search(t, p, nil, 3000, seed)
				if got.less(want) {
					t.Fatalf("seed %d: %v is below the optimum %v\n%+v", seed, got, want, p)
				}
				if want.less(got) {
					missed++
				}
			}
			t.Logf("%d of %d missed", missed, problems)
			if missed > problems/20 {
				t.Errorf("the optimum is missed in %d of %d", missed, problems)
			}
		})
	}
}

func TestSearchMeetsEveryTime(t *testing.T) {
	f := features{ops: 3, machines: 2, longest: 3, maxLags: true, setups: true, racks: true, operators: true}
	missed := 0
	const problems = 60
	for seed := range uint64(problems) {
		f.tardy, f.price = seed%2 == 0, seed%3 == 0
		f.operators = seed%4 < 2
		p := random(f, seed)
		want := everyTime(p, 18)
		_, got := search(t, p, nil, 1000, seed)
		if got.less(want) {
			t.Fatalf("seed %d: %v is below the optimum %v\n%+v", seed, got, want, p)
		}
		if want.less(got) {
			t.Logf("seed %d: %v, optimum %v", seed, got, want)
			missed++
		}
	}
	t.Logf("%d of %d missed", missed, problems)
	if missed > problems/10 {
		t.Errorf("the optimum is missed in %d of %d", missed, problems)
	}
}

func TestSearchIsNeverWorseThanWarmAndDeterministic(t *testing.T) {
	for seed := range uint64(60) {
		f := features{
			ops: 12, machines: 4, longest: 9, maxLags: seed%2 == 0, setups: true, racks: true, operators: seed%3 > 0,
			tardy: seed%4 > 0, price: true,
		}
		p := random(f, seed)
		warm, first := search(t, p, nil, 20, seed)
		again, _ := search(t, p, nil, 20, seed)
		if !reflect.DeepEqual(warm, again) {
			t.Fatalf("seed %d: two searches, two schedules", seed)
		}
		s, v := search(t, p, &warm, 30, seed+1)
		if first.less(v) {
			t.Fatalf("seed %d: %v is worse than the warm start %v", seed, v, first)
		}
		if !v.less(first) && !reflect.DeepEqual(s, warm) {
			t.Errorf("seed %d: another schedule that is not better", seed)
		}
		// An infeasible one is no excuse.
		for o := range warm.Start {
			warm.Start[o] = 0
		}
		search(t, p, &warm, 30, seed)
		search(t, p, &problem.Schedule{Mode: []int{7}, Start: []tick{0}}, 5, seed)
	}
}

func TestSearchKeepsToItsBudget(t *testing.T) {
	c := chance.New(5)
	for _, evaluations := range []int64{1, 2, 10, 100, 1000, 20_000} {
		for _, p := range []*problem.Problem{
			lineOf(randomTimes(c, 30, 4)), lineOf(randomTimes(c, 30, 4), 2, 3, 1, 2), random(everything(3), 3), decals(20, 1),
		} {
			search(t, p, nil, evaluations, 1)
		}
	}
	// Stop is asked, and obeyed.
	for _, p := range []*problem.Problem{lineOf(randomTimes(c, 30, 4)), lineOf(randomTimes(c, 30, 4), 2, 3, 1, 2), decals(20, 1)} {
		asked := 0
		_, stats, err := Search(p, nil, problem.Budget{Stop: func() bool { asked++; return asked > 50 }}, 1)
		if err != nil || asked > 51 && !stats.Proved {
			t.Errorf("asked %d times: %v", asked, err)
		}
	}
}

func TestSearchSaysWhatIsWrong(t *testing.T) {
	machine := problem.Machine{Places: []tick{0}, Initial: -1}
	mode := []problem.Mode{{Duration: 5, Attended: problem.Whole}}
	for _, test := range []struct {
		name string
		p    problem.Problem
		want string
	}{
		{
			"no mode",
			problem.Problem{Machines: []problem.Machine{machine}, Jobs: make([]problem.Job, 1), Ops: []problem.Op{{}}},
			"reading the problem: Ops[0].Modes: no machine can do it: give at least one mode",
		},
		{
			"circle",
			problem.Problem{Machines: []problem.Machine{machine}, Jobs: make([]problem.Job, 1), Ops: []problem.Op{
				{Modes: mode, Before: []problem.Arc{{Op: 1}}}, {Modes: mode, Before: []problem.Arc{{Op: 0}}},
			}},
			"reading the problem: Ops[0].Before: the operation waits, directly or not, for operations that wait in a circle",
		},
		{
			"nobody there",
			problem.Problem{
				Machines: []problem.Machine{machine}, Jobs: make([]problem.Job, 1), Ops: []problem.Op{{Modes: mode}},
				Attendance: []problem.Window{{From: 0, Operators: 1}, {From: 4}},
			},
			errNoSchedule.Error(),
		},
	} {
		t.Run(test.name, func(t *testing.T) {
			_, _, err := Search(&test.p, nil, problem.Budget{Evaluations: 50}, 1)
			if err == nil || err.Error() != test.want {
				t.Errorf("got %v, want %s", err, test.want)
			}
		})
	}
	if s, stats, err := Search(&problem.Problem{}, nil, problem.Budget{}, 1); err != nil || !stats.Proved || len(s.Start) > 0 {
		t.Errorf("nothing to do: %v %v %v", s, stats, err)
	}
}
