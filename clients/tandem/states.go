package main

import (
	"strings"

	"tandem/clients/celltext"
)

// stateStyle is the style of a state, given as its keyword, of a job, step, run or device.
func stateStyle(word string) celltext.Style {
	switch word {
	case "processing":
		return busy
	case "processing-stopped", "stopped", "aborted":
		return bad
	case "pending-held", "canceled":
		return warned
	case "completed", "idle":
		return good
	default:
		return plain
	}
}

func reasons(list []string) string { return strings.Join(list, ", ") }

// state is a state's keyword in its style.
func state(keyword string) span { return span{stateStyle(keyword), keyword} }
