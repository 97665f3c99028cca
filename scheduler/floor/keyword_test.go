package floor

import (
	"slices"
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

// jobStates are the enum values of job-state, RFC 8011 section 5.3.7.
var jobStates = map[int32]string{
	3: "pending", 4: "pending-held", 5: "processing", 6: "processing-stopped", 7: "canceled", 8: "aborted", 9: "completed",
}

// printerStates are the enum values of printer-state, RFC 8011 section 5.4.11.
var printerStates = map[int32]string{3: "idle", 4: "processing", 5: "stopped"}

func TestJobStatesAreThoseOfRFC8011(t *testing.T) {
	for n := range tandemv1.JobState_name {
		if n == 0 {
			continue // not set: never written
		}
		if got := Keyword(tandemv1.JobState(n)); got != jobStates[n] {
			t.Errorf("job-state %d is called %q, want %q", n, got, jobStates[n])
		}
	}
	if got, want := len(tandemv1.JobState_name)-1, len(jobStates); got != want {
		t.Errorf("%d job states, want %d", got, want)
	}
}

func TestDeviceStatesAreThoseOfRFC8011(t *testing.T) {
	for n := range tandemv1.DeviceState_name {
		if n == 0 {
			continue
		}
		if got := DeviceKeyword(tandemv1.DeviceState(n)); got != printerStates[n] {
			t.Errorf("printer-state %d is called %q, want %q", n, got, printerStates[n])
		}
	}
	if got, want := len(tandemv1.DeviceState_name)-1, len(printerStates); got != want {
		t.Errorf("%d device states, want %d", got, want)
	}
}

// RFC 8011 section 5.3.7.2 (number from memory) sets the last three apart: a job in one of them never changes its state again.
func TestTerminalStates(t *testing.T) {
	for n, name := range jobStates {
		if got, want := ended(tandemv1.JobState(n)), n >= 7; got != want {
			t.Errorf("%s is terminal: %v, want %v", name, got, want)
		}
	}
}

// A reason that is not of the standard's vocabulary says so by its first two letters.
func TestReasonsAreStandardOrMarkedAsOurs(t *testing.T) {
	// RFC 8011 section 5.3.8 (job-state-reasons), then section 5.4.12 (printer-state-reasons), as far as used here.
	standard := strings.Fields(`
		job-hold-until-specified job-printing queued-in-device job-completed-successfully job-completed-with-errors
		job-canceled-by-operator job-canceled-at-device aborted-by-system resources-are-not-ready processing-to-stop-point
		connecting-to-device`)
	// IANA registry "ipp-registrations", job-state-reasons, added after RFC 8011 (from memory).
	standard = append(standard, "resources-are-not-supported")
	all := []string{
		ReasonHoldUntilSpecified, ReasonPrinting, ReasonQueuedInDevice, ReasonCompletedOK, ReasonCompletedErrors,
		ReasonCanceledByOperator, ReasonCanceledAtDevice, ReasonAbortedBySystem, ReasonNotSupported, ReasonNotReady,
		ReasonToStopPoint, ReasonConnecting, ReasonWaitingPredecessor, ReasonWaitingTime, ReasonDrying, ReasonAwaitingStart,
		ReasonMediaMismatch, ReasonOutcomeUnknown, ReasonShortCount, ReasonNoPieces, ReasonRackFull, ReasonMaintenanceLock,
		ReasonWaitTooLong, ReasonResolved, ReasonWithdrawn,
	}
	for _, reason := range all {
		if !tandemv1.ValidID(reason) {
			t.Errorf("%q is not a keyword", reason)
		}
		if strings.HasPrefix(reason, "x-") == slices.Contains(standard, reason) {
			t.Errorf("%q must be a keyword of the standard or begin with x-, and not both", reason)
		}
	}
}
