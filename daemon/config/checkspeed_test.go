package config

import (
	"math"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

// fastFloor is a good floor with speeds, motion, changeovers and rules.
func fastFloor() *tandemv1.FloorFile {
	f := goodFloor()
	f.Devices[0].Abilities[0].PrintModes = []*tandemv1.PrintMode{
		{Mode: "fine", SquareMetresPerHour: 8},
		{Mode: "fast", Carriage: &tandemv1.Carriage{SwathUm: 54_000, Passes: 8, OverrunUm: 100_000, SpeedUm: 1_000_000, AccelerationUm: 5_000_000}},
	}
	cut := f.GetDevices()[0].GetAbilities()[1]
	cut.CutMotion = &tandemv1.CutMotion{SpeedUm: 600_000, AccelerationUm: 3_000_000}
	cut.WarmUp, cut.CoolsAfter = durationpb.New(time.Minute), durationpb.New(time.Hour)
	cut.Changeovers = []*tandemv1.Changeover{{Kind: "mode", From: "kiss", To: "through", Duration: durationpb.New(time.Minute)}}
	f.Rules = &tandemv1.Rules{
		Storage: "hung-or-flat", Climate: "warm-fans", CutNames: map[string]string{"outline": "through"},
		Layout: &tandemv1.LayoutRules{EdgeUm: 10_000}, Drying: []*tandemv1.DryingRule{{Ink: "uv", Duration: durationpb.New(time.Hour)}},
	}
	return f
}

func TestCheckSpeedsAndRules(t *testing.T) {
	if p := CheckFloor(fastFloor(), fakeKinds); len(p) > 0 {
		t.Fatalf("a good floor: %v", p)
	}
	type file = tandemv1.FloorFile
	print := func(f *file) *tandemv1.Ability { return f.GetDevices()[0].GetAbilities()[0] }
	cut := func(f *file) *tandemv1.Ability { return f.GetDevices()[0].GetAbilities()[1] }
	const at = "devices[0].abilities[0]."
	tests := []struct {
		name   string
		change func(*file)
		want   string // field: part of the problem
	}{
		{"no speed", func(f *file) { print(f).PrintModes[0].SquareMetresPerHour = 0 }, at + "print_modes[0]: has no speed"},
		{"no number", func(f *file) { print(f).PrintModes[0].SquareMetresPerHour = math.NaN() }, at + "print_modes[0].square_metres_per_hour: is NaN"},
		{"two speeds", func(f *file) { print(f).PrintModes[1].SquareMetresPerHour = 3 }, at + "print_modes[1].square_metres_per_hour: is given together"},
		{"no passes", func(f *file) { print(f).PrintModes[1].Carriage.Passes = 0 }, at + "print_modes[1].passes: "},
		{"no acceleration", func(f *file) { print(f).PrintModes[1].Carriage.AccelerationUm = 0 }, at + "print_modes[1].acceleration_um: "},
		{"mode twice", func(f *file) { print(f).PrintModes[1].Mode = "fine" }, at + "print_modes[1].mode: \"fine\" is named twice"},
		{"mode without a speed", func(f *file) { print(f).Modes = []string{"fine", "fast", "draft"} }, at + "modes[2]: \"draft\" has no entry in print_modes"},
		{"print modes of a cutter", func(f *file) { cut(f).PrintModes = print(f).GetPrintModes()[:1] }, "devices[0].abilities[1].print_modes[0]: is for print only"},
		{"motion without speed", func(f *file) { cut(f).CutMotion.SpeedUm = 0 }, "devices[0].abilities[1].cut_motion.speed_um: "},
		{"motion of a printer", func(f *file) { print(f).CutMotion = cut(f).GetCutMotion() }, at + "cut_motion: is for cut only"},
		{"never cools", func(f *file) { cut(f).CoolsAfter = nil }, "devices[0].abilities[1].cools_after: is missing"},
		{"negative marks", func(f *file) { cut(f).MarksPerPanel = -1 }, "devices[0].abilities[1].marks_per_panel: is -1"},
		{"changeover of what", func(f *file) { cut(f).Changeovers[0].Kind = "colour" }, "devices[0].abilities[1].changeovers[0].kind: is \"colour\""},
		{"changeover to unknown media", func(f *file) {
			cut(f).Changeovers[0] = &tandemv1.Changeover{Kind: "media", To: "vinil", Duration: durationpb.New(1)}
		}, "devices[0].abilities[1].changeovers[0].to: there is no media \"vinil\""},
		{"negative edge", func(f *file) { f.Rules.Layout.EdgeUm = -1 }, "rules.layout.edge_um: is -0.001 mm"},
		{"lies how", func(f *file) { f.Rules.Storage = "heap" }, "rules.storage: is \"heap\"; say tight-roll"},
		{"air", func(f *file) { f.Rules.Climate = "arctic" }, "rules.climate: is \"arctic\""},
		{"cut name", func(f *file) { f.Rules.CutNames["outline"] = "deep" }, "rules.cut_names[\"outline\"]: is \"deep\""},
		{"coverage", func(f *file) { f.Rules.Drying[0].MinCoveragePercent = 500 }, "rules.drying[0].min_coverage_percent: is 500"},
		{"negative drying", func(f *file) { f.Rules.Drying[0].Duration = durationpb.New(-1) }, "rules.drying[0].duration: "},
		{"passes of a media", func(f *file) { f.Media[0].ThroughPasses = 99 }, "media[0].through_passes: is 99"},
		{"endless roll", func(f *file) { f.Media[0].RollLengthUm = 1 << 60 }, "media[0].roll_length_um: "},
	}
	for _, tt := range tests {
		f := fastFloor()
		tt.change(f)
		field, problem, _ := strings.Cut(tt.want, ": ")
		if got := CheckFloor(f, fakeKinds); len(got) != 1 || got[0].Field != field || !strings.Contains(got[0].Problem, problem) {
			t.Errorf("%s: got %q, want %s: ...%s...", tt.name, got, field, problem)
		}
	}
}
