package graph

import (
	"errors"
	"os"
	"path/filepath"
	"slices"
	"testing"

	"tandem/scheduler/chance"
	"tandem/scheduler/plan/instance"
	"tandem/scheduler/plan/problem"
)

func TestOptimumOfTinyProblems(t *testing.T) {
	for name, sh := range shapes(7, 3, 2) {
		t.Run(name, func(t *testing.T) {
			c := chance.New(3)
			proved := 0
			for range 25 {
				p := randomProblem(c, sh)
				if err := problem.Validate(p); err != nil {
					t.Fatal(err)
				}
				if !Fits(p) {
					t.Fatal("the problem does not fit")
				}
				want := optimum(p)
				if b := problem.LowerBound(p); b > want {
					t.Fatalf("bound %d above the optimum %d", b, want)
				}
				s, stats, err := Search(p, nil, problem.Budget{Evaluations: 4000}, c.Uint64())
				if err != nil {
					t.Fatal(err)
				}
				if err := problem.Check(p, s); err != nil {
					t.Fatal(err)
				}
				if got := problem.CostOf(p, s).Makespan; got != want {
					t.Errorf("makespan %d, optimum %d: %+v", got, want, p)
				}
				if stats.Proved {
					proved++
				}
			}
			if proved == 0 {
				t.Error("nothing was proved: the bound is of no use")
			}
		})
	}
}

func TestSearchKeepsItsPromises(t *testing.T) {
	for name, sh := range shapes(40, 4, 6) {
		t.Run(name, func(t *testing.T) {
			c := chance.New(5)
			for range 4 {
				p := randomProblem(c, sh)
				var last problem.Cost
				told := 0
				budget := problem.Budget{Evaluations: 600, Better: func(s problem.Schedule, cost problem.Cost) {
					if err := problem.Check(p, s); err != nil {
						t.Fatal(err)
					}
					if cost != problem.CostOf(p, s) || told > 0 && !problem.Less(p, cost, last) {
						t.Fatalf("told of %+v after %+v", cost, last)
					}
					last = cost
					told++
					clear(s.Start) // it is the callee's to keep
				}}
				a, stats, err := Search(p, nil, budget, 9)
				if err != nil {
					t.Fatal(err)
				}
				if err := problem.Check(p, a); err != nil {
					t.Fatal(err)
				}
				if told == 0 || problem.CostOf(p, a) != last {
					t.Fatalf("gave back %+v, told of %+v", problem.CostOf(p, a), last)
				}
				if stats.Evaluations > 600 || stats.Evaluations < 600 && !stats.Proved {
					t.Fatalf("%d evaluations of 600", stats.Evaluations)
				}
				b, again, err := Search(p, nil, problem.Budget{Evaluations: 600}, 9)
				if err != nil || again != stats || !slices.Equal(a.Mode, b.Mode) || !slices.Equal(a.Start, b.Start) {
					t.Fatal("the same seed has given another schedule")
				}
				better, _, err := Search(p, &a, problem.Budget{Evaluations: 300, Better: func(_ problem.Schedule, cost problem.Cost) {
					if !problem.Less(p, cost, last) {
						t.Fatalf("told of %+v, no better than what it began with", cost)
					}
				}}, 10)
				if err != nil {
					t.Fatal(err)
				}
				if err := problem.Check(p, better); err != nil {
					t.Fatal(err)
				}
				if cost := problem.CostOf(p, better); cost.Makespan > last.Makespan ||
					cost.Makespan == last.Makespan && !slices.Equal(better.Start, a.Start) {
					t.Fatalf("%+v from a warm start of %+v", cost, last)
				}
			}
		})
	}
}

// TestWarmStartWithGaps begins with a schedule in which everything is late for nothing, and with one that is none.
func TestWarmStartWithGaps(t *testing.T) {
	c := chance.New(17)
	for name, sh := range shapes(20, 3, 4) {
		p := randomProblem(c, sh)
		s, _, err := Search(p, nil, problem.Budget{Evaluations: 1}, 1)
		if err != nil {
			t.Fatal(err)
		}
		was := problem.CostOf(p, s).Makespan
		late := problem.Schedule{Mode: s.Mode, Start: slices.Clone(s.Start)}
		for o := range late.Start {
			late.Start[o] += 1000
		}
		got, _, err := Search(p, &late, problem.Budget{Evaluations: 1}, 2)
		if err != nil {
			t.Fatal(err)
		}
		if m := problem.CostOf(p, got).Makespan; m > was {
			t.Errorf("%s: makespan %d, moving everything to the left would give %d", name, m, was)
		}
		wrong := problem.Schedule{Mode: s.Mode, Start: make([]problem.Time, len(s.Start))}
		got, _, err = Search(p, &wrong, problem.Budget{Evaluations: 1}, 2)
		if err != nil {
			t.Fatal(err)
		}
		if err := problem.Check(p, got); err != nil {
			t.Errorf("%s: from a warm start that breaks rules: %v", name, err)
		}
	}
}

func TestStop(t *testing.T) {
	c := chance.New(19)
	p := randomProblem(c, shape{ops: 200, machines: 6, jobs: 20, chains: true, flexible: true, longest: 99})
	asked := 0
	s, stats, err := Search(p, nil, problem.Budget{Stop: func() bool { asked++; return asked == 3 }}, 1)
	if err != nil {
		t.Fatal(err)
	}
	if asked != 3 || stats.Evaluations > 3000 {
		t.Errorf("asked %d times, %d evaluations", asked, stats.Evaluations)
	}
	if err := problem.Check(p, s); err != nil {
		t.Error(err)
	}
}

