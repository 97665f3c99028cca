package dispatch

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"
	"pgregory.net/rapid"

	tandemv1 "tandem/proto/tandem/v1"
)

func anyDevices(t *rapid.T) []*tandemv1.Device {
	span := func(name string, most int) *durationpb.Duration {
		return durationpb.New(time.Duration(rapid.IntRange(0, most).Draw(t, name)) * time.Second)
	}
	ability := func(operation string) *tandemv1.Ability {
		return &tandemv1.Ability{
			Operation: operation, Setup: span("setup", 900), PerPiece: span("per piece", 120), PerMetre: span("per metre", 60),
			MediaChangeover: span("media changeover", 1200), ModeChangeover: span("mode changeover", 300),
			RunWasteUm: rapid.SampledFrom([]int64{0, 500_000}).Draw(t, "waste"), WebUpUm: rapid.SampledFrom([]int64{0, 2_000_000}).Draw(t, "web-up"),
			MaxWidthUm: rapid.SampledFrom([]int64{0, 0, 600_000, 1_370_000}).Draw(t, "width"),
		}
	}
	var out []*tandemv1.Device
	for i := range rapid.IntRange(1, 5).Draw(t, "devices") {
		d := &tandemv1.Device{
			Id: fmt.Sprintf("device-%d", i), Capacity: rapid.Int32Range(1, 2).Draw(t, "capacity"), Driver: &tandemv1.Driver{Kind: "sim"},
			LoadedMedia: rapid.SampledFrom([]string{"", "white", "clear"}).Draw(t, "loaded"),
		}
		for _, operation := range rapid.SampledFrom([][]string{{"print"}, {"print"}, {"print", "cut"}, {"cut"}}).Draw(t, "can") {
			a := ability(operation)
			a.ContinuesLoaded = len(d.GetAbilities()) > 0
			d.Abilities = append(d.Abilities, a)
		}
		out = append(out, d)
	}
	return append(out, &tandemv1.Device{Id: "rack", Capacity: 2, Driver: &tandemv1.Driver{Kind: "rack", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "dry"}}})
}

// withPeople gives a floor shifts, or none.
func withPeople(t *rapid.T, f *tandemv1.FloorFile) *tandemv1.FloorFile {
	every := []string{"mon", "tue", "wed", "thu", "fri", "sat", "sun"}
	for i := range rapid.IntRange(0, 2).Draw(t, "shifts") {
		hour := rapid.IntRange(0, 12).Draw(t, "from")
		f.Shifts = append(f.Shifts, &tandemv1.Shift{
			Id: fmt.Sprintf("shift-%d", i), Days: every, From: fmt.Sprintf("%02d:00", hour), To: fmt.Sprintf("%02d:00", hour+rapid.IntRange(1, 12).Draw(t, "hours")),
			Operators: rapid.Int32Range(1, 3).Draw(t, "operators"),
		})
	}
	for _, d := range f.GetDevices() {
		d.Code = ""
		for _, a := range d.GetAbilities() {
			if a.GetOperation() == "print" && rapid.Bool().Draw(t, "alone") {
				a.UnattendedStart = &tandemv1.UnattendedStart{AllowedBy: "mira"}
			}
			if a.GetOperation() != "dry" && rapid.IntRange(0, 3).Draw(t, "whole") == 0 {
				a.Attendance = tandemv1.Attendance_ATTENDANCE_WHOLE
			}
		}
	}
	return f
}

func anyJob(t *rapid.T, n int, now time.Time) *tandemv1.Job {
	later := func(name string, from, to int) time.Duration {
		return time.Duration(rapid.IntRange(from, to).Draw(t, name)) * time.Minute
	}
	pick := func(name string, of ...string) string { return rapid.SampledFrom(of).Draw(t, name) }
	j := &tandemv1.Job{
		Id: fmt.Sprintf("job-%d", n), Pieces: rapid.Int32Range(1, 400).Draw(t, "pieces"), Priority: rapid.Int32Range(1, 100).Draw(t, "priority"),
		Steps: []*tandemv1.Step{{
			Id: "print", Operation: "print", Media: pick("media", "", "white", "clear"), Mode: pick("mode", "", "fast", "fine"),
			WidthUm: rapid.SampledFrom([]int64{0, 300_000, 600_000, 600_001, 900_000, 1_370_000, 1_370_001}).Draw(t, "width"), LengthUm: rapid.Int64Range(0, 50_000_000).Draw(t, "length"),
		}},
	}
	if rapid.IntRange(0, 3).Draw(t, "back") == 0 { // the other side: the media is there
		back := proto.CloneOf(j.GetSteps()[0])
		back.Id, back.After = "back", []string{"print"}
		j.Steps = append(j.Steps, back)
	}
	if rapid.Bool().Draw(t, "due") {
		j.DueTime = timestamppb.New(now.Add(later("due in", -300, 2000)))
	}
	if rapid.IntRange(0, 5).Draw(t, "release") == 0 {
		j.ReleaseTime = timestamppb.New(now.Add(later("release in", 0, 300)))
	}
	cut := &tandemv1.Step{Id: "cut", Operation: "cut", After: []string{"print"}, MinWait: durationpb.New(later("min wait", 0, 1) * 60)}
	if rapid.Bool().Draw(t, "dry") {
		j.Steps = append(j.Steps, &tandemv1.Step{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(later("dry", 1, 120))})
		cut.After = []string{"dry"}
	}
	if rapid.IntRange(0, 2).Draw(t, "max wait") == 0 {
		cut.MaxWait = durationpb.New(later("may wait", 0, 300))
	}
	if rapid.Bool().Draw(t, "cut") {
		j.Steps = append(j.Steps, cut)
	}
	return j
}
