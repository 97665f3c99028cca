package drivers

import (
	"context"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"tandem/drivers/clock"
)

// returnWithin is how long a driver may take to return once its context has ended, in wall time.
const returnWithin = 5 * time.Second

// A Host puts one driver on the bus and does everything that all drivers would do alike, so that a driver is one small
// file: it introduces the driver and keeps the daemon informed, takes or refuses orders, and calls the driver again
// when it has lost its device. What it does about orders is written at [Host.Serve].
type Host struct {
	kind   Kind
	env    Env
	driver Driver
	synced follower // nil: the clock was given, and follows nobody

	watchers []seat // in the order of precedence

	now   func() time.Time                    // the wall clock
	below func(d time.Duration) time.Duration // chance, from 0 to below d
}

// follower is a clock that follows the daemon's, as [clock.Synced] does.
type follower interface {
	Set(now time.Time, scale float64)
}

// NewHost checks an environment and settings and makes the driver. It opens nothing.
func NewHost(kind Kind, env Env, settings map[string]string) (*Host, error) {
	env, err := env.check()
	if err != nil {
		return nil, fmt.Errorf("driver of %q: %w", env.Device, err)
	}
	h := &Host{kind: kind, now: time.Now, below: rand.N[time.Duration]}
	if env.Clock == nil {
		synced := clock.NewSynced()
		h.synced, env.Clock = synced, synced
	}
	h.env = env
	if kind.New == nil {
		return nil, fmt.Errorf("%s only watches: name it under watch, and let the driver of %s be one that does its work, such as operator", kind.Name, env.Device)
	}
	if h.driver, err = kind.New(env, settings); err != nil {
		return nil, fmt.Errorf("%s driver of %s: %w", kind.Name, env.Device, err)
	}
	return h, nil
}

// Driver returns the driver, for those who know its type.
func (h *Host) Driver() Driver { return h.driver }

// Run is Serve over NATS. The connection may be shared; it should reconnect for ever, and stays open. Run returns nil
// when ctx ends, and an error when the connection is closed or the driver does not return.
func (h *Host) Run(ctx context.Context, conn *nats.Conn) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	bus, err := newNATSBus(ctx, conn, h.env.Device)
	if err != nil {
		return fmt.Errorf("host: %w", err)
	}
	return h.Serve(ctx, bus)
}

// Serve is the host's work, until ctx ends. Call it once at a time.
//
// It begins an epoch, greater than any before it, at its start and at each [ErrDeviceReset], says hello in each epoch and
// on each connect until it is welcomed, and again now and then; sends the status at each change and each period.
//
// A grant is taken if its run is in hand already with the same fence, and handed to the driver if its content is new.
// Otherwise it is refused if it comes before the first Welcome of a connection, if its operation is unknown or capacity
// is full, and if it is stale: its fence is below Welcome.min_fence or, on a device that holds one run, not above every
// fence granted before. A run that has been refused, settled or stopped before it came is never taken later. A refusal
// that carries the epoch says that nothing has moved and nothing will. A start later than start_before is handed to the
// driver as no start. A run that ended is kept in every status until its Settle, and does not count as busy.
func (h *Host) Serve(ctx context.Context, bus Bus) error {
	ctx, cancel := context.WithCancel(ctx)
	defer cancel()
	desk := newDesk(h.env, h.kind.Manual, h.newEpoch(0))
	for _, w := range h.watchers {
		desk.sights = append(desk.sights, sight{kind: w.kind})
	}
	drove := make(chan struct{})
	go func() {
		defer close(drove)
		var watched sync.WaitGroup
		for at := range h.watchers {
			watched.Go(func() { h.watch(ctx, desk, at) })
		}
		h.drive(ctx, desk)
		watched.Wait()
	}()
	t := newTalk(bus, desk, h)
	err := t.run(ctx)
	cancel()
	patience := time.NewTimer(returnWithin)
	defer patience.Stop()
	select {
	case <-drove:
	case <-patience.C:
		err = errors.Join(err, fmt.Errorf("the %s driver, or a watcher, has not returned %s after its context ended", h.kind.Name, returnWithin))
	}
	if err != nil {
		return fmt.Errorf("host of %s: %w", h.env.Device, err)
	}
	return nil
}
