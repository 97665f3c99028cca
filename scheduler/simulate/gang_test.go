package simulate

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// Three small jobs, apart and on one shared panel. By the deterministic line: printing takes 10 min of set-up and a minute a
// piece, cutting 5 min and a minute a piece, packing a minute a piece.
func TestGangAgainstApart(t *testing.T) {
	file := floorOf(station("printer", "print"), station("cutter", "cut"), station("bench", "pack"))
	setup := map[string]time.Duration{"print": 10 * time.Minute, "cut": 5 * time.Minute}
	for _, d := range file.GetDevices() {
		for _, a := range d.GetAbilities() {
			a.PerPiece = durationpb.New(time.Minute)
			a.Setup = durationpb.New(setup[a.GetOperation()])
		}
	}
	steps := func(operations ...string) []*tandemv1.Step {
		var out []*tandemv1.Step
		for i, op := range operations {
			s := &tandemv1.Step{Id: op, Operation: op}
			if i > 0 {
				s.After = []string{operations[i-1]}
			}
			out = append(out, s)
		}
		return out
	}
	var apart []Arrival
	shared := &tandemv1.Panel{Id: "s1"}
	gang := Arrival{At: opening, Job: &tandemv1.Job{Id: "g", Panels: []*tandemv1.Panel{shared}, Steps: steps("print", "cut")}}
	for i := range 3 {
		id := fmt.Sprintf("job-%d", i)
		apart = append(apart, Arrival{At: opening, Job: &tandemv1.Job{
			Id: id, Panels: []*tandemv1.Panel{{Id: "p1", Pieces: 4, Contents: []*tandemv1.Content{{Item: "x", Pieces: 4}}}}, Steps: steps("print", "cut", "pack"),
		}})
		shared.Pieces += 4
		shared.Contents = append(shared.Contents, &tandemv1.Content{Job: id, Item: "x", Pieces: 4})
		for _, op := range []string{"print", "cut"} {
			gang.Carries = append(gang.Carries, &ledgerv1.Carry{Step: op, Member: id, MemberStep: op})
		}
	}
	// Apart: the printer is the bottleneck, 3 x 14 min; the last job is then cut (9 min) and packed (4 min).
	r, err := Run(file, apart, Options{Start: opening})
	if err != nil || r.Makespan() != (3*14+9+4)*time.Minute || r.Pieces != 12 {
		t.Fatalf("apart: %v and %d pieces, %v", r.Makespan(), r.Pieces, err)
	}
	// Together: 22 min of printing, 17 of cutting, then packing job by job, 3 x 4 min.
	r, err = Run(file, append(apart, gang), Options{Start: opening})
	if err != nil || r.Makespan() != (22+17+12)*time.Minute {
		t.Fatalf("together: %v, %v", r.Makespan(), err)
	}
	for _, j := range r.Jobs {
		if !j.Completed {
			t.Errorf("%s is %v %v", j.ID, j.State, j.Reasons)
		}
	}
	if n := len(r.Jobs[0].Legs); n != 1 {
		t.Errorf("a member has %d runs of its own, want packing alone", n)
	}
	if r.Pieces != 12 {
		t.Errorf("%d pieces are made, want 12: those of the shared panel are its members'", r.Pieces)
	}
	if _, err := Run(file, append([]Arrival{gang}, apart...), Options{Start: opening}); err == nil {
		t.Error("a gang run of jobs that have not arrived")
	}
}
