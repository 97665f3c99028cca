package duration

import (
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/physics"
)

// The short way for abilities without changeovers of their own gives what the long way gives: an ability with one that never
// matches takes that.
func TestPlainChangeover(t *testing.T) {
	names := []string{"", "a", "b"}
	for _, overlap := range []bool{false, true} {
		short := &tandemv1.Ability{
			MediaChangeover: durationpb.New(8 * time.Minute), ModeChangeover: durationpb.New(4 * time.Minute),
			BladeChangeover: durationpb.New(2 * time.Minute), ChangeoversOverlap: overlap,
		}
		long := &tandemv1.Ability{
			MediaChangeover: short.GetMediaChangeover(), ModeChangeover: short.GetModeChangeover(), BladeChangeover: short.GetBladeChangeover(),
			ChangeoversOverlap: overlap, Changeovers: []*tandemv1.Changeover{{Kind: "media", From: "x", To: "y", Duration: durationpb.New(time.Hour)}},
		}
		for n := range 3 * 3 * 3 * 3 * 3 * 3 {
			pick := func() string { s := names[n%3]; n /= 3; return s }
			from, to := physics.Loaded{Media: pick(), Mode: pick(), Blade: pick()}, physics.Loaded{Media: pick(), Mode: pick(), Blade: pick()}
			if got, want := Changeover(short, from, to), Changeover(long, from, to); got != want {
				t.Errorf("from %v to %v, overlap %v: %v, want %v", from, to, overlap, got, want)
			}
		}
	}
}
