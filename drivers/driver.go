package drivers

import (
	"context"
	"errors"
	"fmt"

	"go.uber.org/zap"

	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// ErrDeviceReset is wrapped by the error of a Run whose device has forgotten what it did, for example because it was
// switched off and on. Nobody knows then how far its runs got.
var ErrDeviceReset = errors.New("the device has been reset and has forgotten its work")

const (
	// ReasonAwaitingStart is why a run is pending while its Grant.may_start is false.
	ReasonAwaitingStart = "x-awaiting-start"
	// ReasonOutcomeUnknown is why a run is processing-stopped when nobody knows how far it got.
	ReasonOutcomeUnknown = "x-outcome-unknown"
	// ReasonNotStored is why a device begins nothing, as -error, or goes on with what is under way, as -warning, when its
	// driver cannot write its StateDir: what it began would be forgotten with the driver, and begun again.
	ReasonNotStored = "x-state-not-stored"
)

// Ended says whether a run in this state is over.
func Ended(s tandemv1.JobState) bool {
	return s == tandemv1.JobState_JOB_STATE_COMPLETED || s == tandemv1.JobState_JOB_STATE_CANCELED ||
		s == tandemv1.JobState_JOB_STATE_ABORTED
}

// A Driver talks to one device.
type Driver interface {
	// Run serves the device until ctx ends: it takes orders one at a time and reports the device's whole status at every
	// change. Run returns nil when ctx ends and an error when the device is lost; the host then calls it again.
	//
	// The first report comes without an order, as soon as the driver knows what its device is doing. A status lists
	// every run that the device has in hand: the waiting, the live, and the ended ones until their Settle comes (the
	// host keeps an ended run in mind, so a driver may drop it once it has been reported). What the driver leaves out,
	// the host fills in: epoch, sequence, fence, link online, observe, start and end times. report may be called from
	// any goroutine and as often as one likes; it does not wait and keeps nothing of what it is given.
	//
	// An order may come again, with the same or another content, and must then change nothing that is done already. The
	// host has refused what is not for this device, so a driver meets only its own operations, never more live runs
	// than its capacity, and no epoch but its own. Whatever it does not know it ignores.
	//
	// A cutter that finds marks with a sensor reads those of each panel that Grant.panels names, before it cuts that
	// panel, and reports them in RunStatus.mark_readings; the package comment says how.
	//
	// While Grant.may_start is false nothing moves: the run is reported pending with the reason x-awaiting-start. After
	// a lost device the host hands its grants on again with may_start false: the driver asks its device how far it is,
	// and never begins anew what it may have begun before.
	Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error
}

// A Kind is a kind of driver.
type Kind struct {
	// Name is the id by which a floor file names it.
	Name string
	// Summary says in one line what devices it is for.
	Summary string
	// Manual is for devices without a data port: people's scans are their reports, and nothing moves by an order.
	Manual bool
	// Settings are all the settings it knows.
	Settings []Setting
	// Example works, with no device at hand. The conformance suite uses it, and help shows it.
	Example map[string]string
	// New checks settings and makes a driver; it opens nothing. Its errors name the setting and the remedy. Nil: the kind
	// only watches.
	New func(Env, map[string]string) (Driver, error)
	// NewWatcher does the same for a watcher. Nil: the kind does not watch.
	NewWatcher func(Env, map[string]string) (Watcher, error)
	// Propose asks at an address what settings would fit there. It only reads: it prints, moves, changes and keeps nothing
	// there, and asks at no other address. Its error says what was asked and what to do; see [ErrNotAsked] and
	// [ErrAnswered]. Nil: the kind has nothing to ask.
	Propose func(context.Context, Target) (*Proposal, error)
}

// Env is what the floor file and the host give to a driver.
type Env struct {
	// Device is the device's id.
	Device string
	// Operations are those the device can do: at least one.
	Operations []string
	// Capacity is how many live runs it holds, 1 to [MaxCapacity]; 0 means 1.
	Capacity int
	// Clock is the floor's clock. Nil: the host provides one that follows the daemon's, and that runs as the wall clock
	// until the first Welcome (see [clock.Told]).
	Clock clock.Clock
	// Log is for what a person should know; nil: nobody. Log once when something is lost and once when it is back.
	Log *zap.Logger
	// StateDir is a folder of this device's own, kept from one start to the next. Empty: nothing is kept.
	StateDir string
}

// MaxCapacity is the greatest number of live runs of a device. All that a device has in hand must fit in one message.
const MaxCapacity = 64

// check returns the environment with its defaults.
func (e Env) check() (Env, error) {
	if !ValidID(e.Device) {
		return e, fmt.Errorf("device id %q: use 1 to 63 lower-case letters, digits and dashes, no dash first", e.Device)
	}
	if len(e.Operations) == 0 {
		return e, errors.New("operations: name at least one that the device can do")
	}
	for _, operation := range e.Operations {
		if !ValidID(operation) {
			return e, fmt.Errorf("operation %q: use 1 to 63 lower-case letters, digits and dashes, no dash first", operation)
		}
	}
	if e.Capacity < 0 || e.Capacity > MaxCapacity {
		return e, fmt.Errorf("capacity %d: use 1 to %d, and a second device for more", e.Capacity, MaxCapacity)
	}
	e.Capacity = max(e.Capacity, 1)
	if e.Log == nil {
		e.Log = zap.NewNop()
	}
	e.Log = e.Log.With(zap.String("device", e.Device))
	return e, nil
}
