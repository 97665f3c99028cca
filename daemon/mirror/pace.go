package mirror

import (
	"context"
	"time"
)

// breath is how long a computation goes on at a time. It is what the engine may have to wait for a core if there is but one, and short
// against what a record takes to be stored; a sleep costs a hundredth of it.
const breath = time.Millisecond

// Pace lets those who compute beside the engine take turns, so that all of them together need one core at most, and rest in
// between: a goroutine of the engine that has something to do finds a core to do it on, and the network is listened to. The zero
// Pace is not ready: use NewPace.
type Pace struct {
	turn chan struct{}  // holds a token while somebody computes
	busy func() float64 // see NewPace
}

// least is what is left of a share, however busy the engine is.
const least = 1. / 8

// NewPace returns a pace that nobody keeps yet. The busier the engine is, from 0 to 1, the smaller is everybody's share.
func NewPace(busy func() float64) *Pace { return &Pace{turn: make(chan struct{}, 1), busy: busy} }

// Begin waits for its turn to compute, which takes no more than a share of one core: duty, above 0 and at most 1, while the engine has
// nothing to do. End gives the turn back.
func (p *Pace) Begin(ctx context.Context, duty float64) (*Stint, error) {
	s := &Stint{pace: p, duty: duty}
	return s, s.take(ctx)
}

// Stint is a computation under way. It belongs to one goroutine.
type Stint struct {
	pace  *Pace
	duty  float64
	has   bool // the turn
	since time.Time
	spent time.Duration
}

func (s *Stint) take(ctx context.Context) error {
	select {
	case s.pace.turn <- struct{}{}:
		s.has, s.since = true, time.Now()
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// Breathe is called again and again by whoever computes: it rests when it is time to, and lets others have their turn. The error is
// that of ctx.
func (s *Stint) Breathe(ctx context.Context) error {
	if !s.has {
		return ctx.Err() // it ended meanwhile
	}
	worked := time.Since(s.since)
	if worked < breath {
		return ctx.Err()
	}
	s.End()
	duty := s.duty * max(1-s.pace.busy(), least)
	Rest(ctx, time.Duration(float64(worked)*(1/duty-1)))
	if ctx.Err() != nil {
		return ctx.Err()
	}
	return s.take(ctx)
}

// End gives the turn back; more than once is as good as once.
func (s *Stint) End() {
	if s.has {
		s.spent += time.Since(s.since)
		s.has = false
		<-s.pace.turn
	}
}

// Spent returns how long it has computed, without rests.
func (s *Stint) Spent() time.Duration {
	if !s.has {
		return s.spent
	}
	return s.spent + time.Since(s.since)
}
