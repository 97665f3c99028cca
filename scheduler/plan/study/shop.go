package main

import (
	"fmt"
	"math/rand/v2"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/simulate"
)

// The shop: three printers, one of which takes half as long again as the others, a laminator and two cutters. Given: media
// change 15 minutes over five media, drying 30 to 120 minutes, six jobs in ten laminated, film change 10 minutes, weights 1 to
// 4, due 1.2 to 3.0 times the job's work after its arrival. Chosen, all uniform: print 20 to 60 minutes, laminate 5 to 25,
// cut 15 to 45, three films. Jobs arrive at random with exponential gaps. The nominal load is the mean printing work that
// arrives, in minutes of a fast printer, by what the three printers do in that time: the printers are the bottleneck, and
// changeovers come on top.
const (
	slowness     = 1.5
	media, films = 5, 3
	mediaChange  = 15 * time.Minute
	filmChange   = 10 * time.Minute
	laminated    = 0.6
	printMin     = 20.0 // minutes
	printMax     = 60.0
	laminateMin  = 5.0
	laminateMax  = 25.0
	cutMin       = 15.0
	cutMax       = 45.0
	dryMin       = 30.0
	dryMax       = 120.0
	tightest     = 1.2
	loosest      = 3.0
	heaviest     = 4
)

// opening is when the floor opens: any time would do.
var opening = time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)

// A piece is a hundredth of a minute of work on a fast device: lengths of work are numbers of pieces.
const piecesPerMinute = 100

// shop returns the floor file.
func shop() *tandemv1.FloorFile {
	device := func(id, operation string, slow float64, change time.Duration) *tandemv1.Device {
		a := &tandemv1.Ability{
			Operation: operation, PerPiece: durationpb.New(time.Duration(slow * float64(time.Minute) / piecesPerMinute)),
			UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "study", AllowTime: timestamppb.New(opening)},
		}
		if change > 0 {
			a.MediaChangeover = durationpb.New(change)
		}
		return &tandemv1.Device{Id: id, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{a}}
	}
	return &tandemv1.FloorFile{Devices: []*tandemv1.Device{
		device("printer-1", "print", 1, mediaChange), device("printer-2", "print", 1, mediaChange),
		device("printer-3", "print", slowness, mediaChange), device("laminator-1", "laminate", 1, filmChange),
		device("cutter-1", "cut", 1, 0), device("cutter-2", "cut", 1, 0),
	}}
}

// order is a job as the study sees it.
type order struct {
	id     string
	at     time.Time
	due    time.Time
	weight float64
	supply map[string]string // step -> media or film that must be on the device
}

// jobs returns n jobs that arrive at a nominal load, the same for the same seed.
func jobs(load float64, n int, seed uint64) ([]simulate.Arrival, []order) {
	r := rand.New(rand.NewPCG(seed, 0x7461_6e64_656d))
	between := func(low, high float64) float64 { return low + (high-low)*r.Float64() }
	const capacity = 2 + 1/slowness
	gap := (printMin + printMax) / 2 / capacity / load
	var arrivals []simulate.Arrival
	var orders []order
	at := 0.0
	for i := range n {
		at += gap * r.ExpFloat64()
		print, dry, cut := between(printMin, printMax), between(dryMin, dryMax), between(cutMin, cutMax)
		laminate := between(laminateMin, laminateMax)
		film := r.Float64() < laminated
		work := print + dry + cut
		if film {
			work += laminate
		}
		weight := 1 + r.IntN(heaviest)
		o := order{
			id: fmt.Sprintf("job-%d", i), at: opening.Add(minutes(at)), due: opening.Add(minutes(at + work*between(tightest, loosest))),
			weight: float64(weight), supply: map[string]string{"print": fmt.Sprintf("media-%d", r.IntN(media))},
		}
		wait := durationpb.New(minutes(dry))
		job := &tandemv1.Job{
			Id: o.id, Priority: int32(weight * 100 / heaviest), DueTime: timestamppb.New(o.due),
			Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Media: o.supply["print"]}},
		}
		// Each step has a panel of its own size in place of a speed of its own: one panel for each operation.
		add := func(id string, long float64) {
			job.Panels = append(job.Panels, &tandemv1.Panel{Id: id, Pieces: int32(long * piecesPerMinute)})
		}
		add("print", print)
		job.Steps[0].Panels = []string{"print"}
		last := "print"
		if name := fmt.Sprintf("film-%d", r.IntN(films)); film {
			o.supply["laminate"] = name
			add("laminate", laminate)
			job.Steps = append(job.Steps, &tandemv1.Step{Id: "laminate", Operation: "laminate", Film: name, After: []string{"print"}, MinWait: wait, Panels: []string{"laminate"}})
			last, wait = "laminate", nil
		}
		add("cut", cut)
		job.Steps = append(job.Steps, &tandemv1.Step{Id: "cut", Operation: "cut", After: []string{last}, MinWait: wait, Panels: []string{"cut"}})
		arrivals, orders = append(arrivals, simulate.Arrival{At: o.at, Job: job}), append(orders, o)
	}
	return arrivals, orders
}

func minutes(m float64) time.Duration { return time.Duration(m * float64(time.Minute)) }
