package horizon_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
	"tandem/scheduler/plan"
	"tandem/scheduler/plan/horizon"
	"tandem/scheduler/plan/problem"
	"tandem/scheduler/simulate"
)

var opening = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC) // a Monday

// shop has two printers, one slower, a rack, a cutter and a bench; people only in the shifts that are given.
func shop(shifts ...*tandemv1.Shift) *tandemv1.FloorFile {
	alone := &tandemv1.UnattendedStart{AllowedBy: "mira", AllowTime: timestamppb.New(opening)}
	minutes := func(n int) *durationpb.Duration { return durationpb.New(time.Duration(n) * time.Minute) }
	return &tandemv1.FloorFile{
		Devices: []*tandemv1.Device{
			{Id: "fast", Driver: &tandemv1.Driver{Kind: "sim"}, LoadedMedia: "vinyl", Abilities: []*tandemv1.Ability{{
				Operation: "print", PerPiece: minutes(2), MediaChangeover: minutes(10), UnattendedStart: alone,
			}}},
			{Id: "slow", Driver: &tandemv1.Driver{Kind: "sim"}, LoadedMedia: "paper", Abilities: []*tandemv1.Ability{{
				Operation: "print", PerPiece: minutes(3), MediaChangeover: minutes(10), UnattendedStart: alone,
			}}},
			{Id: "rack", Capacity: 4, Driver: &tandemv1.Driver{Kind: "rack"}, Abilities: []*tandemv1.Ability{{Operation: "dry", UnattendedStart: alone}}},
			{Id: "cutter", Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "cut", Setup: minutes(3), PerPiece: minutes(1)}}},
			{Id: "bench", Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "pack", PerPiece: minutes(1)}}},
		},
		Media: []*tandemv1.Media{{Id: "vinyl"}, {Id: "paper"}}, Shifts: shifts,
	}
}

func job(i, pieces int, media string, due time.Duration) *tandemv1.Job {
	j := &tandemv1.Job{
		Id: fmt.Sprintf("job-%d", i), Pieces: int32(pieces), Steps: []*tandemv1.Step{
			{Id: "print", Operation: "print", Media: media},
			{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(30 * time.Minute)},
			{Id: "cut", Operation: "cut", After: []string{"dry"}},
			{Id: "pack", Operation: "pack", After: []string{"cut"}},
		},
	}
	if due > 0 {
		j.DueTime = timestamppb.New(opening.Add(due))
	}
	return j
}

func someJobs(n int, seed uint64) []simulate.Arrival {
	r := rand.New(rand.NewPCG(seed, 1))
	var out []simulate.Arrival
	for i := range n {
		media := []string{"vinyl", "paper"}[r.IntN(2)]
		out = append(out, simulate.Arrival{At: opening, Job: job(i, 1+r.IntN(20), media, time.Duration(1+r.IntN(6))*time.Hour)})
	}
	return out
}

// What is planned happens: with runs as long as expected and nothing that comes in later, each step ends when the plan said, give or
// take the rounding of the steps before it to whole seconds.
func TestWhatIsPlannedHappens(t *testing.T) {
	for seed := range uint64(5) {
		var planned *tandemv1.Plan
		var advice *dispatch.Advice
		r, err := simulate.Run(shop(), someJobs(8, seed), simulate.Options{Start: opening, Plan: func(f *floor.Floor, now time.Time) (*dispatch.Advice, error) {
			if planned == nil && len(f.Jobs) == 8 {
				h := horizon.Of(f, now, 300)
				s, _, err := plan.Search(h.Problem, nil, problem.Budget{Evaluations: 3000}, seed)
				if err != nil {
					return nil, err
				}
				planned, advice = h.Plan(s), h.Advice(s)
			}
			return advice, nil
		}})
		if err != nil {
			t.Fatal(err)
		}
		end := map[string]time.Time{}
		var late, makespan time.Duration
		for _, p := range planned.GetRuns() {
			end[p.GetJob()+"/"+p.GetStep()] = p.GetEndTime().AsTime()
			makespan = max(makespan, p.GetEndTime().AsTime().Sub(opening))
		}
		for _, j := range r.Jobs {
			if !j.Completed || len(j.Legs) != 4 {
				t.Fatalf("%s has %d runs and is %v", j.ID, len(j.Legs), j.State)
			}
			for _, l := range j.Legs {
				want, ok := end[j.ID+"/"+l.Step]
				if !ok {
					t.Fatalf("%s/%s is not in the plan", j.ID, l.Step)
				}
				late += max(0, l.End.Sub(want))
			}
		}
		if mean := late / 32; mean > time.Minute {
			t.Errorf("seed %d: steps end %v after their planned time on average", seed, mean)
		}
		if took := r.Makespan(); took > makespan+5*time.Minute {
			t.Errorf("seed %d: all is done after %v, planned %v", seed, took, makespan)
		}
	}
}

