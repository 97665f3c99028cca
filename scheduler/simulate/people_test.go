package simulate

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"pgregory.net/rapid"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
	"tandem/scheduler/dispatch"
)

// shifts is 08:00 to 16:00, UTC, from Monday to Friday.
func shifts(operators int32) []*tandemv1.Shift {
	return []*tandemv1.Shift{{Id: "day", From: "08:00", To: "16:00", Operators: operators}}
}

// by tells of a step's leg.
func by(t *testing.T, r *Result, job, step string) Leg {
	t.Helper()
	for _, j := range r.Jobs {
		for _, l := range j.Legs {
			if j.ID == job && l.Step == step {
				return l
			}
		}
	}
	t.Fatalf("%s has not done %s", job, step)
	return Leg{}
}

func bench(places int32) *tandemv1.Device {
	return &tandemv1.Device{Id: "bench", Capacity: places, Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "weed"}}}
}

// Two places and one person: one after the other. Two people: side by side.
func TestPeopleAreShared(t *testing.T) {
	for _, operators := range []int32{1, 2} {
		file := floorOf(bench(2))
		file.Shifts = shifts(operators)
		r, err := Run(file, at(chain("a", []string{"weed"}, time.Hour), chain("b", []string{"weed"}, time.Hour)), Options{Start: opening})
		if err != nil {
			t.Fatal(err)
		}
		if want := time.Duration(3-operators) * time.Hour; r.Makespan() != want {
			t.Errorf("%d people: done after %v, want %v", operators, r.Makespan(), want)
		}
		if r.OperatorBusy != 2*time.Hour {
			t.Errorf("%d people: busy for %v, want 2h", operators, r.OperatorBusy)
		}
	}
}

// What does not fit before they leave begins the next morning; what is longer than any shift is not left for ever.
func TestHandWorkIsNotCutByTheEndOfAShift(t *testing.T) {
	file := floorOf(bench(1))
	file.Shifts = shifts(1)
	r, err := Run(file, at(chain("a", []string{"weed"}, 5*time.Hour), chain("b", []string{"weed"}, 4*time.Hour), chain("long", []string{"weed"}, 9*time.Hour)), Options{Start: opening, Rule: dispatch.FirstFree})
	if err != nil {
		t.Fatal(err)
	}
	for id, want := range map[string]time.Time{"a": opening, "long": opening.Add(5 * time.Hour), "b": opening.Add(24 * time.Hour)} {
		if got := by(t, r, id, "weed"); !got.Start.Equal(want) {
			t.Errorf("%s begins at %v, want %v", id, got.Start, want)
		}
	}
}

// A cutter is not begun again before somebody has taken off what is on it; who is busy comes later.
func TestSomebodyUnloads(t *testing.T) {
	cutter := station("cutter", "cut")
	cutter.Abilities[0].Unload = durationpb.New(30 * time.Minute)
	file := floorOf(cutter)
	file.Shifts = shifts(1)
	r, err := Run(file, at(chain("a", []string{"cut"}, 7*time.Hour+45*time.Minute), chain("b", []string{"cut"}, time.Hour)), Options{Start: opening, Rule: dispatch.FirstFree})
	if err != nil {
		t.Fatal(err)
	}
	// It ends at 15:45, a quarter of an hour before they leave: unloaded from 08:00 to 08:30.
	if got, want := by(t, r, "b", "cut").Start, opening.Add(24*time.Hour+30*time.Minute); !got.Equal(want) {
		t.Errorf("b begins at %v, want %v", got, want)
	}
}

// A printer that starts alone goes on in the night; one whose runs a person starts begins long work last.
func TestTheNightIsUsed(t *testing.T) {
	jobs := func() []Arrival {
		long := chain("long", []string{"print"}, 10*time.Hour)
		long.Priority = 90
		return append(at(long), at(chain("short", []string{"print"}, 3*time.Hour), chain("short-2", []string{"print"}, 3*time.Hour))...)
	}
	alone := station("printer", "print")
	file := floorOf(alone)
	file.Shifts = shifts(1)
	r, err := Run(file, jobs(), Options{Start: opening})
	if err != nil {
		t.Fatal(err)
	}
	if r.Makespan() != 16*time.Hour {
		t.Errorf("a printer that starts alone is done after %v, want 16h on end", r.Makespan())
	}
	alone.Abilities[0].UnattendedStart = nil
	if r, err = Run(file, jobs(), Options{Start: opening}); err != nil {
		t.Fatal(err)
	}
	if got, want := by(t, r, "long", "print").Start, opening.Add(6*time.Hour); !got.Equal(want) || r.Makespan() != 16*time.Hour {
		t.Errorf("the long one begins at %v, want %v after the short ones; all done after %v, want 16h", got, want, r.Makespan())
	}
}

// With durations as expected no panel ever waits for a place in the rack, and people's work lies within their shifts.
func TestRacksAreNotPromisedTwice(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		file := floorOf(station("fast", "print"), station("slow", "print"), station("cutter", "cut"))
		file.Devices[1].Abilities[0].PerPiece = durationpb.New(time.Minute)
		places := rapid.Int32Range(1, 3).Draw(t, "places")
		file.Devices = append(file.Devices, &tandemv1.Device{
			Id: "rack", Capacity: places, Driver: &tandemv1.Driver{Kind: "rack", Manual: true},
			Abilities: []*tandemv1.Ability{{Operation: "dry", UnattendedStart: file.GetDevices()[0].GetAbilities()[0].GetUnattendedStart()}},
		})
		limited := rapid.Bool().Draw(t, "shifts")
		if limited {
			file.Shifts = shifts(3) // somebody for each machine
		}
		var arrivals []Arrival
		for i := range rapid.IntRange(2, 12).Draw(t, "jobs") {
			span := func(name string, most int) time.Duration {
				return time.Duration(rapid.IntRange(1, most).Draw(t, name)) * time.Minute
			}
			j := chain(fmt.Sprintf("job-%d", i), []string{"print", "dry", "cut"}, span("print", 90), span("dry", 600), span("cut", 60))
			j.Pieces = rapid.Int32Range(1, 30).Draw(t, "pieces")
			arrivals = append(arrivals, Arrival{At: opening.Add(span("at", 600)), Job: j})
		}
		r, err := Run(file, arrivals, Options{Start: opening})
		if err != nil {
			t.Fatal(err)
		}
		people, err := calendar.New(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, j := range r.Jobs {
			if !j.Completed || len(j.Legs) != 3 {
				t.Fatalf("%s is %v %v after %d legs", j.ID, j.State, j.Reasons, len(j.Legs))
			}
			if printed, dries := j.Legs[0].End, j.Legs[1].Start; !printed.Equal(dries) {
				t.Fatalf("%s is printed at %v and finds a place at %v", j.ID, printed, dries)
			}
			if cut := j.Legs[2]; people.Operators(cut.Start) == 0 {
				t.Fatalf("%s is cut from %v, when nobody is there", j.ID, cut.Start)
			}
		}
	})
}
