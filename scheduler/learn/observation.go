package learn

import (
	"cmp"
	"math"
	"time"
	"unicode/utf8"

	"tandem/scheduler/badfield"
)

// Key is what durations are learned for.
type Key struct {
	Device, Operation string
	Mode              string // what else sets the pace, such as a print mode or a media; may be empty
}

// longestName bounds each part of a key, in bytes.
const longestName = 128

// Compare orders keys by device, operation and mode.
func (k Key) Compare(o Key) int {
	return cmp.Or(cmp.Compare(k.Device, o.Device), cmp.Compare(k.Operation, o.Operation), cmp.Compare(k.Mode, o.Mode))
}

func (k Key) check() *Error {
	for _, part := range [...]struct {
		field, value string
		required     bool
	}{{"device", k.Device, true}, {"operation", k.Operation, true}, {"mode", k.Mode, false}} {
		switch {
		case part.required && part.value == "":
			return badfield.New(part.field, "is empty; give its id")
		case len(part.value) > longestName:
			return badfield.New(part.field, "has %d bytes; at most %d are kept", len(part.value), longestName)
		case !utf8.ValidString(part.value):
			return badfield.New(part.field, "is not UTF-8; give it as text")
		}
	}
	return nil
}

// Observation is one finished run.
type Observation struct {
	Predicted time.Duration // by the physical model, uncorrected, for the work that was done
	Actual    time.Duration // from start to end
	Stopped   time.Duration // part of Actual in which it stood still
	// Done is the share of the granted work that was done: 1 for a run that was completed. A run that did less than half is
	// counted and not learned from: too much of it is beginning and end.
	Done float64
}

const (
	leastDone = 0.5
	longest   = 31 * 24 * time.Hour // no run takes longer: a clock was wrong or an end was not reported
)

func (o Observation) check() *Error {
	switch {
	case o.Predicted <= 0 || o.Predicted > longest:
		return badfield.New("predicted", "is %v; it must be above 0 and at most %v", o.Predicted, longest)
	case o.Actual <= 0 || o.Actual > longest:
		return badfield.New("actual", "is %v; it must be above 0 and at most %v", o.Actual, longest)
	case o.Stopped < 0 || o.Stopped >= o.Actual:
		return badfield.New("stopped", "is %v; it must be from 0 to less than the %v the run took", o.Stopped, o.Actual)
	case math.IsNaN(o.Done) || o.Done < 0 || o.Done > 1:
		return badfield.New("done", "is %v; it must be a share from 0 to 1", o.Done)
	}
	return nil
}

// Ratios are held in millionths, so that what is held is the same on every machine.
const (
	one          = 1_000_000
	leastRatio   = one / 10
	largestRatio = one * 10
)

// ratio returns the working time over the predicted one and whether it had to be brought within bounds. A quotient and
// a product of two float64 are rounded the same way everywhere.
func (o Observation) ratio() (r int32, clamped bool) {
	exact := math.Round(float64(o.Actual-o.Stopped) / float64(o.Predicted) * one)
	held := min(max(exact, leastRatio), largestRatio)
	return int32(held), held != exact
}
