package clock

import (
	"sync"
	"time"
)

// slack is the wall time by which one message about the floor's time may be later than another.
const slack = 100 * time.Millisecond

// Synced is a clock that is told the floor's time from outside, again and again: each time it is told is a lower bound,
// because it was true a message ago. So it follows every correction forward at once and ignores one back that a slow
// message explains. A greater one means that it was wrong, and is followed back: a floor believed later than it is would
// end drying too early. Timers that are pending keep to the floor's time through all of it.
//
// Until it is told for the first time it is the wall clock.
type Synced struct {
	mu     sync.Mutex
	now    scaled
	latest time.Time
	timers map[*syncedTimer]struct{}
	told   chan struct{} // closed by the first Set
}

// NewSynced makes a Synced that has not been told yet.
func NewSynced() *Synced {
	return &Synced{now: newScaled(time.Now(), 1), timers: map[*syncedTimer]struct{}{}, told: make(chan struct{})}
}

// Set tells the clock that the floor's time is at least now, and that it runs scale times as fast as the wall clock. It
// panics unless scale is positive and finite.
func (c *Synced) Set(now time.Time, scale float64) {
	next := newScaled(now, scale)
	c.mu.Lock()
	defer c.mu.Unlock()
	select {
	case <-c.told:
	default: // the wall clock says nothing about the floor's
		c.now, c.latest = next, next.base
		close(c.told)
	}
	shown := c.show()
	switch back := shown.Sub(next.base); {
	case back > next.floor(slack):
		c.latest = next.base
	case back > 0 && c.now.scale == scale:
		next = c.now // the older bound is the better one
	}
	c.now = next
	c.forget()
	for t := range c.timers {
		t.arm(t.deadline)
	}
}

// Now is the floor's time as far as it is known.
func (c *Synced) Now() time.Time {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.show()
}

func (c *Synced) show() time.Time {
	if now := c.now.Now(); now.After(c.latest) {
		c.latest = now
	}
	return c.latest
}

// NewTimer makes a timer that fires once Now has reached this moment plus d.
func (c *Synced) NewTimer(d time.Duration) Timer {
	c.mu.Lock()
	defer c.mu.Unlock()
	t := &syncedTimer{clock: c}
	t.start(d)
	return t
}

// After is NewTimer(d).C().
func (c *Synced) After(d time.Duration) <-chan time.Time { return c.NewTimer(d).C() }

// forget drops the timers that have fired.
func (c *Synced) forget() {
	wall := time.Now()
	for t := range c.timers {
		if !wall.Before(t.fires) {
			delete(c.timers, t)
		}
	}
}

type syncedTimer struct {
	clock    *Synced
	deadline time.Time // of the floor
	fires    time.Time // of the wall, with monotonic reading
	timer    *time.Timer
}

// start and arm want the clock locked.
func (t *syncedTimer) start(d time.Duration) bool {
	t.clock.forget()
	t.clock.timers[t] = struct{}{}
	return t.arm(t.clock.show().Add(max(d, 0)))
}

func (t *syncedTimer) arm(deadline time.Time) bool {
	wait := t.clock.now.until(deadline)
	t.deadline, t.fires = deadline, time.Now().Add(wait)
	if t.timer == nil {
		t.timer = time.NewTimer(wait)
		return false
	}
	return t.timer.Reset(wait)
}

func (t *syncedTimer) C() <-chan time.Time { return t.timer.C }

func (t *syncedTimer) Stop() bool {
	t.clock.mu.Lock()
	defer t.clock.mu.Unlock()
	delete(t.clock.timers, t)
	return t.timer.Stop()
}

func (t *syncedTimer) Reset(d time.Duration) bool {
	t.clock.mu.Lock()
	defer t.clock.mu.Unlock()
	return t.start(d)
}

// Told returns a channel that is closed once a clock shows the floor's time: at once, unless it is a Synced that has
// never been set.
func Told(c Clock) <-chan struct{} {
	if s, ok := c.(*Synced); ok {
		return s.told
	}
	told := make(chan struct{})
	close(told)
	return told
}
