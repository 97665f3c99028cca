package drivers

import (
	"context"
	"time"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// Stepping is a driver that can be turned step by step as well: its Run does nothing else.
type Stepping interface {
	Driver
	// Look returns the device's whole status, and the floor time until it is worth another look; below 0: nothing will
	// happen by itself. The error is that with which Run would return.
	Look() (status *driverv1.Status, next time.Duration, err error)
	// Take takes an order.
	Take(order *driverv1.Order)
}

// SteppedBus is what a stepped host wants of the bus. Neither method waits.
type SteppedBus interface {
	// Hello asks the daemon to accept the driver; answered is called later, more than once, or never.
	Hello(hello *driverv1.Hello, answered func(*driverv1.Welcome, error))
	// Publish sends a status, which may get lost.
	Publish(status *driverv1.Status)
}

// Stepped is a host that its owner turns step by step in one goroutine: for simulation, where the same seed must give the
// same day. What it knows, says and refuses is decided by the code that Serve runs.
type Stepped struct {
	host   *Host
	desk   *desk
	talk   *talk
	driver Stepping

	life    int
	serving bool      // a call of the driver is under way
	again   time.Time // when the next one begins; wall
	pause   backoff

	hello greeting  // that waits for its answer
	asked time.Time // when; zero: none waits
}

// NewStepped makes a host for a driver that exists already, as a machine outlives the program that talks to it. lastEpoch is
// that of the host before it, which Serve keeps in StateDir, now the wall clock; below gives chance numbers from 0 to below
// its argument. The environment has a clock.
func NewStepped(kind Kind, env Env, driver Stepping, bus SteppedBus, lastEpoch uint64, now func() time.Time, below func(time.Duration) time.Duration) (*Stepped, error) {
	env, err := env.check()
	if err != nil {
		return nil, err
	}
	h := &Host{kind: kind, env: env, driver: driver, now: now, below: below}
	s := &Stepped{host: h, desk: newDesk(env, kind.Manual, h.newEpoch(lastEpoch)), driver: driver, pause: h.driverPauses()}
	s.talk = newTalk(steppedBus{bus: bus}, s.desk, h)
	s.talk.ask = func(_ context.Context, hello *driverv1.Hello, call int, epoch uint64) {
		g := greeting{call: call, epoch: epoch}
		s.hello, s.asked = g, now()
		bus.Hello(hello, func(w *driverv1.Welcome, err error) {
			if !s.asked.IsZero() && s.hello == g {
				s.asked = time.Time{}
				g.welcome, g.err = w, err
				s.talk.greeted(g)
			}
		})
	}
	return s, nil
}

// steppedBus is a Bus of which a stepped talk only publishes.
type steppedBus struct {
	Bus
	bus SteppedBus
}

func (b steppedBus) Publish(status *driverv1.Status) error {
	b.bus.Publish(status)
	return nil
}

// Step does what is due and returns how long, in wall time, nothing more will be, and how long in floor time; below 0:
// nothing will be by the floor's clock.
func (s *Stepped) Step() (wall, floor time.Duration) {
	now := s.host.now()
	floor = -1
	if !s.asked.IsZero() && now.Sub(s.asked) >= welcomeWithin {
		s.asked = time.Time{}
		s.hello.err = context.DeadlineExceeded
		s.talk.greeted(s.hello)
	}
	if !s.serving && !now.Before(s.again) {
		s.life, s.serving = s.desk.begin(), true
	}
	if s.serving {
		floor = s.serve(now)
	}
	drain(s.desk.more)
	drain(s.desk.wake)
	wall = s.talk.act(context.Background(), now)
	if !s.asked.IsZero() {
		wall = min(wall, s.asked.Add(welcomeWithin).Sub(now))
	}
	if !s.serving {
		wall = min(wall, s.again.Sub(now))
	}
	return wall, floor
}

// serve hands over what waits, looks at the device and reports, until nothing waits.
func (s *Stepped) serve(now time.Time) time.Duration {
	for {
		for next := s.desk.next(); next.order != nil; next = s.desk.next() {
			s.driver.Take(next.order)
			s.desk.handed(next)
		}
		status, next, err := s.driver.Look()
		if err != nil {
			s.serving = false
			s.again = now.Add(s.host.lost(s.desk, s.life, err, &s.pause))
			return -1
		}
		s.desk.report(s.life, status)
		if s.desk.next().order == nil {
			return next
		}
	}
}

func drain(c chan struct{}) {
	select {
	case <-c:
	default:
	}
}

// Epoch returns the present epoch.
func (s *Stepped) Epoch() uint64 { return s.desk.currentEpoch() }

// Link says whether the bus is reached.
func (s *Stepped) Link(up bool) { s.talk.link(up) }

// Order takes an order and returns the answer.
func (s *Stepped) Order(o *driverv1.Order) (answer *driverv1.Answer) {
	s.talk.order(Request{Order: o, Answer: func(a *driverv1.Answer) error {
		answer = a
		return nil
	}})
	return answer
}
