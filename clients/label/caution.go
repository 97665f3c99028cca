package label

import (
	"slices"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
)

// Caution is a usual caution of the trade, in a few words and in a sentence: common practice, no source. It reminds; the
// machine's own manual and the sheet of data of the ink say more.
type Caution struct{ Short, Long string }

var (
	uv       = Caution{"UV: do not look at the lamp", "UV lamps: do not look into the light. Uncured ink irritates: wear gloves."}
	carriage = Caution{"Printer: the carriage moves by itself", "Printer: the carriage moves without warning. Keep hands out while it can start."}
	vapour   = Caution{"Vapour: air the room, no sparks", "Drying prints give off solvent vapour: air the room, keep flames and sparks away."}
	nip      = Caution{"Hot rollers: fingers, hair away", "Laminator: rollers draw in and are hot. Keep fingers, hair, sleeves and ties away."}
	blades   = Caution{"Blades: keep hands off the head", "Cutter: sharp blades and a head that moves. Keep hands off while it can start."}
	hand     = Caution{"Knife: cut away from yourself", "Hand knives: cut away from yourself and park the blade."}
	heavy    = Caution{"Heavy: lift with two or a hoist", "A full roll is heavy: lift it with two people or a hoist."}
	standsBy = Caution{"Scan only where you see the machine", "A machine may begin to move: scan only where you see it and nobody reaches into it."}
)

// cautionsOf returns what goes with an operation. Whether an ink is a UV ink, its name alone can tell.
func cautionsOf(operation, ink string) []Caution {
	var list []Caution
	words := func(s string) []string { return strings.Split(strings.ToLower(s), "-") }
	if slices.Contains(words(ink), "uv") || slices.Contains(words(operation), "uv") || operation == "cure" {
		list = append(list, uv)
	}
	switch operation {
	case "print":
		list = append(list, carriage)
	case "dry":
		list = append(list, vapour)
	case "laminate", "mount":
		list = append(list, nip)
	case "cut", "trim", "slit":
		list = append(list, blades)
	case "weed":
		list = append(list, hand)
	}
	return list
}

// cautionsOfSteps returns each once, in the order in which the panel meets them.
func cautionsOfSteps(steps []*tandemv1.Step) []Caution {
	var list []Caution
	for _, s := range steps {
		for _, c := range cautionsOf(s.GetOperation(), s.GetInk()) {
			if !slices.Contains(list, c) {
				list = append(list, c)
			}
		}
	}
	return list
}