// A plan that is nonsense costs time and nothing else: every job is made.
func TestNonsenseIsHarmless(t *testing.T) {
	for seed := range uint64(10) {
		r := rand.New(rand.NewPCG(seed, 2))
		res, err := simulate.Run(shop(), someJobs(12, seed), simulate.Options{Start: opening, Plan: func(f *floor.Floor, _ time.Time) (*dispatch.Advice, error) {
			a := dispatch.NewAdvice(f.Revision)
			for _, i := range r.Perm(14) { // two of them do not exist
				for _, step := range []string{"pack", "print", "cut", "fold", "dry"} {
					a.Add([]string{"fast", "slow", "rack", "cutter", "bench", "nowhere"}[r.IntN(6)], fmt.Sprintf("job-%d", i), step)
				}
			}
			return a, nil
		}})
		if err != nil {
			t.Fatal(err)
		}
		for _, j := range res.Jobs {
			if !j.Completed {
				t.Errorf("seed %d: %s is %v %v", seed, j.ID, j.State, j.Reasons)
			}
		}
	}
}

// What runs is frozen, what cannot be planned is named, and nobody is planned to start anything when nobody is there.
func TestHorizon(t *testing.T) {
	file := shop(&tandemv1.Shift{Id: "day", From: "08:00", To: "16:00"})
	arrivals := someJobs(6, 3)
	held := job(6, 5, "vinyl", time.Hour)
	held.Hold = true
	arrivals = append(arrivals, simulate.Arrival{At: opening, Job: held})
	looked := false
	_, err := simulate.Run(file, arrivals, simulate.Options{Start: opening, Plan: func(f *floor.Floor, now time.Time) (*dispatch.Advice, error) {
		if now.Equal(opening) || looked {
			return nil, nil
		}
		looked = true
		h := horizon.Of(f, now, 300)
		if err := problem.Validate(h.Problem); err != nil {
			return nil, err
		}
		live := 0
		for _, d := range f.Devices {
			live += len(d.Live)
		}
		s, _, err := plan.Search(h.Problem, nil, problem.Budget{Evaluations: 500}, 1)
		if err != nil {
			return nil, err
		}
		p := h.Plan(s)
		fixed := 0
		for _, r := range p.GetRuns() {
			if r.GetFixed() {
				fixed++
			}
			hour := r.GetStartTime().AsTime().Hour()
			if !r.GetFixed() && (r.GetOperation() == "cut" || r.GetOperation() == "pack") && (hour < 8 || hour >= 16) {
				t.Errorf("%s/%s begins at %v, when nobody is there", r.GetJob(), r.GetStep(), r.GetStartTime().AsTime())
			}
		}
		if live == 0 || fixed != live {
			t.Errorf("%d runs are fixed, %d live", fixed, live)
		}
		if got, want := p.GetLeftOut(), "4 steps, such as job-6/print, job-6/dry, job-6/cut: the job is held"; len(got) != 1 || got[0] != want {
			t.Errorf("left out: %q, want one line: %q", got, want)
		}
		if len(p.GetAttended()) == 0 {
			t.Error("the plan does not say when somebody is there")
		}
		few := horizon.Of(f, now, 3)
		if lines := strings.Join(few.LeftOut, "\n"); len(few.Problem.Ops) > 3 || len(few.LeftOut) != 2 || !strings.Contains(lines, "steps, such as ") || !strings.Contains(lines, ": not urgent enough for this plan") {
			t.Errorf("of at most 3 steps: %d, left out\n%s", len(few.Problem.Ops), lines)
		}
		return nil, nil
	}})
	if err != nil {
		t.Fatal(err)
	}
	if !looked {
		t.Error("nothing happened after the opening")
	}
}

