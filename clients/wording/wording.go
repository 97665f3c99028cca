// Package wording puts what the daemon says into the words that people read: states as the keywords of RFC 8011, times
// in the local zone and relative to the floor's clock, lengths in millimetres.
//
// It holds no clock of its own: now is an argument, since the clock of a simulated floor runs faster than the wall's.
package wording

import (
	"fmt"
	"math"
	"slices"
	"strconv"
	"strings"

	tandemv1 "tandem/proto/tandem/v1"
)

// JobState returns the keyword of a job's, step's or run's state, such as processing-stopped.
func JobState(s tandemv1.JobState) string {
	return keyword(s.String(), "JOB_STATE_")
}

// DeviceState returns the keyword of a device's state. A device that has never reported is unspecified.
func DeviceState(s tandemv1.DeviceState) string {
	return keyword(s.String(), "DEVICE_STATE_")
}

// Phase returns the word of a device's phase, such as non-productive.
func Phase(p tandemv1.DevicePhase) string {
	return keyword(p.String(), "DEVICE_PHASE_")
}

// Link returns the word for what the daemon knows of a device, such as not-yet-reported.
func Link(l tandemv1.Link) string {
	return keyword(l.String(), "LINK_")
}

// Outcome returns the word for what became of a scan, such as wrong-station.
func Outcome(o tandemv1.RecordScanResponse_Outcome) string {
	return keyword(o.String(), "OUTCOME_")
}

// keyword turns the name of an enumeration's value into a keyword. A value that is newer than this program has only
// a number for a name, which is shown as it is.
func keyword(name, prefix string) string {
	return strings.ToLower(strings.ReplaceAll(strings.TrimPrefix(name, prefix), "_", "-"))
}

// OpenJobStates are the states of jobs that have not ended, in the order of RFC 8011 section 5.3.7.
func OpenJobStates() []tandemv1.JobState {
	return []tandemv1.JobState{
		tandemv1.JobState_JOB_STATE_PENDING,
		tandemv1.JobState_JOB_STATE_PENDING_HELD,
		tandemv1.JobState_JOB_STATE_PROCESSING,
		tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED,
	}
}

// Ended reports whether a job, step or run in this state has ended for good: the terminal states of RFC 8011
// section 5.3.7.
func Ended(s tandemv1.JobState) bool {
	switch s {
	case tandemv1.JobState_JOB_STATE_CANCELED, tandemv1.JobState_JOB_STATE_ABORTED, tandemv1.JobState_JOB_STATE_COMPLETED:
		return true
	default:
		return false
	}
}

// JobStateOf returns the state with the given keyword. The error names all keywords.
func JobStateOf(word string) (tandemv1.JobState, error) {
	var words []string
	for number := range tandemv1.JobState_name {
		s := tandemv1.JobState(number)
		if s == tandemv1.JobState_JOB_STATE_UNSPECIFIED {
			continue
		}
		if JobState(s) == strings.ToLower(word) {
			return s, nil
		}
		words = append(words, JobState(s))
	}
	slices.Sort(words)
	return 0, fmt.Errorf("%q is not a state: use one of %s", word, strings.Join(words, ", "))
}

// Millimetres shows a length given in micrometres, such as 1234.5 mm.
func Millimetres(um int64) string {
	return strconv.FormatFloat(float64(um)/1000, 'f', -1, 64) + " mm"
}

// Metres shows a length given in micrometres, such as 12.34 m: for rolls.
func Metres(um int64) string {
	return strconv.FormatFloat(math.Round(float64(um)/1e4)/100, 'f', -1, 64) + " m"
}

// Count shows a number with its noun, which takes an s unless the number is 1.
func Count(n int, noun string) string {
	if n == 1 {
		return "1 " + noun
	}
	return strconv.Itoa(n) + " " + noun + "s"
}
