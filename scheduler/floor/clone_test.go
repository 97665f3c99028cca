package floor

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"pgregory.net/rapid"

	tandemv1 "tandem/proto/tandem/v1"
)

// A clone decides what the floor it was made from decides, and neither moves the other.
func TestACloneGoesItsOwnWay(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(anyFloor(t))
		w.open()
		for _, a := range anyActs(80).Draw(t, "acts before") {
			w.play(a)
		}
		before := marshal(t, w.floor.Snapshot())
		clone := w.floor.Clone()
		if got := marshal(t, clone.Snapshot()); !bytes.Equal(got, before) {
			t.Fatalf("cloned as\n%v\nfrom\n%v", clone.Snapshot(), w.floor.Snapshot())
		}
		if err := clone.Check(); err != nil {
			t.Fatal(err)
		}
		third := clone.Clone()
		other := w.on(clone)
		acts := anyActs(60).Draw(t, "acts after")
		for _, a := range acts { // first the clone alone: the floor must not notice
			other.play(a)
		}
		if got := marshal(t, w.floor.Snapshot()); !bytes.Equal(got, before) {
			t.Fatalf("what happened on the clone changed the floor into\n%v", w.floor.Snapshot())
		}
		w.records = nil
		for _, a := range acts {
			w.play(a)
		}
		sameRecords(t, len(acts), w.records, other.records)
		if !bytes.Equal(marshal(t, w.floor.Snapshot()), marshal(t, clone.Snapshot())) {
			t.Fatal("the two floors have come apart")
		}
		if got := marshal(t, third.Snapshot()); !bytes.Equal(got, before) {
			t.Fatal("a clone of the clone has changed")
		}
	})
}

// A clone of what is open has every job that has not ended as it is, and decides the same about it.
func TestACloneOfWhatIsOpen(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(anyFloor(t))
		w.open()
		for _, a := range anyActs(120).Draw(t, "acts") {
			w.play(a)
		}
		before := marshal(t, w.floor.Snapshot())
		clone := w.floor.CloneOpen()
		sameOpen := func() {
			t.Helper()
			for _, j := range w.floor.Jobs {
				if !j.End.IsZero() {
					continue
				}
				c, ok := clone.Job(j.ID)
				if !ok || !proto.Equal(j.View(w.now), c.View(w.now)) {
					t.Fatalf("%s is cloned as\n%v\nfrom\n%v", j.ID, c.View(w.now), j.View(w.now))
				}
			}
			for i, d := range w.floor.Devices {
				if c := clone.Devices[i]; !proto.Equal(d.View(w.now), c.View(w.now)) {
					t.Fatalf("%s is cloned as\n%v\nfrom\n%v", d.ID, c.View(w.now), d.View(w.now))
				}
			}
		}
		sameOpen()
		// What can be granted now is granted on both, for the same figures.
		other := w.on(clone)
		for n := range 20 {
			w.play(act{Kind: "time", A: 31})
			other.now = w.now
			s := w.step(n, (*Step).Grantable)
			if s == nil {
				break
			}
			cj, _ := clone.Job(s.Job.ID)
			cs, ok := cj.Step(s.ID())
			if !ok || !cs.Grantable() || len(cs.Class.Fits) != len(s.Class.Fits) {
				t.Fatalf("%s of %s may be granted, and not on the clone", s.ID(), s.Job.ID)
			}
			for i, d := range s.Class.Fits {
				if a, b := d.Estimate(s, w.now), cs.Class.Fits[i].Estimate(cs, w.now); a != b {
					t.Fatalf("%s on %s: %+v, and on the clone %+v", s.ID(), d.ID, a, b)
				}
			}
		}
		_ = clone.Clone()
		if got := marshal(t, w.floor.Snapshot()); !bytes.Equal(got, before) {
			t.Fatal("cloning changed the floor")
		}
	})
}

// busyFloor has so many open jobs of five steps each and as many that have ended.
func busyFloor(b *testing.B, jobs int) *Floor {
	file := &tandemv1.FloorFile{}
	for _, op := range []string{"print", "dry", "laminate", "cut", "pack"} {
		for i := range 4 {
			file.Devices = append(file.Devices, &tandemv1.Device{
				Id: fmt.Sprintf("%s-%d", op, i), Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"},
				Abilities: []*tandemv1.Ability{{Operation: op, PerPiece: durationpb.New(time.Minute)}},
			})
		}
	}
	w := newWorld(file)
	w.open()
	for n := range 2 * jobs {
		id := fmt.Sprintf("job-%d", n)
		w.do(Meta{Actor: "mira"}, CreateJob{Job: sampleJob(id, act{A: n, B: 1, D: 3}, w.now)})
		if n%2 == 0 {
			w.do(Meta{Actor: "mira"}, CancelJob{Job: id})
		}
	}
	return w.floor
}

func BenchmarkClone(b *testing.B) {
	for _, jobs := range []int{50, 1000} {
		f := busyFloor(b, jobs)
		b.Run(fmt.Sprintf("clone/open=%d", jobs), func(b *testing.B) {
			for b.Loop() {
				f.Clone()
			}
		})
		b.Run(fmt.Sprintf("cloneOpen/open=%d", jobs), func(b *testing.B) {
			for b.Loop() {
				f.CloneOpen()
			}
		})
		b.Run(fmt.Sprintf("snapshotRestore/open=%d", jobs), func(b *testing.B) {
			for b.Loop() {
				if _, err := Restore(f.Snapshot()); err != nil {
					b.Fatal(err)
				}
			}
		})
	}
}
