// Package clock is the floor's time: the wall clock of a real floor, or a faster one on which a simulated day passes in
// minutes. It runs on the monotonic clock of the process, so stepping the wall clock never moves a clock that has been
// made. It never sleeps on a goroutine of its own, and it stands still while the computer is suspended.
package clock

import (
	"math"
	"time"
)

// Clock tells floor time. Durations given to it are floor durations.
type Clock interface {
	// Now is the floor time, in UTC and without a monotonic reading. It does not go back, save as Synced says.
	Now() time.Time
	// NewTimer makes a timer that fires once Now has reached this moment plus d.
	NewTimer(d time.Duration) Timer
	// After is NewTimer(d).C(), for waits that need no stopping.
	After(d time.Duration) <-chan time.Time
}

// Timer fires once.
type Timer interface {
	// C yields one value when the timer fires. The value has no meaning: ask the clock.
	C() <-chan time.Time
	// Stop keeps the timer from firing, and reports whether it would have. Nothing comes from C after it.
	Stop() bool
	// Reset makes the timer fire after d from now, whatever it did before, and reports whether it was pending.
	Reset(d time.Duration) bool
}

// Wall is a clock that starts at the computer's time and runs with it.
func Wall() Clock { return Scaled(time.Now(), 1) }

// Scaled is a clock that shows base now and runs scale times as fast as the wall clock. It panics unless scale is
// positive and finite. It stands still when it has run for 292 years.
func Scaled(base time.Time, scale float64) Clock { return newScaled(base, scale) }

// scaled shows base + scale*(time since origin).
type scaled struct {
	base   time.Time
	origin time.Time // with monotonic reading
	scale  float64
}

func newScaled(base time.Time, scale float64) scaled {
	if !Valid(scale) {
		panic("clock: scale is not a positive number")
	}
	return scaled{base: base.Round(0).UTC(), origin: time.Now(), scale: scale}
}

// Valid reports whether scale can be the speed of a clock: a positive, finite number.
func Valid(scale float64) bool { return scale > 0 && !math.IsInf(scale, 1) }

func (c scaled) Now() time.Time { return c.base.Add(c.floor(time.Since(c.origin))) }

func (c scaled) NewTimer(d time.Duration) Timer {
	return &scaledTimer{clock: c, timer: time.NewTimer(c.until(c.Now().Add(max(d, 0))))}
}

func (c scaled) After(d time.Duration) <-chan time.Time { return c.NewTimer(d).C() }

// floor is the floor time that passes in a wall time. It grows with its argument.
func (c scaled) floor(wall time.Duration) time.Duration {
	if c.scale == 1 {
		return wall
	}
	return saturated(float64(wall) * c.scale)
}

// until is the shortest wall time after which Now is at least t.
func (c scaled) until(t time.Time) time.Duration {
	elapsed := time.Since(c.origin)
	target := t.Sub(c.base)
	wall := target
	if c.scale != 1 {
		wall = saturated(math.Ceil(float64(target) / c.scale))
		for wall < math.MaxInt64 && c.floor(wall) < target { // rounding may have cost a few nanoseconds
			wall += 1 + wall>>52
		}
	}
	return max(wall-elapsed, 0)
}

func saturated(ns float64) time.Duration {
	if ns >= math.MaxInt64 {
		return math.MaxInt64
	}
	return time.Duration(ns)
}

type scaledTimer struct {
	clock scaled
	timer *time.Timer
}

func (t *scaledTimer) C() <-chan time.Time { return t.timer.C }
func (t *scaledTimer) Stop() bool          { return t.timer.Stop() }
func (t *scaledTimer) Reset(d time.Duration) bool {
	return t.timer.Reset(t.clock.until(t.clock.Now().Add(max(d, 0))))
}
