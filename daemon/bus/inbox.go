package bus

import (
	"sync"
	"time"

	"golang.org/x/time/rate"
)

// inboxRoom is how many messages of a device may wait their turn before only the newest is kept.
const inboxRoom = 8

// arrival is a message of a device that has not been decoded.
type arrival struct {
	hello bool
	body  []byte
	reply string // of a hello
}

// inbox holds what a device has said and nobody has taken yet: a few messages in their order, and beyond them or
// beyond the device's rate the newest hello and the newest status. So it is bounded, whoever speaks and however slow
// the listener is, and the last word always comes through.
type inbox struct {
	mu        sync.Mutex
	limiter   *rate.Limiter
	queue     [inboxRoom]arrival // a ring of waiting messages, each of which has paid its token
	head, len int
	hello     *arrival // newest beyond the queue, not paid for yet
	status    *arrival // likewise
	busy      bool     // a worker takes messages
	overRate  time.Time
}

func newInbox(perSecond float64, burst int) inbox {
	return inbox{limiter: rate.NewLimiter(rate.Limit(perSecond), burst)}
}

// put takes a message and reports whether a worker must be started and how many older messages have given way.
func (in *inbox) put(a arrival, now time.Time) (start bool, coalesced int) {
	in.mu.Lock()
	defer in.mu.Unlock()
	// A message may not overtake those that wait beyond the queue.
	crowded := in.hello != nil || in.status != nil || in.len == inboxRoom
	if !crowded && in.limiter.AllowN(now, 1) {
		in.queue[(in.head+in.len)%inboxRoom] = a
		in.len++
	} else {
		if in.limiter.TokensAt(now) < 1 {
			in.overRate = now
		}
		if in.status != nil { // superseded by any message, for a hello contains a status
			coalesced++
			in.status = nil
		}
		newest := &in.status
		if a.hello {
			newest = &in.hello
		}
		if *newest != nil {
			coalesced++
		}
		*newest = &a
	}
	start = !in.busy
	in.busy = true
	return start, coalesced
}

// next returns the message whose turn it is. If that has to wait for a token, next returns how long. If there is none,
// the worker must end.
func (in *inbox) next(now time.Time) (a arrival, wait time.Duration, ok bool) {
	in.mu.Lock()
	defer in.mu.Unlock()
	if in.len > 0 {
		a = in.queue[in.head]
		in.queue[in.head] = arrival{}
		in.head = (in.head + 1) % inboxRoom
		in.len--
		return a, 0, true
	}
	newest := &in.hello // before the status: any status there has come after it
	if *newest == nil {
		newest = &in.status
	}
	if *newest == nil {
		in.busy = false
		return arrival{}, 0, false
	}
	token := in.limiter.ReserveN(now, 1)
	if wait := token.DelayFrom(now); wait > 0 {
		// The newest at that time shall be taken, not the one of now.
		token.CancelAt(now)
		return arrival{}, wait, true
	}
	a, *newest = **newest, nil
	return a, 0, true
}

// floods reports whether the device has been over its rate lately.
func (in *inbox) floods(now time.Time) bool {
	in.mu.Lock()
	defer in.mu.Unlock()
	return !in.overRate.IsZero() && now.Sub(in.overRate) < floodMemory
}
