package faultsim

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// supervisor is who may unlock what another has locked.
const supervisor = "mira"

// shop is the floor file with all devices. On some days the shop has shifts: people are there from six to ten, fewer in the afternoon.
func (w *World) shop() *tandemv1.FloorFile {
	file := shop()
	if w.shifts {
		days := []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}
		file.Shifts = []*tandemv1.Shift{
			{Id: "early", Days: days, From: "06:00", To: "14:00", Operators: 2}, {Id: "late", Days: days, From: "14:00", To: "22:00"},
		}
	}
	return file
}

// The machines stand beside one another: two printers, of which one may start alone at night, a laminator, two cutters, a
// combined device, a rack and a bench.
func shop() *tandemv1.FloorFile {
	minute, setup := durationpb.New(time.Minute), durationpb.New(5*time.Minute)
	alone := &tandemv1.UnattendedStart{AllowedBy: supervisor}
	device := func(id, kind string, capacity int32, abilities ...*tandemv1.Ability) *tandemv1.Device {
		return &tandemv1.Device{
			Id: id, Capacity: capacity, Driver: &tandemv1.Driver{Kind: kind, Manual: kind != "sim"}, Abilities: abilities,
		}
	}
	file := &tandemv1.FloorFile{
		Media:  []*tandemv1.Media{{Id: "white", RollLengthUm: 3_000_000, LowUm: 1_000_000}, {Id: "clear", RollLengthUm: 3_000_000}},
		People: []*tandemv1.Person{{Id: supervisor, Supervisor: true}, {Id: "timo"}},
		Devices: []*tandemv1.Device{
			device("printer-1", "sim", 1, &tandemv1.Ability{Operation: "print", PerPiece: minute, UnattendedStart: alone}),
			device("printer-2", "sim", 1, &tandemv1.Ability{Operation: "print", Setup: setup, PerPiece: minute}),
			device("rack", "rack", 2, &tandemv1.Ability{Operation: "dry", UnattendedStart: alone}),
			device("laminator", "sim", 1, &tandemv1.Ability{Operation: "laminate", Setup: setup, PerPiece: minute}),
			device("cutter-1", "sim", 1, &tandemv1.Ability{Operation: "cut", PerPiece: minute}),
			device("cutter-2", "sim", 1, &tandemv1.Ability{Operation: "cut", PerPiece: minute}),
			device("combined", "sim", 1,
				&tandemv1.Ability{Operation: "print", PerPiece: durationpb.New(2 * time.Minute)},
				&tandemv1.Ability{Operation: "cut", PerPiece: durationpb.New(2 * time.Minute), ContinuesLoaded: true}),
			device("bench", "operator", 1, &tandemv1.Ability{Operation: "pack"}),
		},
	}
	file.Devices[0].LoadedMedia = "white"
	return file
}

// rewrite takes a device out of the floor file, or puts it back.
func (w *World) rewrite(device string) {
	file := w.shop() // daemons keep the one that they have read
	file.Devices = slices.DeleteFunc(file.GetDevices(), func(d *tandemv1.Device) bool { return w.lists(d.GetId()) == (d.GetId() == device) })
	w.file = file
}

// lists says whether the floor file has a device.
func (w *World) lists(device string) bool {
	return slices.ContainsFunc(w.file.GetDevices(), func(d *tandemv1.Device) bool { return d.GetId() == device })
}

// need puts back into the floor file what work may wait for: all devices, or those whose operation no other one has.
func (w *World) need() {
	all := w.luck("need").Below(2) == 0
	for _, d := range w.shop().GetDevices() {
		other := slices.ContainsFunc(w.file.GetDevices(), func(o *tandemv1.Device) bool { return able(o, d.GetAbilities()[0].GetOperation()) })
		if !w.lists(d.GetId()) && (all || !other) {
			w.rewrite(d.GetId())
		}
	}
}

func able(d *tandemv1.Device, operation string) bool {
	return slices.ContainsFunc(d.GetAbilities(), func(a *tandemv1.Ability) bool { return a.GetOperation() == operation })
}

// order is the n-th job, of one of some sorts.
func order(n int, a, b uint64) *tandemv1.Job {
	j := &tandemv1.Job{Id: fmt.Sprintf("job-%d", n), Pieces: int32(1 + a%6), Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print"},
		{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(time.Duration(20+b%60) * time.Minute)},
		{Id: "laminate", Operation: "laminate", After: []string{"dry"}},
		{Id: "cut", Operation: "cut", After: []string{"laminate"}},
		{Id: "pack", Operation: "pack", After: []string{"cut"}, Duration: durationpb.New(time.Minute)},
	}}
	switch b % 5 {
	case 0:
		j.Steps = []*tandemv1.Step{{Id: "print", Operation: "print"}, {Id: "cut", Operation: "cut", After: []string{"print"}}}
	case 1:
		j.Steps = []*tandemv1.Step{{Id: "cut", Operation: "cut"}}
	case 2:
		j.Pieces, j.Panels = 0, []*tandemv1.Panel{{Id: "a", Pieces: 1 + int32(a%3)}, {Id: "b", Pieces: 2}}
	case 3:
		j.ReleaseTime = timestamppb.New(dawn.Add(time.Duration(a%8) * time.Hour))
		j.Steps[2].MinWait = durationpb.New(30 * time.Minute)
	}
	if first := j.GetSteps()[0]; first.GetOperation() == "print" {
		first.Media = []string{"", "white", "white", "clear"}[a/8%4]
		first.LengthUm = int64(100_000 * (1 + b/8%6))
	}
	if a/64%2 == 0 {
		say(j)
	}
	return j
}
