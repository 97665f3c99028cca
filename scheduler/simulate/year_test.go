package simulate

import (
	"fmt"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/chance"
)

// twentyDevices is a floor of 20 devices: seven printers, two of them combined, a rack, two laminators, five cutters and five
// benches, with changeovers of media, film and mode.
func twentyDevices() *tandemv1.FloorFile {
	minutes := func(n int) *durationpb.Duration { return durationpb.New(time.Duration(n) * time.Minute) }
	unattended := &tandemv1.UnattendedStart{AllowedBy: "marit", AllowTime: timestamppb.New(opening)}
	file := &tandemv1.FloorFile{Shifts: []*tandemv1.Shift{{Id: "day", From: "08:00", To: "18:00", Operators: 8}}}
	add := func(id string, capacity int32, abilities ...*tandemv1.Ability) {
		file.Devices = append(file.Devices, &tandemv1.Device{Id: id, Capacity: capacity, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: abilities})
	}
	print := func(speed int) *tandemv1.Ability {
		return &tandemv1.Ability{
			Operation: "print", Setup: minutes(4), PerMetre: durationpb.New(time.Duration(speed) * time.Second),
			MediaChangeover: minutes(8), UnattendedStart: unattended, MaxWidthUm: 1_600_000,
		}
	}
	cut := func(speed int) *tandemv1.Ability {
		return &tandemv1.Ability{
			Operation: "cut", Setup: minutes(3), PerPathMetre: durationpb.New(time.Duration(speed) * time.Second),
			ModeChangeover: minutes(4), Modes: []string{"kiss", "through"}, MaxWidthUm: 1_600_000,
		}
	}
	for i := range 5 {
		add(fmt.Sprintf("printer-%d", i+1), 1, print(240+30*i))
	}
	for i := range 2 {
		c := cut(9)
		c.ContinuesLoaded = true
		add(fmt.Sprintf("combined-%d", i+1), 1, print(270), c)
	}
	add("rack-1", 40, &tandemv1.Ability{Operation: "dry", UnattendedStart: unattended})
	for i := range 2 {
		add(fmt.Sprintf("laminator-%d", i+1), 1, &tandemv1.Ability{
			Operation: "laminate", Setup: minutes(5), PerMetre: durationpb.New(30 * time.Second), MediaChangeover: minutes(12),
		})
	}
	for i := range 5 {
		add(fmt.Sprintf("cutter-%d", i+1), 1, cut(4+i))
	}
	for i := range 5 {
		add(fmt.Sprintf("bench-%d", i+1), 1,
			&tandemv1.Ability{Operation: "weed", Setup: minutes(1), PerPiece: durationpb.New(8 * time.Second)},
			&tandemv1.Ability{Operation: "pack", Setup: minutes(3), PerPiece: durationpb.New(time.Second)})
		file.GetDevices()[len(file.GetDevices())-1].Driver.Manual = true
	}
	return file
}

// workOf returns the jobs of so many working days: from eight to six, three an hour at random, of eight media; two of five are
// laminated, two of five are weeded.
func workOf(days int) []Arrival {
	media := []string{"cast-gloss", "cast-matt", "poly-gloss", "poly-matt", "banner", "paper", "foil-navy", "foil-red"}
	s := chance.New(1)
	pick := func(n int) int { return int(s.Uniform() * float64(n)) }
	var out []Arrival
	for day := range days {
		date := opening.AddDate(0, 0, day/5*7+day%5)
		for at := s.Exponential(20); at < 600; at += s.Exponential(20) {
			came := date.Add(time.Duration(at * float64(time.Minute)))
			pieces := int32(20 + pick(300))
			width := int64(300_000 + pick(10)*100_000)
			j := &tandemv1.Job{
				Id: fmt.Sprintf("job-%d", len(out)), Pieces: pieces, Priority: int32(10 + pick(80)),
				DueTime: timestamppb.New(came.Add(time.Duration(8+pick(64)) * time.Hour)),
			}
			length := 1_000_000 + int64(pieces)*30_000
			add := func(step *tandemv1.Step) {
				step.Id, step.WidthUm, step.LengthUm = step.GetOperation(), width, length
				if n := len(j.GetSteps()); n > 0 {
					step.After = []string{j.GetSteps()[n-1].GetId()}
				}
				j.Steps = append(j.Steps, step)
			}
			m := media[pick(len(media))]
			add(&tandemv1.Step{Operation: "print", Media: m})
			if pick(5) < 2 {
				add(&tandemv1.Step{Operation: "dry", Duration: durationpb.New(12 * time.Hour)})
				add(&tandemv1.Step{Operation: "laminate", Media: m, Film: []string{"gloss", "matt"}[pick(2)]})
			}
			add(&tandemv1.Step{Operation: "cut", Media: m, Mode: []string{"kiss", "kiss", "through"}[pick(3)], PathLengthUm: int64(pieces) * 800_000})
			if pick(5) < 2 {
				add(&tandemv1.Step{Operation: "weed", Media: m})
			}
			add(&tandemv1.Step{Operation: "pack", Media: m})
			out = append(out, Arrival{At: came, Job: j})
		}
	}
	return out
}
