package drivers

import (
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"

	driverv1 "tandem/proto/tandem/driver/v1"
)

const (
	// mostReadings is how many readings of marks a status tells, of all runs together: the last ones.
	mostReadings = 12
	// mostMarks is one more than a panel's box has, so that a reading of too many can be told for what it is.
	mostMarks    = 5
	longestPanel = 63 // bytes
)

// cleanReadings takes what a driver says of a run's marks: the last readings, each of a size that fits in a message. A
// driver that says nothing of them leaves those before as they are.
func cleanReadings(in, before []*driverv1.MarkReading) []*driverv1.MarkReading {
	if len(in) == 0 {
		return before
	}
	var out []*driverv1.MarkReading
	for _, m := range in[max(len(in)-mostReadings, 0):] {
		m = proto.CloneOf(m)
		m.PanelCode = strings.ToValidUTF8(m.GetPanelCode()[:min(len(m.GetPanelCode()), longestPanel)], "")
		m.Marks = m.GetMarks()[:min(len(m.GetMarks()), mostMarks)]
		out = append(out, m)
	}
	return out
}

func sameReadings(a, b []*driverv1.MarkReading) bool {
	return slices.EqualFunc(a, b, func(a, b *driverv1.MarkReading) bool { return proto.Equal(a, b) })
}

// leaveOutReadings keeps all readings of a status within the size of a message: those of live runs go before those of
// ended ones, and the last before the first.
func leaveOutReadings(runs []*driverv1.RunStatus) {
	left := mostReadings
	for _, ended := range []bool{false, true} {
		for _, r := range slices.Backward(runs) {
			if Ended(r.GetState()) != ended {
				continue
			}
			r.MarkReadings = r.GetMarkReadings()[max(len(r.GetMarkReadings())-left, 0):]
			left -= len(r.GetMarkReadings())
		}
	}
}
