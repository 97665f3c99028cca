package engine

import (
	"math"
	"sync/atomic"
	"time"
)

// busyOver is the time over which Busy is a mean.
const busyOver = time.Second

// busy measures which share of its time the loop works, or waits for the disk: while somebody waits for it.
type busy struct {
	share    atomic.Uint64 // bits of a float64
	from, to time.Time     // the last wait for something to do
}

func (b *busy) waits() { b.from = time.Now() }

// works ends a wait; what was between it and the one before was work.
func (b *busy) works() {
	before := b.to
	b.to = time.Now()
	if before.IsZero() {
		return
	}
	whole, worked := b.to.Sub(before), b.from.Sub(before)
	if whole <= 0 {
		return
	}
	old := math.Float64frombits(b.share.Load())
	weight := 1 - math.Exp(-whole.Seconds()/busyOver.Seconds())
	b.share.Store(math.Float64bits(old + weight*(float64(worked)/float64(whole)-old)))
}

// Busy returns the share of the last second or so for which the loop had something to do, from 0 to 1: who computes beside it holds back
// when that is much.
func (e *Engine) Busy() float64 { return math.Float64frombits(e.busy.share.Load()) }
