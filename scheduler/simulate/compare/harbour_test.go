package compare

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
	"tandem/scheduler/simulate"
)

// harbour returns the floor file of the test data, with one shift of three and round prices.
func harbour(t testing.TB) *tandemv1.FloorFile {
	f := &tandemv1.FloorFile{}
	if err := yamlfile.Read("../../../testdata/floors/harbour.yaml", f); err != nil {
		t.Fatal(err)
	}
	f.Shifts = []*tandemv1.Shift{{Id: "day", From: "08:00", To: "17:00", Operators: 3}}
	f.TimeZone = "Europe/Berlin"
	f.Money = &tandemv1.Money{Currency: "EUR", OperatorHour: 32, MarginHour: 40, LateHour: 6}
	for _, d := range f.GetDevices() {
		d.Driver.Manual = d.GetDriver().GetKind() == "rack" || d.GetDriver().GetKind() == "operator"
	}
	return f
}

// harbourMix returns the mix of the test data with its cut files.
func harbourMix(t testing.TB) *tandemv1.Mix {
	m := &tandemv1.Mix{}
	if err := yamlfile.Read("../../../testdata/mixes/harbour-week.yaml", m); err != nil {
		t.Fatal(err)
	}
	for _, e := range m.GetEntries() {
		for _, i := range e.GetJob().GetItems() {
			if uri := i.GetCut().GetUri(); uri != "" {
				data, err := os.ReadFile(filepath.Join("../../../testdata/tickets", uri))
				if err != nil {
					t.Fatal(err)
				}
				e.CutFiles = append(e.CutFiles, &tandemv1.CutFile{Uri: uri, Content: data})
			}
		}
	}
	return m
}

// with returns the floor with another device like one of its own.
func with(f *tandemv1.FloorFile, like, id string, price float64) *tandemv1.FloorFile {
	out := proto.CloneOf(f)
	for _, d := range f.GetDevices() {
		if d.GetId() == like {
			d = proto.CloneOf(d)
			d.Id, d.Price = id, price
			out.Devices = append(out.Devices, d)
		}
	}
	return out
}

// The harbour's week on the floor as it is, with a third cutter, with a second laminator, and with a late shift. Printing is
// what jobs wait for: neither device earns what it costs. A late shift halves the time that a job takes, and costs more than
// that is worth to this shop.
func TestHarbourWeek(t *testing.T) {
	replications := int32(12)
	if testing.Short() || raced {
		replications = 4
	}
	file, mix := harbour(t), harbourMix(t)
	late := proto.CloneOf(file)
	late.Shifts = append(late.Shifts, &tandemv1.Shift{Id: "late", From: "17:00", To: "22:00", Operators: 2})
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{
			variant("today", file), variant("third cutter", with(file, "cutter-1", "cutter-3", 6900)),
			variant("second laminator", with(file, "laminator", "laminator-2", 4800)), variant("late shift", late),
		},
		Mix: mix, Replications: replications, Seed: 1,
	})
	says(t, out, "no difference between third cutter and today can be told", "cutter-3 would mostly stand idle",
		"laminator-2 would mostly stand idle", "second laminator never pays", "late shift takes", "late shift never pays", "The better choice is today")
	today := out.GetFloors()[0]
	if !strings.HasPrefix(today.GetBottleneck(), "print (printer-north, printer-south, combined-west)") {
		t.Errorf("what holds today back is %q", today.GetBottleneck())
	}
	between(t, "load of three people", today.GetOperatorLoad().GetMean(), 0.2, 0.4)
	between(t, "flow time with a late shift, by that without", out.GetFloors()[3].GetFlowTime().GetMean()/today.GetFlowTime().GetMean(), 0.4, 0.65)
	if len(today.GetExample()) == 0 || len(today.GetAttended()) < 5 {
		t.Errorf("a picture would have %d runs and %d times with people", len(today.GetExample()), len(today.GetAttended()))
	}
	for _, f := range out.GetFloors() {
		if f.GetUnfinished() != 0 {
			t.Errorf("%g jobs are left over on %s", f.GetUnfinished(), f.GetName())
		}
	}
}

// Jobs handed in as items are made by the rules of each floor. A cutter more for a few jobs: the difference is too small to
// choose by.
func TestHarbourItems(t *testing.T) {
	file := harbour(t)
	file.Money = nil
	var jobs []*tandemv1.HandedIn
	for _, e := range harbourMix(t).GetEntries() {
		jobs = append(jobs, &tandemv1.HandedIn{Job: e.GetJob(), CutFiles: e.GetCutFiles()})
	}
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("today", file), variant("third cutter", with(file, "cutter-2", "cutter-3", 0))}, Jobs: jobs, Exact: true,
	})
	for _, f := range out.GetFloors() {
		if f.GetUnfinished() != 0 || f.GetPiecesPerHour().GetMean() <= 0 || f.GetAreaPerHour().GetMean() <= 0 {
			t.Errorf("%s leaves %g jobs and makes %v pieces, %v m2 an hour", f.GetName(), f.GetUnfinished(), f.GetPiecesPerHour(), f.GetAreaPerHour())
		}
	}
	says(t, out, "With these 6 jobs", "The better choice is today")
}

// The harbour's devices without the combined one, bought one by one by a shop that has only that: with much to do it cannot
// keep up alone, and what the others cost is counted.
func TestHarbourFromCombinedOnly(t *testing.T) {
	file, mix := harbour(t), harbourMix(t)
	for _, d := range file.GetDevices() {
		d.Price = 1000
	}
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{variant("combined only", simulate.CombinedOnly(file)), variant("all", file)},
		Mix:    mix, Replications: 4, Seed: 1,
	})
	says(t, out, "combined only does not keep up", "Take that as a sign", "The better choice is all")
	if got := out.GetFloors()[1].GetPayBack().GetInvest(); got != 4000 { // two printers, two cutters
		t.Errorf("getting there costs %g, want 4000", got)
	}
}

// BenchmarkHarbourWeek compares two floors over the harbour's week, 20 replications each, on one core.
func BenchmarkHarbourWeek(b *testing.B) {
	file, mix := harbour(b), harbourMix(b)
	for b.Loop() {
		c, err := New(&tandemv1.CompareFloorsRequest{
			Floors: []*tandemv1.FloorVariant{variant("today", file), variant("third cutter", with(file, "cutter-1", "cutter-3", 6900))},
			Mix:    mix, Seed: 1,
		}, monday, nil)
		for more := true; more && err == nil; {
			more, err = c.Next(nil)
		}
		if err != nil {
			b.Fatal(err)
		}
		c.Outcome()
	}
}
