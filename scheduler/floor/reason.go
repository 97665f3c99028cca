package floor

import "strings"

// Reasons: RFC 8011 job-state-reasons (section 5.3.8) and printer-state-reasons (section 5.4.12) where one fits; our own
// begin with x-.
const (
	ReasonHoldUntilSpecified = "job-hold-until-specified"
	ReasonPrinting           = "job-printing"
	ReasonQueuedInDevice     = "queued-in-device"
	ReasonCompletedOK        = "job-completed-successfully"
	ReasonCompletedErrors    = "job-completed-with-errors"
	ReasonCanceledByOperator = "job-canceled-by-operator"
	ReasonCanceledAtDevice   = "job-canceled-at-device"
	ReasonAbortedBySystem    = "aborted-by-system"
	ReasonNotSupported       = "resources-are-not-supported" // no device of the floor can do the step
	ReasonNotReady           = "resources-are-not-ready"     // devices could, none can now
	ReasonToStopPoint        = "processing-to-stop-point"
	ReasonConnecting         = "connecting-to-device"

	ReasonWaitingPredecessor = "x-waiting-predecessor"
	ReasonWaitingTime        = "x-waiting-time"
	ReasonDrying             = "x-drying"
	ReasonAwaitingStart      = "x-awaiting-start"
	ReasonMediaMismatch      = "x-media-mismatch"
	ReasonOutcomeUnknown     = "x-outcome-unknown"
	ReasonShortCount         = "x-short-count"    // a device called a run done with pieces missing
	ReasonNoPieces           = "x-no-pieces-left" // all are spoiled: make them again or cancel
	ReasonRackFull           = "x-rack-full"
	ReasonMaintenanceLock    = "x-maintenance-lock"
	ReasonNotInFloorFile     = "x-not-in-floor-file"
	ReasonWaitTooLong        = "x-wait-too-long" // max_wait is exceeded
	ReasonResolved           = "x-resolved-by-person"
	ReasonWithdrawn          = "x-withdrawn"
	ReasonLotTooShort        = "x-lot-too-short"         // the roll on the device does not reach for the run
	ReasonBladeMismatch      = "x-blade-mismatch"        // the run wants another kind of blade
	ReasonRegistrationFailed = "x-registration-failed"   // by its marks a panel cannot be the right one
	ReasonInGangRun          = "x-in-gang-run"           // a gang run does the work, or still has the panel
	ReasonUnattended         = "x-unattended"            // nobody is there to begin it, or not for long enough
	ReasonOperatorBusy       = "x-operator-busy"         // everybody who is there has something to do
	ReasonStartOverdue       = "x-start-overdue-warning" // nobody has started it, see [Run.Overdue]
	ReasonOverdue            = "x-overdue-warning"       // it should have ended
	ReasonNotSeen            = "x-not-seen-warning"      // its panel should lie in the rack, and was not scanned there
	ReasonUnrecorded         = "x-unrecorded-work"       // it may have been done after the backup that the ledger comes from
	ReasonWouldWait          = "x-would-wait-too-long"   // a step after it would wait for longer than it may
)

// Reasons of devices and lots that follow from what is kept account of.
const (
	ReasonMediaNeeded = mediaNeeded + "-warning"
	ReasonMediaLow    = mediaLow + "-warning"
	ReasonMediaEmpty  = mediaEmpty + "-error"
	ReasonBladeWorn   = "x-blade-worn-warning"

	otherWork   = "x-other-work" // of a driver or a watcher: the device does what it was not given here
	mediaNeeded = "media-needed"
	mediaLow    = "media-low"
	mediaEmpty  = "media-empty"
)

// reasonWith returns the first reason that is the keyword, whatever its severity; "" if there is none.
func reasonWith(reasons []string, keyword string) string {
	for _, r := range reasons {
		rest, ok := strings.CutPrefix(r, keyword)
		if ok && (rest == "" || rest == "-report" || rest == "-warning" || rest == "-error") {
			return r
		}
	}
	return ""
}

// dry is the operation whose duration counts from the end of the steps before it, wherever the panel lies.
const dry = "dry"

// cut is the operation that works with a blade.
const cut = "cut"
