package floorview

import (
	"fmt"
	"math"
	"slices"
	"strings"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/celltext"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// maxRuns is the number of runs that a rack shows one by one.
const maxRuns = 4

func (v *view) deviceLines() []line {
	lines := title("DEVICES")
	if len(v.devices) == 0 {
		return append(lines, line{{faint, " none"}})
	}
	var names, words []string
	for _, d := range v.devices {
		word, _ := condition(d)
		names = append(names, celltext.Clean(d.GetId()))
		words = append(words, word)
	}
	nameCells := widest(names, v.width/4)
	wordCells := widest(words, len("unspecified"))
	for i, d := range v.devices {
		word, s := condition(d)
		first := line{{strong, " " + fit(names[i], nameCells)}, {plain, "  "}, {s, fit(word, wordCells)}, {plain, "  "}}
		rest := line{{plain, strings.Repeat(" ", first.cells())}}
		if v.narrow {
			lines = append(lines, line{{strong, " " + names[i]}, {plain, "  "}, {s, word}})
			first, rest = line{{plain, "   "}}, line{{plain, "   "}}
		}
		for j, doing := range v.doing(d, v.width-rest.cells()) {
			if j > 0 {
				first = slices.Clone(rest)
			}
			lines = append(lines, append(first, doing...))
		}
	}
	return lines
}

// condition is the one word that says most about a device: what is known beats what was last heard.
func condition(d *tandemv1.Device) (string, style) {
	switch {
	case d.GetLink() == tandemv1.Link_LINK_NOT_YET_REPORTED:
		return "no report", warn
	case d.GetLink() != tandemv1.Link_LINK_ONLINE:
		return wording.Link(d.GetLink()), warn
	case d.GetLockedBy() != "":
		return "locked", warn
	case d.GetPaused():
		return "paused", warn
	}
	word := wording.DeviceState(d.GetState())
	switch d.GetState() {
	case tandemv1.DeviceState_DEVICE_STATE_PROCESSING:
		return word, busy
	case tandemv1.DeviceState_DEVICE_STATE_STOPPED:
		return word, bad
	case tandemv1.DeviceState_DEVICE_STATE_IDLE:
		return word, good
	default:
		return word, plain
	}
}

// doing says what a device does, at least one line, for a place with room cells.
func (v *view) doing(d *tandemv1.Device, room int) []line {
	var lines []line
	if remark := v.remark(d); remark != "" {
		lines = append(lines, line{{plain, remark}})
	}
	runs := slices.Clone(d.GetRuns())
	if d.GetCapacity() > 1 {
		// What leaves a rack first stands first.
		slices.SortStableFunc(runs, func(a, b *tandemv1.DeviceRun) int {
			return v.ends[stepKey{a.GetJob(), a.GetStep()}].Compare(v.ends[stepKey{b.GetJob(), b.GetStep()}])
		})
	}
	for i, r := range runs {
		if i == maxRuns && len(runs) > maxRuns+1 {
			lines = append(lines, line{{faint, fmt.Sprintf("and %s", wording.Count(len(runs)-maxRuns, "more run"))}})
			break
		}
		lines = append(lines, v.run(r, room))
	}
	if len(lines) == 0 {
		l := line{{faint, "free"}}
		if d.GetLoadedMedia() != "" {
			l = append(l, span{faint, ", " + d.GetLoadedMedia() + " loaded"})
			if d.GetLoadedLot() != "" {
				l = append(l, span{faint, ", " + wording.Metres(d.GetLoadedRemainingUm()) + " left"})
			}
		}
		lines = append(lines, l)
	}
	for _, supply := range d.GetSupplies() {
		if wording.SupplyEnding(supply) && d.GetLink() == tandemv1.Link_LINK_ONLINE {
			lines = append(lines, line{{warn, wording.Supply(supply)}})
		}
	}
	return lines
}

// remark says what is out of the ordinary about a device, apart from its runs. A lock is told in any case.
func (v *view) remark(d *tandemv1.Device) string {
	var parts []string
	add := func(s string) {
		if s != "" {
			parts = append(parts, s)
		}
	}
	switch {
	case d.GetLink() == tandemv1.Link_LINK_NOT_YET_REPORTED:
		add("its driver has not spoken yet")
	case d.GetLink() != tandemv1.Link_LINK_ONLINE:
		add(v.lastSeen(d))
	}
	locked, paused := "locked by ", "paused: "
	if len(parts) == 0 {
		// The word before the remark says it already.
		locked, paused = "by ", ""
	}
	switch {
	case d.GetLockedBy() != "":
		add(strings.TrimSuffix(locked+d.GetLockedBy()+": "+d.GetPauseNote(), ": "))
	case d.GetPaused():
		add(strings.TrimSuffix(paused+d.GetPauseNote(), ": "))
	}
	if len(parts) > 0 {
		return strings.Join(parts, ", ")
	}
	if d.GetState() == tandemv1.DeviceState_DEVICE_STATE_STOPPED {
		return reasonsOr(d.GetStateReasons(), "no reason given")
	}
	switch d.GetPhase() {
	case tandemv1.DevicePhase_DEVICE_PHASE_SETUP, tandemv1.DevicePhase_DEVICE_PHASE_CLEANUP,
		tandemv1.DevicePhase_DEVICE_PHASE_NON_PRODUCTIVE:
		add(wording.Phase(d.GetPhase()))
	default:
		// The state says as much already.
	}
	add(reasonsOr(withoutNeeds(d), ""))
	return strings.Join(parts, ", ")
}

// withoutNeeds returns the device's reasons but for what its run says better: which media is needed.
func withoutNeeds(d *tandemv1.Device) []string {
	return slices.DeleteFunc(slices.Clone(d.GetStateReasons()), func(r string) bool { return has([]string{r}, "media-needed") })
}

// run says what one run is and how far.
func (v *view) run(r *tandemv1.DeviceRun, room int) line {
	l, runs := v.progressOf(r)
	l = append(line{{plain, work(r)}, {plain, "  "}}, l...)
	if !runs {
		return l
	}
	return append(l, span{busy, bar(share(r), min(room-l.cells()-len("[]"), 20))})
}

// progressOf says how far a run is, and whether it is one under way of which a share is done.
func (v *view) progressOf(r *tandemv1.DeviceRun) (l line, runs bool) {
	switch {
	case has(r.GetStateReasons(), "x-media-mismatch"):
		return append(l, span{warn, "needs a person: load " + v.supply(r)}), false
	case has(r.GetStateReasons(), "x-lot-too-short"):
		return append(l, span{warn, "needs a person: load a longer roll of " + v.supply(r)}), false
	case awaitsStart(r):
		return append(l, span{warn, "needs a person: start " + panels(r.GetPanelCodes(), r.GetRun())}), false
	case has(r.GetStateReasons(), "x-outcome-unknown"):
		return append(l, span{bad, "outcome unknown"}, span{plain, soFar(r)}), false
	case r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
		return append(l, span{bad, "stopped: " + reasonsOr(r.GetStateReasons(), "no reason given")}, span{plain, soFar(r)}), false
	case r.GetState() == tandemv1.JobState_JOB_STATE_PENDING:
		return append(l, span{faint, "told, not begun"}), false
	}
	end, known := v.ends[stepKey{r.GetJob(), r.GetStep()}]
	if r.GetOperation() == dry {
		if !known {
			return append(l, span{busy, "drying"}), false
		}
		return append(l, span{busy, "dries until " + v.When(timestamppb.New(end))}), false
	}
	if r.GetPieces() > 0 {
		l = append(l, span{plain, fmt.Sprintf("%d/%d ", r.GetPiecesGood(), r.GetPieces())})
	}
	if r.GetPiecesSpoiled() > 0 {
		l = append(l, span{bad, fmt.Sprintf("(%d spoiled) ", r.GetPiecesSpoiled())})
	}
	if known {
		if left := end.Sub(v.Now); left > 0 {
			l = append(l, span{plain, wording.Span(left) + " left "})
		} else {
			l = append(l, span{warn, wording.Span(-left) + " over its time "})
		}
	}
	return l, true
}

// soFar tells how many pieces of a run that stands still are made.
func soFar(r *tandemv1.DeviceRun) string {
	if r.GetPieces() == 0 {
		return ""
	}
	return fmt.Sprintf(" at %d/%d", r.GetPiecesGood(), r.GetPieces())
}

// share is the part of a run that is done, 0 to 1: the device's own word, else the pieces.
func share(r *tandemv1.DeviceRun) float64 {
	f := r.GetFraction()
	if f == 0 && r.GetPieces() > 0 {
		f = float64(r.GetPiecesGood()) / float64(r.GetPieces())
	}
	if math.IsNaN(f) {
		return 0
	}
	return min(max(f, 0), 1)
}

// bar draws a share in the given number of cells and two for its ends; nothing where that is too few to say anything.
// It is full only when all is done.
func bar(share float64, cells int) string {
	if cells < 4 {
		return ""
	}
	full := int(share * float64(cells))
	return "[" + strings.Repeat("#", full) + strings.Repeat(".", cells-full) + "]"
}
