package duration

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/physics"
)

func TestWork(t *testing.T) {
	tests := []struct {
		name    string
		ability *tandemv1.Ability
		demand  Demand
		want    time.Duration
	}{
		{"nothing known", &tandemv1.Ability{}, Demand{Pieces: 60}, 0},
		// Area model by web length: 10 m of web at 16.54 m2/h and 1.3 m charged width take 47.15 min
		// (scanning-carriage arithmetic, common practice, no source).
		{"print", &tandemv1.Ability{PerMetre: durationpb.New(282910 * time.Millisecond)}, Demand{LengthUm: 10e6}, 47*time.Minute + 9*time.Second + 100*time.Millisecond},
		// A 100 mm x 50 mm rectangle cut with full stops takes 1.2467 s (trapezoid profile, v 0.6 m/s, a 3 m/s2): 60 of them.
		{"cut by piece", &tandemv1.Ability{PerPiece: durationpb.New(1246700 * time.Microsecond)}, Demand{Pieces: 60}, 74802 * time.Millisecond},
		{"cut by path", &tandemv1.Ability{PerPathMetre: durationpb.New(2 * time.Second)}, Demand{PathLengthUm: 18e6}, 36 * time.Second},
		// Scanning carriage, common practice, no source: swath 54 mm, 8 passes, 10 m of 1.3 m width, 0.1 m overrun, 1 m/s, 5 m/s2,
		// 0.15 s advance: 1489 scans of 1.9 s, 2829.1 s.
		{"print by carriage", carriage(), Demand{LengthUm: 10e6, WidthUm: 1.3e6}, 2829100 * time.Millisecond},
		{"print in an unknown mode takes the linear part", carriage(), Demand{LengthUm: 10e6, WidthUm: 1.3e6, Mode: "draft"}, 0},
		{"contour in place of pieces and path", &tandemv1.Ability{PerPiece: durationpb.New(time.Hour), PerPathMetre: durationpb.New(time.Hour)}, Demand{Pieces: 9, PathLengthUm: 9e6, Contour: time.Minute}, time.Minute},
		{"four marks, feed and separation for each panel", &tandemv1.Ability{
			MarkTime: durationpb.New(5 * time.Second), FeedOut: durationpb.New(3 * time.Second), SeparationCut: durationpb.New(7 * time.Second),
		}, Demand{Panels: 3}, 90 * time.Second},
		// By hand: 10 s feed, 4 marks of 5 s, 60 pieces of 1.2467 s with 50 ms to lower and to raise the tool.
		{
			"kiss cut of a panel", &tandemv1.Ability{MarkTime: durationpb.New(5 * time.Second), FeedOut: durationpb.New(10 * time.Second)},
			Demand{Panels: 1, Pieces: 60, Contour: 60 * 1346700 * time.Microsecond},
			110802 * time.Millisecond,
		},
		{"measured line of a panel", &tandemv1.Ability{
			MarkTime: durationpb.New(5 * time.Second), PerPiece: durationpb.New(2 * time.Second), PerPathMetre: durationpb.New(3 * time.Second),
		}, Demand{Panels: 1, Pieces: 10, PathLengthUm: 5e6}, 55 * time.Second},
		{"10 m of film at 2 m/min", &tandemv1.Ability{PerMetre: durationpb.New(30 * time.Second)}, Demand{LengthUm: 10e6}, 5 * time.Minute},
		{"hand work", &tandemv1.Ability{PerPiece: durationpb.New(20 * time.Second)}, Demand{Pieces: 60, Fixed: time.Minute}, 21 * time.Minute},
	}
	for _, tt := range tests {
		if got := Work(tt.ability, tt.demand); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
}

func TestScale(t *testing.T) {
	whole := Demand{Pieces: 60, LengthUm: 6e6, PathLengthUm: 18e6, Fixed: time.Minute}
	if got, want := whole.Scale(34, 60), (Demand{Pieces: 34, LengthUm: 3.4e6, PathLengthUm: 10.2e6, Fixed: 34 * time.Second}); got != want {
		t.Errorf("34 of 60: %+v, want %+v", got, want)
	}
	if got := whole.Scale(1, 0); got != whole {
		t.Errorf("of an empty layout: %+v, want it unchanged", got)
	}
}

func carriage() *tandemv1.Ability {
	return &tandemv1.Ability{PrintModes: []*tandemv1.PrintMode{{Mode: "quality", Carriage: &tandemv1.Carriage{
		SwathUm: 54_000, Passes: 8, OverrunUm: 100_000, SpeedUm: 1_000_000, AccelerationUm: 5_000_000, AdvanceTime: durationpb.New(150 * time.Millisecond),
	}}}}
}

func TestChangeover(t *testing.T) {
	a := &tandemv1.Ability{
		MediaChangeover: durationpb.New(8 * time.Minute), ModeChangeover: durationpb.New(4 * time.Minute), BladeChangeover: durationpb.New(2 * time.Minute),
		Changeovers: []*tandemv1.Changeover{
			{Kind: "media", From: "vinyl", To: "banner", Duration: durationpb.New(15 * time.Minute)},
			{Kind: "blade", To: "fine", Duration: durationpb.New(3 * time.Minute)},
		},
	}
	tests := []struct {
		name     string
		from, to physics.Loaded
		want     time.Duration
	}{
		{"nothing to change", physics.Loaded{Media: "vinyl"}, physics.Loaded{Media: "vinyl"}, 0},
		{"by the table", physics.Loaded{Media: "vinyl"}, physics.Loaded{Media: "banner"}, 15 * time.Minute},
		{"not the other way round", physics.Loaded{Media: "banner"}, physics.Loaded{Media: "vinyl"}, 8 * time.Minute},
		{"media and mode", physics.Loaded{Media: "paper", Mode: "kiss"}, physics.Loaded{Media: "vinyl", Mode: "through"}, 12 * time.Minute},
		{"any blade to the fine one", physics.Loaded{Blade: "coarse"}, physics.Loaded{Blade: "fine"}, 3 * time.Minute},
		{"another blade", physics.Loaded{Blade: "fine"}, physics.Loaded{Blade: "coarse"}, 2 * time.Minute},
		{"nobody knows the mode and the blade", physics.Loaded{}, physics.Loaded{Mode: "kiss", Blade: "fine"}, 0},
	}
	for _, tt := range tests {
		if got := Changeover(a, tt.from, tt.to); got != tt.want {
			t.Errorf("%s: %v, want %v", tt.name, got, tt.want)
		}
	}
	a.ChangeoversOverlap = true
	if got := Changeover(a, physics.Loaded{Media: "paper", Mode: "kiss"}, physics.Loaded{Media: "vinyl", Mode: "through"}); got != 8*time.Minute {
		t.Errorf("done at the same time: %v, want the longer one", got)
	}
	if got := LongestChangeover(a); got != 15*time.Minute {
		t.Errorf("longest %v, want 15 minutes", got)
	}
}
