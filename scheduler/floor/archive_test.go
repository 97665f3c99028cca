package floor

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// Jobs that ended long ago leave the floor: what is held does not grow for ever. What still hangs on something stays, ids are not
// given twice, the books of rolls still close, and a floor restored from a snapshot knows as much.
func TestArchive(t *testing.T) {
	w := newWorld(&tandemv1.FloorFile{
		Devices: []*tandemv1.Device{
			{Id: "bench", Capacity: 1, LoadedMedia: "white", Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "pack"}}},
			{Id: "table", Capacity: 1, LoadedMedia: "white", Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "trim", Media: []string{"white"}}}},
		},
		Media:  []*tandemv1.Media{{Id: "white", WidthUm: 1_000_000, RollLengthUm: 50_000_000}},
		People: []*tandemv1.Person{{Id: "mira", Supervisor: true}},
	})
	w.open()
	by := Meta{Actor: "mira"}
	w.do(by, ReceiveLot{Lot: &tandemv1.Lot{Media: "white", LengthUm: 10_000_000}})
	w.do(by, LoadMedia{Device: "table", Lot: w.floor.Lots()[0].ID})
	pack := func(id string) {
		w.do(by, CreateJob{Job: &tandemv1.Job{Id: id, Pieces: 4, Steps: []*tandemv1.Step{{Id: "pack", Operation: "pack"}}}})
	}
	finish := func(id, device string) {
		t.Helper()
		j, _ := w.floor.Job(id)
		d, _ := w.floor.Device(device)
		w.do(by, Grant{Step: j.Steps[0], Device: d})
		w.do(by, StartRun{Run: j.Steps[0].Runs[0].ID})
		w.do(by, FinishRun{Run: j.Steps[0].Runs[0].ID})
		if j.End.IsZero() {
			t.Fatalf("%s has not ended", id)
		}
	}
	w.do(by, CreateJob{Job: &tandemv1.Job{Id: "trimmed", Pieces: 4, Steps: []*tandemv1.Step{{Id: "trim", Operation: "trim", Media: "white", LengthUm: 300_000}}}})
	finish("trimmed", "table")
	for _, id := range []string{"first", "second", "last"} {
		pack(id)
		finish(id, "bench")
	}
	pack("open")
	panel := w.floor.byJob["first"].Panels[0].Code
	// What a device has worked on last may still lie there: something else is trimmed, so that the first may go.
	w.do(by, CreateJob{Job: &tandemv1.Job{Id: "trimmed-too", Pieces: 4, Steps: []*tandemv1.Step{{Id: "trim", Operation: "trim", Media: "white", LengthUm: 300_000}}}})
	finish("trimmed-too", "table")

	held := func() (ids []string) {
		for _, j := range w.floor.Jobs {
			ids = append(ids, j.ID)
		}
		return ids
	}
	w.now = w.now.Add(KeepEnded)
	w.do(Meta{Actor: "daemon"}, ArchiveJobs{EndedBefore: w.now.Add(-KeepEnded), Most: 10})
	if got := held(); len(got) != 6 {
		t.Fatalf("before their time: %v are left", got)
	}
	w.now = w.now.Add(time.Minute)
	w.do(Meta{Actor: "daemon"}, ArchiveJobs{EndedBefore: w.now.Add(-KeepEnded), Most: 2})
	if got := held(); !slices.Equal(got, []string{"second", "last", "open", "trimmed-too"}) {
		t.Fatalf("the oldest two: %v are left", got)
	}
	w.do(Meta{Actor: "daemon"}, ArchiveJobs{EndedBefore: w.now.Add(-KeepEnded), Most: 10})
	if got := held(); !slices.Equal(got, []string{"last", "open", "trimmed-too"}) {
		t.Fatalf("all but what is open or lies on a device: %v are left", got)
	}
	if d, err := w.floor.Decide(w.now, Meta{Actor: "daemon"}, ArchiveJobs{EndedBefore: w.now.Add(-KeepEnded), Most: 10}); err != nil || len(d.Events) > 0 {
		t.Errorf("nothing more may leave: %v, %v", d.Events, err)
	}

	restored, err := Restore(w.floor.Snapshot())
	if err != nil {
		t.Fatal(err)
	}
	for name, f := range map[string]*Floor{"live": w.floor, "restored": restored, "cloned": w.floor.Clone()} {
		if err := f.Check(); err != nil {
			t.Errorf("%s: %v", name, err)
		}
		if l := f.Lots()[0]; l.Used != 600_000 {
			t.Errorf("%s: %d um of the roll are used, want those of both trims", name, l.Used)
		}
		if _, ok := f.Panel(panel); ok {
			t.Errorf("%s: a panel of an archived job is still there", name)
		}
		var e *Error
		_, err := f.Decide(w.now, by, CreateJob{Job: &tandemv1.Job{Id: "first", Pieces: 4, Steps: []*tandemv1.Step{{Id: "pack", Operation: "pack"}}}})
		if !errors.As(err, &e) || e.Reason != "JOB_EXISTS" {
			t.Errorf("%s: the id of an archived job is given again: %v", name, err)
		}
		_, err = f.Decide(w.now, by, RemakePieces{Job: "first", Step: "pack", Pieces: 1})
		if !errors.As(err, &e) || e.Kind != NotFound || e.Reason != ReasonArchived || !strings.Contains(e.Message, "hand in a new one") {
			t.Errorf("%s: an archived job is made again: %v", name, err)
		}
	}
}

// The sets are shared by clones, so none may change; and there are few, however often some ids are added.
func TestArchiveGrows(t *testing.T) {
	var a archive
	var want []string
	for i := range 1000 {
		before, ids := a, a.ids()
		added := []string{fmt.Sprintf("job-%04d", 2*i), fmt.Sprintf("job-%04d", 2*i+1)}
		a = a.with(added)
		want = append(want, added...)
		if !slices.Equal(before.ids(), ids) {
			t.Fatalf("adding %v changed what was there", added)
		}
	}
	if got := a.ids(); !slices.Equal(got, want) {
		t.Errorf("%d ids are held, want %d", len(got), len(want))
	}
	if len(a) > 12 || !a.has("job-0000") || !a.has("job-1999") || a.has("job-2000") {
		t.Errorf("%d sets; the first is held: %t, the last: %t, another: %t", len(a), a.has("job-0000"), a.has("job-1999"), a.has("job-2000"))
	}
}
