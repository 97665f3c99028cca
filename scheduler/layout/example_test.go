package layout_test

import (
	"fmt"

	"tandem/scheduler/layout"
)

// 240 decals of 100 by 50 mm on a roll 1370 mm wide, for a cutter whose marks may be 600 mm apart.
func ExampleRepeat() {
	media := layout.Media{WidthUm: 1_370_000}
	rules := layout.Rules{EdgeUm: 15_000, GutterUm: 6_000, MaxMarkDistanceUm: 600_000, MarkClearanceUm: 10_000}
	piece := layout.Piece{ID: "decal", WidthUm: 100_000, HeightUm: 50_000, Quantity: 240, Rotate: true}

	l, err := layout.Repeat(media, rules, piece)
	if err != nil {
		fmt.Println(err)
		return
	}
	for _, p := range l.Panels {
		b := p.Blocks[0]
		fmt.Printf("%d panels of %d mm: %d across, %d rows, turned: %v\n", p.Copies, p.LengthUm/1000, b.Across, b.Rows, b.Rotated)
	}
	fmt.Printf("%d mm of media, %.1f %% waste\n", l.UsedUm/1000, 100*l.WasteShare())
	// Output:
	// 2 panels of 524 mm: 24 across, 5 rows, turned: true
	// 1048 mm of media, 16.4 % waste
}

// Two jobs on one roll: what one leaves free beside it, the other uses.
func ExamplePack() {
	pieces := []layout.Piece{
		{ID: "sign", WidthUm: 600_000, HeightUm: 300_000, Quantity: 2},
		{ID: "label", WidthUm: 300_000, HeightUm: 390_000, Quantity: 2, Rotate: true},
	}
	l, err := layout.Pack(layout.Media{WidthUm: 1_000_000}, layout.Rules{GutterUm: 10_000}, pieces, layout.Options{Seed: 1})
	if err != nil {
		fmt.Println(err)
		return
	}
	for p := range l.Placements() {
		fmt.Printf("panel %d: %s %d at %d, %d, turned: %v\n", p.Panel, p.Piece, p.Index, p.XUm/1000, p.YUm/1000, p.Rotated)
	}
	fmt.Printf("%d mm of media\n", l.UsedUm/1000)
	// Output:
	// panel 0: sign 0 at 0, 0, turned: false
	// panel 0: label 0 at 610, 0, turned: true
	// panel 0: sign 1 at 0, 310, turned: false
	// panel 0: label 1 at 610, 310, turned: true
	// 610 mm of media
}