// TestNothingToMove ends although no move exists and the bound, which knows no changeovers, is not met.
func TestNothingToMove(t *testing.T) {
	p := &problem.Problem{
		Machines: []problem.Machine{{Places: []problem.Time{0}, Initial: -1, Setup: [][]problem.Time{{0, 3}, {3, 0}}}},
		Jobs:     []problem.Job{{Due: problem.Never, Weight: 1}},
		Ops: []problem.Op{
			{Modes: []problem.Mode{{Duration: 5}}},
			{Modes: []problem.Mode{{Duration: 5}}, Family: 1, Before: []problem.Arc{{Op: 0, MaxLag: problem.Never}}},
		},
	}
	s, stats, err := Search(p, nil, problem.Budget{Evaluations: 20_000}, 1)
	if err != nil {
		t.Fatal(err)
	}
	if got := problem.CostOf(p, s).Makespan; got != 13 || stats.Evaluations != 20_000 {
		t.Errorf("makespan %d after %d evaluations, want 13 after 20000", got, stats.Evaluations)
	}
}

func TestFits(t *testing.T) {
	tests := []struct {
		name   string
		change func(*problem.Problem)
		want   bool
	}{
		{"as it is", func(*problem.Problem) {}, true},
		{"attendance", func(p *problem.Problem) { p.Attendance = []problem.Window{{From: 0, Operators: 1}} }, false},
		{"two places", func(p *problem.Problem) { p.Machines[0].Places = []problem.Time{0, 0} }, false},
		{"a maximum lag", func(p *problem.Problem) { p.Ops[1].Before[0].MaxLag = 5 }, false},
		{"due times", func(p *problem.Problem) { p.Objective = problem.WeightedTardiness }, false},
		{"a price without changeovers", func(p *problem.Problem) { p.SetupPrice = 1 }, true},
		{"changeovers", func(p *problem.Problem) { p.Machines[0].Setup = [][]problem.Time{{0}} }, true},
		{"changeovers with a price", func(p *problem.Problem) {
			p.Machines[0].Setup, p.SetupPrice = [][]problem.Time{{0}}, 1
		}, false},
		{"changeovers and no time", func(p *problem.Problem) {
			p.Machines[0].Setup, p.Ops[0].Modes[0].Duration = [][]problem.Time{{0}}, 0
		}, false},
		{"no time", func(p *problem.Problem) { p.Ops[0].Modes[0].Duration = 0 }, true},
		{"too long", func(p *problem.Problem) { p.Ops[0].Modes[0].Duration = 1 << 40 }, false},
		{"too long together", func(p *problem.Problem) {
			p.Ops[0].Modes[0].Duration, p.Ops[1].Before[0].Lag = farthest/2+1, farthest/2+1
		}, false},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			p := &problem.Problem{
				Machines: []problem.Machine{{Places: []problem.Time{3}, Initial: -1}},
				Jobs:     []problem.Job{{Due: problem.Never, Weight: 1}},
				Ops: []problem.Op{
					{Modes: []problem.Mode{{Duration: 4}}},
					{Modes: []problem.Mode{{Duration: 5}}, Before: []problem.Arc{{Op: 0, Lag: 1, MaxLag: problem.Never}}},
				},
			}
			tt.change(p)
			if err := problem.Validate(p); err != nil {
				t.Fatal(err)
			}
			if got := Fits(p); got != tt.want {
				t.Errorf("fits: %v, want %v", got, tt.want)
			}
			_, _, err := Search(p, nil, problem.Budget{Evaluations: 10}, 1)
			if errors.Is(err, ErrUnfit) == tt.want {
				t.Errorf("error %v, fits %v", err, tt.want)
			}
		})
	}
}

// TestPublished holds the search against published optima, reached with few evaluations: Fisher & Thompson 1963, Lawrence 1984,
// Brandimarte 1993, Kacem et al. 2002; YFJS01 and DAFJS01 of Birgin et al. 2014 were proved with a constraint solver.
func TestPublished(t *testing.T) {
	tests := []struct {
		format, file string
		optimum      problem.Time
	}{
		{"jsp", "ft06", 55},
		{"jsp", "la01", 666},
		{"fjsp", "mk01", 40},
		{"fjsp", "k1", 11},
		{"fajsp", "yfjs01", 773},
		{"fajsp", "dafjs01", 257},
	}
	for _, tt := range tests {
		t.Run(tt.file, func(t *testing.T) {
			text, err := os.ReadFile(filepath.Join("..", "instance", "testdata", tt.file+".txt"))
			if err != nil {
				t.Fatal(err)
			}
			p, err := instance.Read(tt.format, text)
			if err != nil {
				t.Fatal(err)
			}
			s, _, err := Search(p, nil, problem.Budget{Evaluations: 60_000}, 1)
			if err != nil {
				t.Fatal(err)
			}
			if err := problem.Check(p, s); err != nil {
				t.Fatal(err)
			}
			if got := problem.CostOf(p, s).Makespan; got != tt.optimum {
				t.Errorf("makespan %d, optimum %d", got, tt.optimum)
			}
		})
	}
}
