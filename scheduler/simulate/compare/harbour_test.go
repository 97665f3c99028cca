package compare

import (
	"os"
	"path/filepath"
	"strings"
	"testing"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// harbour returns the floor file of the test data, with a day shift of two and with money.
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

// The harbour's week on the floor as it is, with a third cutter, with a second laminator, and with a late shift.
func TestHarbourWeek(t *testing.T) {
	file, mix := harbour(t), harbourMix(t)
	late := proto.CloneOf(file)
	late.Shifts = append(late.Shifts, &tandemv1.Shift{Id: "late", From: "17:00", To: "22:00", Operators: 2})
	out := compared(t, &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{
			variant("today", file), variant("third cutter", with(file, "cutter-1", "cutter-3", 6900)),
			variant("second laminator", with(file, "laminator", "laminator-2", 4800)), variant("late shift", late),
		},
		Mix: mix, Replications: 20, Seed: 1,
	})
	t.Log("\n" + strings.Join(out.GetConclusion(), "\n") + "\n-- " + strings.Join(out.GetNotes(), "\n-- "))
	for _, f := range out.GetFloors() {
		t.Logf("%s: flow %.0f s, load %.2f, bottleneck %s", f.GetName(), f.GetFlowTime().GetMean(), f.GetOperatorLoad().GetMean(), f.GetBottleneck())
		for _, d := range f.GetDevices() {
			t.Logf("   %-15s busy %.2f change %.2f starved %.2f blocked %.2f closed %.2f runs %.0f", d.GetDevice(), d.GetBusy(), d.GetChangeover(), d.GetStarved(), d.GetBlocked(), d.GetClosed(), d.GetRuns())
		}
		if f.GetPayBack() != nil {
			t.Log(f.GetPayBack())
		}
	}
}
