package floor_test

import (
	"fmt"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// A floor that forgets its ended jobs holds no more than those that are open, and goes on as before.
func TestForget(t *testing.T) {
	f, now := floor.New(), time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	do := func(c floor.Command) {
		t.Helper()
		d, err := f.Decide(now, floor.Meta{Actor: "mira"}, c)
		if err != nil {
			t.Fatal(err)
		}
		for _, e := range d.Events {
			f.Apply(f.Revision+1, now, e)
		}
	}
	do(floor.Configure{File: &tandemv1.FloorFile{Devices: []*tandemv1.Device{{
		Id: "bench", Capacity: 100, Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "pack"}},
	}}}})
	var open []*floor.Job
	for i := range 50 {
		id := fmt.Sprintf("job-%d", i)
		do(floor.CreateJob{Job: &tandemv1.Job{Id: id, Pieces: 2, Steps: []*tandemv1.Step{{Id: "pack", Operation: "pack"}}}})
		j, _ := f.Job(id)
		if i%10 == 0 {
			open = append(open, j)
			continue
		}
		do(floor.CancelJob{Job: id})
		f.Forget(j)
		if _, ok := f.Job(id); ok {
			t.Fatalf("%s is still there", id)
		}
		if _, ok := f.Job(j.Code); ok {
			t.Fatalf("the code of %s is still there", id)
		}
		if _, ok := f.Panel(j.Panels[0].Code); ok {
			t.Fatalf("the code of the panel of %s is still there", id)
		}
		do(floor.CreateJob{Job: &tandemv1.Job{Id: id, Pieces: 2, Steps: []*tandemv1.Step{{Id: "pack", Operation: "pack"}}}})
		again, _ := f.Job(id)
		do(floor.CancelJob{Job: id})
		f.Forget(again)
	}
	if len(f.Jobs) > 2*len(open) {
		t.Errorf("%d jobs are held for %d that are open", len(f.Jobs), len(open))
	}
	n := 0
	for _, j := range f.Jobs {
		if j.End.IsZero() {
			if j != open[n] {
				t.Errorf("%s is where %s was", j.ID, open[n].ID)
			}
			n++
		}
	}
	if n != len(open) {
		t.Errorf("%d open jobs are left, want %d", n, len(open))
	}
	defer func() {
		if recover() == nil {
			t.Error("a job that has not ended was forgotten")
		}
	}()
	f.Forget(open[0])
}
