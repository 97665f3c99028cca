package mirror

import (
	"context"
	"sync"
	"time"
)

// Whoever computes in the background takes a share of one core, and gives way while the floor itself is busy: a date or a plan
// that comes some seconds later harms nobody, a caller or a device that waits does.
const (
	// busyEvents is how many events a second make a floor busy: some hundred steps that begin or end.
	busyEvents = 1000
	// busyShare is what is left of a share then.
	busyShare = 0.25
	// paceWindow is over how long events are counted.
	paceWindow = time.Second
)

// pace counts events.
type pace struct {
	mu    sync.Mutex
	since time.Time // when the count began
	count int
	last  float64 // events a second in the window before
}

// add counts events at a wall time.
func (p *pace) add(now time.Time, events int) {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.roll(now)
	p.count += events
}

// roll ends a window that is over.
func (p *pace) roll(now time.Time) {
	if took := now.Sub(p.since); took >= paceWindow {
		p.last = float64(p.count) / took.Seconds()
		p.since, p.count = now, 0
	}
}

// share returns how much of a share is left.
func (p *pace) share(now time.Time) float64 {
	p.mu.Lock()
	defer p.mu.Unlock()
	p.roll(now)
	if p.last >= busyEvents || p.count >= busyEvents {
		return busyShare
	}
	return 1
}

// Pause rests after some computing, so that it takes no more than a share of one core, and a quarter of that while the floor is
// busy, until ctx ends.
func (m *Mirror) Pause(ctx context.Context, computed time.Duration, share float64) {
	share *= m.pace.share(time.Now())
	Rest(ctx, time.Duration(float64(computed)*(1/share-1)))
}
