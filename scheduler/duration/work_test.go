package duration

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
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
		{"hand work", &tandemv1.Ability{PerPiece: durationpb.New(20 * time.Second)}, Demand{Pieces: 3, Fixed: time.Minute}, 2 * time.Minute},
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