// A run that waits for a person is planned to begin as soon as somebody is there, however long nobody has come: that is when it begins
// if the floor is played forward, and so a plan and a forecast say the same.
func TestOverdueStart(t *testing.T) {
	cut := func(id string) *tandemv1.Job {
		return &tandemv1.Job{Id: id, Pieces: 30, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}, {Id: "pack", Operation: "pack", After: []string{"cut"}}}}
	}
	for name, at := range map[string]time.Duration{"somebody is there": 5 * time.Hour, "nobody is there": 9 * time.Hour} {
		t.Run(name, func(t *testing.T) {
			arrivals := []simulate.Arrival{{At: opening, Job: cut("first")}, {At: opening.Add(at), Job: cut("second")}}
			looked := false
			_, err := simulate.Run(shop(&tandemv1.Shift{Id: "day", From: "08:00", To: "16:00", Operators: 2}), arrivals, simulate.Options{Start: opening, Reaction: 40 * time.Hour, Plan: func(f *floor.Floor, now time.Time) (*dispatch.Advice, error) {
				if looked || len(f.Jobs) < 2 {
					return nil, nil
				}
				looked = true
				planOf := func(f *floor.Floor) *tandemv1.Plan {
					h := horizon.Of(f, now, 300)
					s, _, err := plan.Search(h.Problem, nil, problem.Budget{Evaluations: 500}, 1)
					if err != nil {
						t.Fatal(err)
					}
					return h.Plan(s)
				}
				ends, err := simulate.Forward(f.CloneOpen(), simulate.Future{
					Options: simulate.Options{Start: now}, Until: now.Add(100 * time.Hour), Jobs: []string{"first", "second"},
				})
				if err != nil {
					return nil, err
				}
				planned := map[string]time.Time{}
				var cut time.Time
				for _, r := range planOf(f).GetRuns() {
					planned[r.GetJob()] = r.GetEndTime().AsTime()
					if r.GetFixed() {
						cut = r.GetEndTime().AsTime()
					}
				}
				lost := f.CloneOpen() // nobody knows how far the run got: it is done again
				d, err := lost.Decide(now, floor.Meta{Actor: "mira"}, floor.RestoreLedger{Made: now, Restored: now, NothingDone: true})
				if err != nil {
					return nil, err
				}
				d.Events = slices.DeleteFunc(d.Events, func(e *ledgerv1.Event) bool { return e.GetRunChanged() == nil }) // its device is there
				lost.ApplyRecord(&ledgerv1.Record{Revision: lost.Revision + 1, CommitTime: timestamppb.New(now), Events: d.Events})
				fixed := 0
				for _, r := range planOf(lost).GetRuns() {
					if !r.GetFixed() {
						continue
					}
					fixed++
					if !r.GetEndTime().AsTime().Equal(cut) {
						t.Errorf("a run that is lost is planned to end at %v, one that waits at %v", r.GetEndTime().AsTime(), cut)
					}
				}
				if fixed != 1 {
					t.Errorf("%d runs are under way, want the one that is lost", fixed)
				}
				for _, id := range []string{"first", "second"} {
					if off := planned[id].Sub(ends[id]).Abs(); ends[id].IsZero() || off > time.Minute {
						t.Errorf("at %v %s is planned to be done at %v, played forward at %v", now, id, planned[id], ends[id])
					}
				}
				return nil, nil
			}})
			if err != nil || !looked {
				t.Fatalf("looked %t: %v", looked, err)
			}
		})
	}
}

// Whoever is at a bench is not planned to start the cutter meanwhile; and where nobody comes, nobody is planned to start anything.
func TestPeopleAtWork(t *testing.T) {
	arrivals := []simulate.Arrival{
		{At: opening, Job: &tandemv1.Job{Id: "packed", Pieces: 30, Steps: []*tandemv1.Step{{Id: "pack", Operation: "pack"}}}},
		{At: opening.Add(5 * time.Minute), Job: &tandemv1.Job{Id: "next", Pieces: 10, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}},
	}
	day := func(operators int32) *tandemv1.FloorFile {
		return shop(&tandemv1.Shift{Id: "day", From: "08:00", To: "16:00", Operators: operators})
	}
	closed := day(1)
	for d := range 40 {
		closed.ClosedDays = append(closed.ClosedDays, opening.AddDate(0, 0, d).Format(time.DateOnly))
	}
	for name, c := range map[string]struct {
		file  *tandemv1.FloorFile
		waits time.Duration // of the cutting, from the opening; < 0: there is no plan for it
	}{"one": {day(1), 30 * time.Minute}, "two": {day(2), 5 * time.Minute}, "nobody": {closed, -1}} {
		t.Run(name, func(t *testing.T) {
			looked := false
			_, err := simulate.Run(c.file, arrivals, simulate.Options{Start: opening, Plan: func(f *floor.Floor, now time.Time) (*dispatch.Advice, error) {
				if looked || len(f.Jobs) < 2 {
					return nil, nil
				}
				looked = true
				h := horizon.Of(f, now, 300)
				if err := problem.Validate(h.Problem); err != nil {
					return nil, err
				}
				s, _, err := plan.Search(h.Problem, nil, problem.Budget{Evaluations: 500}, 1)
				if err != nil {
					if c.waits < 0 {
						return nil, nil
					}
					return nil, err
				}
				for _, r := range h.Plan(s).GetRuns() {
					if begins := r.GetStartTime().AsTime().Sub(opening); r.GetJob() == "next" && begins != c.waits {
						t.Errorf("the cutting is planned to begin after %v, want %v", begins, c.waits)
					}
				}
				return nil, nil
			}})
			if err != nil || !looked {
				t.Fatalf("looked %t: %v", looked, err)
			}
		})
	}
}
