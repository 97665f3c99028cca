package layoutview

import (
	"fmt"

	tandemv1 "tandem/proto/tandem/v1"
)

const mm = 1000 // micrometres

// grid lays out rows of like pieces on a panel, from y on, at most n in all.
func grid(job, item string, across, rows, n int, x, y, w, h, gutter int64, turned bool) []*tandemv1.Placement {
	var out []*tandemv1.Placement
	for r := range rows {
		for c := range across {
			if len(out) == n {
				return out
			}
			out = append(out, &tandemv1.Placement{
				Item: item, Job: job, XUm: x + int64(c)*(w+gutter), YUm: y + int64(r)*(h+gutter), WidthUm: w, HeightUm: h, Turned: turned,
			})
		}
	}
	return out
}

// decals are 240 of 100 mm x 50 mm on vinyl 1,370 mm wide, edges of 15 mm, 6 mm between them: turned, 24 lie across in 10
// rows, on two panels whose marks are at most 600 mm apart.
func decals() *tandemv1.Quote {
	const panel = 544 * mm // 5 rows of 100 mm, 4 gutters, two bands of 10 mm
	l := &tandemv1.Layout{Media: "vinyl-white", WebWidthUm: 1370 * mm, EdgeUm: 15 * mm, LengthUm: 1188 * mm, Pieces: 240}
	l.Waste = 1 - 240*100*50/(1370*1188.0)
	for i, start := range []int64{50 * mm, 614 * mm} {
		l.Panels = append(l.Panels, &tandemv1.PanelLayout{
			Panel: fmt.Sprintf("p%d", i+1), StartUm: start, LengthUm: panel, MarkBandUm: 10 * mm,
			Placements: grid("", "decal", 24, 5, 120, 15*mm, 10*mm, 50*mm, 100*mm, 6*mm, true),
		})
	}
	return &tandemv1.Quote{
		Job: &tandemv1.Job{
			Id: "harbour-decals", DisplayName: "Decals for the harbour office",
			Items: []*tandemv1.Item{{Id: "decal", DisplayName: "Blue anchor", WidthUm: 100 * mm, HeightUm: 50 * mm, Quantity: 235, Overs: 5}},
		},
		Layouts: []*tandemv1.Layout{l},
	}
}

// gangRun has items of three jobs on three panels.
func gangRun() *tandemv1.Quote {
	l := &tandemv1.Layout{Media: "vinyl-clear", WebWidthUm: 1370 * mm, EdgeUm: 15 * mm, LengthUm: 2106 * mm, Waste: 0.163, RoomFor: 4}
	add := func(start, length int64, pieces ...[]*tandemv1.Placement) {
		p := &tandemv1.PanelLayout{Panel: fmt.Sprintf("p%d", len(l.GetPanels())+1), StartUm: start, LengthUm: length, MarkBandUm: 12 * mm}
		for _, list := range pieces {
			p.Placements = append(p.Placements, list...)
			l.Pieces += int32(len(list))
		}
		l.Panels = append(l.Panels, p)
	}
	add(40*mm, 630*mm,
		grid("cafe-door", "opening-hours", 3, 1, 3, 15*mm, 12*mm, 420*mm, 300*mm, 6*mm, false),
		grid("cafe-door", "logo", 8, 1, 8, 15*mm, 318*mm, 150*mm, 150*mm, 6*mm, false),
		grid("fleet", "door-number", 13, 1, 13, 15*mm, 474*mm, 90*mm, 130*mm, 6*mm, true))
	add(690*mm, 636*mm,
		grid("fleet", "door-number", 13, 2, 20, 15*mm, 12*mm, 90*mm, 130*mm, 6*mm, true),
		grid("fleet", "stripe", 1, 4, 4, 15*mm, 284*mm, 1200*mm, 40*mm, 6*mm, true),
		grid("tide-tables", "dot", 50, 5, 250, 15*mm, 468*mm, 20*mm, 20*mm, 6*mm, false))
	add(1346*mm, 720*mm,
		grid("tide-tables", "table", 4, 1, 4, 15*mm, 12*mm, 297*mm, 420*mm, 6*mm, false),
		grid("tide-tables", "arrow-left", 12, 2, 24, 15*mm, 438*mm, 60*mm, 130*mm, 6*mm, false),
		grid("tide-tables", "arrow-right", 8, 2, 16, 807*mm, 438*mm, 60*mm, 130*mm, 6*mm, false))
	return &tandemv1.Quote{
		Job:     &tandemv1.Job{Id: "gang-7", DisplayName: "Clear vinyl of Thursday", Members: []string{"cafe-door", "fleet", "tide-tables"}},
		Layouts: []*tandemv1.Layout{l},
	}
}

