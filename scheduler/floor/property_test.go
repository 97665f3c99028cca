package floor

import (
	"bytes"
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"pgregory.net/rapid"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// anyFloor draws a small shop. Laminators and cutters never start alone; printers may.
func anyFloor(t *rapid.T) *tandemv1.FloorFile {
	unattended := func(name string, or bool) *tandemv1.UnattendedStart {
		if or || rapid.Bool().Draw(t, name+" starts alone") {
			return &tandemv1.UnattendedStart{AllowedBy: "mira"}
		}
		return nil
	}
	minute := durationpb.New(time.Minute)
	file := &tandemv1.FloorFile{People: []*tandemv1.Person{{Id: "mira", Supervisor: true}, {Id: "timo"}}}
	add := func(id string, manual bool, capacity int32, abilities ...*tandemv1.Ability) {
		file.Devices = append(file.Devices, &tandemv1.Device{
			Id: id, Capacity: capacity, Driver: &tandemv1.Driver{Kind: "sim", Manual: manual}, Abilities: abilities,
			LoadedMedia: rapid.SampledFrom([]string{"", "white", "clear"}).Draw(t, id+" has"),
		})
		if rapid.Bool().Draw(t, id+" loses at each run") {
			for _, a := range abilities {
				a.RunWasteUm, a.WebUpUm, a.BladeLifeUm = 300, 700, 5000
			}
		}
	}
	add("printer-1", false, rapid.Int32Range(1, 2).Draw(t, "webs"), &tandemv1.Ability{Operation: "print", PerPiece: minute, UnattendedStart: unattended("printer-1", false)})
	if rapid.Bool().Draw(t, "combined") {
		add("combined", false, 1,
			&tandemv1.Ability{Operation: "print", PerPiece: minute},
			&tandemv1.Ability{Operation: "cut", PerPiece: minute, ContinuesLoaded: true})
	}
	add("rack", true, rapid.Int32Range(0, 2).Draw(t, "places"), &tandemv1.Ability{Operation: "dry", UnattendedStart: unattended("rack", true)})
	file.GetDevices()[len(file.GetDevices())-1].Slots = []string{"a1", "a2"}
	add("laminator", false, 1, &tandemv1.Ability{Operation: "laminate", PerPiece: minute})
	add("cutter", false, 1, &tandemv1.Ability{Operation: "cut", PerPiece: minute, MarkTime: durationpb.New(time.Second)})
	if rapid.Bool().Draw(t, "shifts") {
		file.TimeZone = "Europe/Berlin"
		file.Shifts = []*tandemv1.Shift{{Id: "early", From: "06:00", To: "14:30", Operators: rapid.Int32Range(1, 2).Draw(t, "early")}, {Id: "late", From: "13:30", To: "22:00"}}
	}
	for _, d := range file.GetDevices() {
		for _, a := range d.GetAbilities() {
			if a.GetOperation() != "dry" && rapid.IntRange(0, 2).Draw(t, d.GetId()+" is unloaded") == 0 {
				a.Unload = durationpb.New(10 * time.Minute)
			}
		}
	}
	add("bench", true, 1, &tandemv1.Ability{Operation: "pack"}, &tandemv1.Ability{Operation: "print", UnattendedStart: unattended("bench", false)})
	return file
}

// Whatever happens on a floor, the rules hold; and the ledger alone gives the same floor again.
func TestAnyDayKeepsTheRules(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(anyFloor(t))
		s := newShadow(t, w)
		w.open()
		for _, a := range anyActs(120).Draw(t, "acts") {
			w.play(a)
			s.look()
		}
		w.replays(t)
	})
}

// replays checks that the ledger alone gives the same floor again, and that a floor changes nothing of the records it has applied: several
// may apply the same ones.
func (w *world) replays(t *rapid.T) {
	replayed, beside := New(), New()
	for i, rec := range w.records {
		if !proto.Equal(rec, w.given[i]) {
			t.Fatalf("record %d has been changed since it was applied: %v, was %v", rec.GetRevision(), w.given[i], rec)
		}
		beside.ApplyRecord(w.given[i])
		replayed.ApplyRecord(rec)
	}
	want := w.floor.Snapshot()
	if !proto.Equal(want, replayed.Snapshot()) {
		t.Fatal("replaying the records gives another floor")
	}
	if !proto.Equal(want, beside.Snapshot()) {
		t.Fatal("a second floor that applies the same records is another one")
	}
}

// A floor restored from a snapshot is the floor it was taken from, also in what it decides afterwards.
func TestARestoredFloorGoesOnTheSame(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(anyFloor(t))
		w.open()
		for _, a := range anyActs(80).Draw(t, "acts before") {
			w.play(a)
		}
		data := marshal(t, w.floor.Snapshot())
		read := &ledgerv1.Snapshot{}
		if err := proto.Unmarshal(data, read); err != nil {
			t.Fatal(err)
		}
		restored, err := Restore(read)
		if err != nil {
			t.Fatal(err)
		}
		if !bytes.Equal(marshal(t, restored.Snapshot()), data) {
			t.Fatalf("restored as\n%v\nfrom\n%v", restored.Snapshot(), read)
		}
		other := w.on(restored)
		w.records = nil
		for i, a := range anyActs(60).Draw(t, "acts after") {
			w.play(a)
			other.play(a)
			sameRecords(t, i, w.records, other.records)
			w.records, other.records = nil, nil
			for _, d := range w.floor.Devices {
				sameOrders(t, w, other, d.ID)
			}
		}
		if !bytes.Equal(marshal(t, w.floor.Snapshot()), marshal(t, restored.Snapshot())) {
			t.Fatal("the two floors have come apart")
		}
	})
}

func sameRecords(t *rapid.T, i int, a, b []*ledgerv1.Record) {
	if !slices.EqualFunc(a, b, func(a, b *ledgerv1.Record) bool { return proto.Equal(a, b) }) {
		t.Fatalf("act %d causes\n%v\non the floor and\n%v\non the restored one", i, a, b)
	}
}

func sameOrders(t *rapid.T, a, b *world, device string) {
	orders := func(w *world) string {
		d := w.floor.byDevice[device]
		return fmt.Sprint(w.floor.Orders(d, w.drivers[device].last, w.now))
	}
	if x, y := orders(a), orders(b); x != y {
		t.Fatalf("%s is told\n%s\nby the floor and\n%s\nby the restored one", device, x, y)
	}
}

// The same acts write the same bytes, record for record.
func TestTheSameDayTwiceIsTheSameLedger(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		file := anyFloor(t)
		acts := anyActs(100).Draw(t, "acts")
		day := func() []byte {
			w := newWorld(proto.CloneOf(file))
			w.open()
			for _, a := range acts {
				w.play(a)
			}
			var all []byte
			for _, rec := range w.records {
				all = append(all, marshal(t, rec)...)
			}
			return append(all, marshal(t, w.floor.Snapshot())...)
		}
		if !bytes.Equal(day(), day()) {
			t.Fatal("the same acts gave two different ledgers")
		}
	})
}
