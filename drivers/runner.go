package drivers

import (
	"context"
	"errors"
	"fmt"
	"runtime/debug"
	"time"

	"go.uber.org/zap"

	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
)

const (
	// driverPause to longestPause, in wall time, is how long the host waits before it calls a driver that has lost its
	// device again.
	driverPause  = 500 * time.Millisecond
	longestPause = 30 * time.Second
)

// backoff doubles pauses from first to longest. A quarter of each is left to chance.
type backoff struct {
	first, longest, last time.Duration
	below                func(time.Duration) time.Duration
}

func (b *backoff) next() time.Duration {
	b.last = min(max(2*b.last, b.first), b.longest)
	return b.last - b.below(b.last/4)
}

func (b *backoff) reset() { b.last = 0 }

// drive calls the driver again and again until ctx ends.
func (h *Host) drive(ctx context.Context, d *desk) {
	pause := h.driverPauses()
	for {
		life := d.begin()
		err := h.runDriver(ctx, d, life)
		if ctx.Err() != nil {
			return
		}
		wait := time.NewTimer(h.lost(d, life, err, &pause))
		select {
		case <-wait.C:
		case <-ctx.Done():
			wait.Stop()
			return
		}
	}
}

func (h *Host) driverPauses() backoff {
	return backoff{first: driverPause, longest: longestPause, below: h.below}
}

// lost notes that a call of the driver has ended with an error, and returns how long to wait before the next.
func (h *Host) lost(d *desk, life int, err error, pause *backoff) time.Duration {
	if d.end(life) { // it has reached its device meanwhile
		pause.reset()
	}
	if errors.Is(err, ErrDeviceReset) {
		h.env.Log.Warn("the device has been reset; a new epoch begins", zap.Error(err))
		d.reset(h.newEpoch(d.currentEpoch()))
	} else if d.tellLoss() {
		h.env.Log.Warn("device lost; trying again until it is back", zap.Error(err))
	}
	return pause.next()
}

// runDriver is one call of the driver's Run, with the pump that hands orders to it.
func (h *Host) runDriver(ctx context.Context, d *desk, life int) (err error) {
	ctx, cancel := context.WithCancel(ctx)
	orders := make(chan *driverv1.Order)
	pumped := make(chan struct{})
	go func() {
		defer close(pumped)
		d.pump(ctx, orders)
	}()
	defer func() {
		if fault := recover(); fault != nil {
			err = fmt.Errorf("the %s driver has a fault of its own: %v\n%s", h.kind.Name, fault, debug.Stack())
		}
		cancel()
		<-pumped
	}()
	err = h.driver.Run(ctx, orders, func(s *driverv1.Status) { d.report(life, s) })
	if err == nil {
		err = errors.New("the driver has ended without saying why")
	}
	return err
}

// pump hands orders to the driver one at a time. An order that waits is looked at again whenever something changes,
// and when the start it gives becomes stale.
func (d *desk) pump(ctx context.Context, orders chan<- *driverv1.Order) {
	for {
		next := d.next()
		var (
			out   chan<- *driverv1.Order
			timer clock.Timer
			stale <-chan time.Time
		)
		if next.order != nil {
			out = orders
		}
		if next.stale > 0 {
			timer = d.env.Clock.NewTimer(next.stale)
			stale = timer.C()
		}
		select {
		case out <- next.order:
			d.handed(next)
		case <-d.more:
		case <-stale:
		case <-ctx.Done():
		}
		if timer != nil {
			timer.Stop()
		}
		if ctx.Err() != nil {
			return
		}
	}
}