// longWeb is 24 panels of one metre, two items by turns.
func longWeb() *tandemv1.Quote {
	l := &tandemv1.Layout{Media: "vinyl-white", WebWidthUm: 1600 * mm, EdgeUm: 10 * mm, LengthUm: 24_520 * mm, Waste: 0.118}
	for i := range 24 {
		item := []string{"left-wall", "right-wall"}[i%2]
		p := &tandemv1.PanelLayout{Panel: fmt.Sprintf("p%d", i+1), StartUm: int64(30+i*1020) * mm, LengthUm: 1000 * mm, MarkBandUm: 15 * mm}
		p.Placements = grid("", item, 5, 3, 15, 10*mm, 15*mm, 306*mm, 318*mm, 8*mm, false)
		l.Pieces += 15
		l.Panels = append(l.Panels, p)
	}
	return &tandemv1.Quote{Job: &tandemv1.Job{Id: "kiosk-walls"}, Layouts: []*tandemv1.Layout{l}}
}

// sheetsAndLabels has a layout on sheets, one on a narrow web without marks, and one that lists not all of its pieces.
func sheetsAndLabels() *tandemv1.Quote {
	sheets := &tandemv1.Layout{Media: "board-3mm", WebWidthUm: 700 * mm, EdgeUm: 10 * mm, LengthUm: 3000 * mm, SheetLengthUm: 1000 * mm, Waste: 0.22, Pieces: 18}
	for i := range 3 {
		sheets.Panels = append(sheets.Panels, &tandemv1.PanelLayout{
			Panel: fmt.Sprintf("p%d", i+1), StartUm: int64(i*1000+20) * mm, LengthUm: 960 * mm, MarkBandUm: 10 * mm,
			Placements: grid("", "sign", 3, 2, 6, 14*mm, 14*mm, 220*mm, 460*mm, 6*mm, true),
		})
	}
	labels := &tandemv1.Layout{Media: "label-paper", WebWidthUm: 110 * mm, EdgeUm: 3 * mm, LengthUm: 8_000 * mm, Waste: 0.09, Pieces: 1800}
	labels.Panels = []*tandemv1.PanelLayout{{
		Panel: "p4", StartUm: 100 * mm, LengthUm: 7_800 * mm,
		Placements: grid("", "jar-label", 4, 300, 1200, 3*mm, 0, 24*mm, 16*mm, 2*mm, false), More: 600,
	}}
	return &tandemv1.Quote{
		Job: &tandemv1.Job{Id: "farm-shop", DisplayName: "Signs and jar labels", Items: []*tandemv1.Item{
			{Id: "sign", DisplayName: "Sign for the yard"}, {Id: "jar-label", DisplayName: "Label for jars"},
		}},
		Layouts: []*tandemv1.Layout{sheets, labels},
	}
}

// small shows a gang run with one turned and one upright item, a second layout on sheets, pieces that are not listed and
// one that lies off the web.
func small() *tandemv1.Quote {
	roll := &tandemv1.Layout{Media: "vinyl-clear", WebWidthUm: 500 * mm, EdgeUm: 10 * mm, LengthUm: 900 * mm, Waste: 0.4321, RoomFor: 2, Pieces: 11}
	roll.Panels = []*tandemv1.PanelLayout{
		{
			Panel: "p1", StartUm: 20 * mm, LengthUm: 420 * mm, MarkBandUm: 10 * mm,
			Placements: append(
				grid("cafe", "sign", 2, 1, 2, 10*mm, 10*mm, 237*mm, 250*mm, 6*mm, false),
				grid("fleet", "number", 5, 1, 5, 10*mm, 266*mm, 90*mm, 130*mm, 6*mm, true)...),
		},
		{
			Panel: "p2", StartUm: 460 * mm, LengthUm: 420 * mm, MarkBandUm: 10 * mm, More: 3,
			Placements: grid("cafe", "sign", 1, 1, 1, 300*mm, 10*mm, 237*mm, 250*mm, 6*mm, false),
		},
	}
	sheets := &tandemv1.Layout{Media: "board", WebWidthUm: 300 * mm, LengthUm: 800 * mm, SheetLengthUm: 400 * mm, Pieces: 4}
	for i := range 2 {
		sheets.Panels = append(sheets.Panels, &tandemv1.PanelLayout{
			Panel: fmt.Sprintf("p%d", i+3), StartUm: int64(i) * 400 * mm, LengthUm: 400 * mm,
			Placements: grid("fleet", "plate", 2, 1, 2, 5*mm, 5*mm, 140*mm, 380*mm, 6*mm, false),
		})
	}
	return &tandemv1.Quote{Job: &tandemv1.Job{Id: "gang-1", Members: []string{"cafe", "fleet"}}, Layouts: []*tandemv1.Layout{roll, sheets}}
}
