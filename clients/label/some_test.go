package label

import (
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

var noon = time.Date(2026, 11, 25, 12, 2, 0, 0, time.UTC)

// someJob is an ordinary one; its codes are made up, with right check characters.
func someJob() *tandemv1.Job {
	return &tandemv1.Job{
		Id: "shop-window", Code: "J104K", DisplayName: "Shop window, autumn lettering", DueTime: timestamppb.New(noon.Add(50 * time.Hour)), Revision: 1042,
		Labels: map[string]string{"customer": "Harbour Café", "customer-reference": "PO 8841/2"},
		Panels: []*tandemv1.Panel{
			{Id: "p1", Code: "P0QSQ", Pieces: 24, Contents: []*tandemv1.Content{{Item: "opening-hours", Pieces: 16}, {Item: "logo", Pieces: 8}}},
			{Id: "p2", Code: "P0QTK", Pieces: 1},
			{Id: "p3", Code: "PZZZZZZZ1", Pieces: 3, RemakeOf: "p1"},
		},
		Steps: []*tandemv1.Step{
			{Id: "cut", Operation: "cut", After: []string{"laminate"}, Note: "Two passes: the liner must stay whole.", Documents: []*tandemv1.Document{{Role: "cut", Sha256: "9f86d081884c7d659a2feaa0c55ad015a3bf4f1b2b0b822cd15d6c15b0f00a08"}}},
			{Id: "print", Operation: "print", Media: "vinyl-white", Ink: "uv-curing", State: tandemv1.JobState_JOB_STATE_COMPLETED},
			{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(40 * time.Minute), Runs: []*tandemv1.Run{{Device: "rack-1"}}},
			{Id: "laminate", Operation: "laminate", After: []string{"dry"}, Film: "film-gloss", Devices: []string{"laminator-1"}},
			{Id: "weed", Operation: "weed", After: []string{"cut"}},
			{Id: "only-p2", Operation: "mount", After: []string{"cut"}, Panels: []string{"p2"}},
		},
	}
}

func someDevices() []*tandemv1.Device {
	ability := func(op string) []*tandemv1.Ability { return []*tandemv1.Ability{{Operation: op}} }
	return []*tandemv1.Device{
		{Id: "printer-1", Abilities: []*tandemv1.Ability{{Operation: "print", Inks: []string{"eco-solvent", "uv"}}}},
		{Id: "rack-1", Abilities: ability("dry")},
		{Id: "laminator-1", Abilities: ability("laminate")},
		{Id: "cutter-1", Abilities: ability("cut")},
		{Id: "cutter-2", Abilities: ability("cut")},
	}
}

func around() Surroundings {
	return Surroundings{Devices: someDevices(), Now: noon, Zone: time.FixedZone("", 3600)}
}

func someTags() []Tag {
	tags := OfCodes([]*tandemv1.FloorCode{
		{Kind: "device", Id: "laminator-1", Code: "D001M", DisplayName: "Laminator at the window"},
		{Kind: "device", Id: "cutter-1", Code: "D002K"},
		{Kind: "device", Id: "printer-1", Code: "D003H", DisplayName: "Printer, eco-solvent and UV"},
		{Kind: "slot", Id: "rack-1/e4", Code: "R0044", DisplayName: "slot e4 of the rack"},
		{Kind: "person", Id: "anna", Code: "U001B", DisplayName: "Anna"},
		{Kind: "command", Id: "start", Code: "K001W", DisplayName: "let the run of the panel at the device begin"},
		{Kind: "command", Id: "done", Code: "K002U", DisplayName: "end the run of the panel at the device, scanned next"},
	}, someDevices())
	return append(tags, OfLots([]*tandemv1.Lot{
		{Id: "lot-7", Code: "M0074", Media: "vinyl-white", LengthUm: 50_000_000, Note: "batch 7", ReceiveTime: timestamppb.New(noon)},
	}, time.UTC)...)
}

func options(stock string, dpi int, m Matrix) Options {
	return Options{Stock: stock, DPI: dpi, Matrix: m, Made: noon, Title: "labels"}
}
