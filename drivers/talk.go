package drivers

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// All in wall time.
const (
	// firstReportWithin is how long a hello waits for the driver's first report, which says what is in hand.
	firstReportWithin = 5 * time.Second
	// welcomeWithin is a little longer than the daemon takes at most.
	welcomeWithin = 6 * time.Second
	// helloPause to longestHelloPause is how long the host waits before it says hello again.
	helloPause        = 100 * time.Millisecond
	longestHelloPause = 10 * time.Second
	// helloAgain is how often a welcomed driver says hello: a daemon that took over without the connection breaking has
	// not heard one yet, and the clock wants to be told again.
	helloAgain = 30 * time.Second

	defaultPeriod  = 5 * time.Second
	shortestPeriod = 50 * time.Millisecond
	longestPeriod  = time.Hour

	// takenGap is how long a status waits of which only a run is new that was just taken: a driver that knows more by then
	// says it in the same one.
	takenGap = 5 * time.Millisecond
	// progressGap lies between statuses of which only progress is new.
	progressGap = 50 * time.Millisecond
	// No more than changeBurst statuses at once and one in each changeGap sustained, whatever a driver does.
	changeGap   = 25 * time.Millisecond
	changeBurst = 50
)

// talk is the conversation of one host with the daemon. Everything happens in the goroutine of run.
type talk struct {
	bus  Bus
	desk *desk
	host *Host
	log  *zap.Logger

	connected bool
	welcomed  bool
	epoch     uint64    // of which the hello is to be said
	patience  time.Time // when a hello is said without the driver's first report
	helloAt   time.Time // when the next hello is due
	call      int       // counts hellos; an answer to an older one does not count
	calling   bool
	answers   chan greeting
	ask       func(ctx context.Context, hello *driverv1.Hello, call int, epoch uint64) // and answers with greeted
	pause     backoff
	trouble   string // what the log has been told about hellos; empty: they work

	period    time.Duration
	published time.Time
	takenAt   time.Time // since when a status waits of which only a taken run is new; zero: none does
	credit    time.Time // a token bucket: it is full when credit lies changeBurst gaps back
}

// greeting is the answer to a hello.
type greeting struct {
	call    int
	epoch   uint64
	welcome *driverv1.Welcome
	err     error
}

func newTalk(bus Bus, d *desk, h *Host) *talk {
	t := &talk{
		bus: bus, desk: d, host: h, log: h.env.Log, period: defaultPeriod, answers: make(chan greeting),
		pause: backoff{first: helloPause, longest: longestHelloPause, below: h.below},
	}
	t.ask = t.askBeside
	return t
}

func (t *talk) run(ctx context.Context) error {
	timer := time.NewTimer(0)
	defer timer.Stop()
	for {
		timer.Reset(t.act(ctx, t.host.now()))
		select {
		case <-ctx.Done():
			return nil
		case up, ok := <-t.bus.Links():
			switch {
			case ctx.Err() != nil:
				return nil
			case !ok:
				return ErrBusClosed
			}
			t.link(up)
		case request := <-t.bus.Orders():
			t.order(request)
		case answer := <-t.answers:
			t.greeted(answer)
		case <-t.desk.wake:
		case <-timer.C:
		}
	}
}

// act does what is due and returns how long nothing more will be.
func (t *talk) act(ctx context.Context, now time.Time) time.Duration {
	epoch, spoken := t.desk.greeting()
	if epoch != t.epoch {
		t.epoch, t.welcomed = epoch, false
		t.patience, t.helloAt = now.Add(firstReportWithin), now
		t.call++ // the answer to the epoch before no longer counts
		t.calling = false
		t.pause.reset()
	}
	if !t.connected {
		return longestPeriod
	}
	due := longestPeriod
	if !t.calling {
		at := t.helloAt
		if !spoken && t.patience.After(at) {
			at = t.patience
		}
		switch {
		case at.After(now):
		case t.welcomed && t.trouble == "" && !t.desk.reachable(): // it would tell of a device that nobody has met
			t.helloAt = now.Add(helloAgain)
			at = t.helloAt
		default:
			t.hello(ctx)
			at = now.Add(welcomeWithin)
		}
		due = at.Sub(now)
	}
	if t.welcomed {
		at := t.publishAt(now)
		if !at.After(now) {
			t.publish(now)
			at = now.Add(t.period)
		}
		due = min(due, at.Sub(now))
	}
	return due
}

// publishAt says when the next status is due.
func (t *talk) publishAt(now time.Time) time.Time {
	at := t.published.Add(t.period)
	switch t.desk.urgency() {
	case change:
		at = now
	case taken:
		if t.takenAt.IsZero() {
			t.takenAt = now
		}
		at = earlier(at, t.takenAt.Add(takenGap))
	case progress:
		at = earlier(at, t.published.Add(progressGap))
	case nothing:
	}
	if at.Before(t.credit) {
		return t.credit
	}
	return at
}

func earlier(a, b time.Time) time.Time {
	if a.Before(b) {
		return a
	}
	return b
}

func (t *talk) publish(now time.Time) {
	status := t.desk.publish(t.epoch)
	if status == nil {
		return // act looks again at once, and begins with a hello
	}
	t.published, t.takenAt = now, time.Time{}
	t.credit = t.credit.Add(changeGap)
	if full := now.Add(-changeBurst * changeGap); t.credit.Before(full) {
		t.credit = full
	}
	if err := t.bus.Publish(status); err != nil {
		t.log.Debug("status not sent; the next one says it all", zap.Error(err))
	}
}

func (t *talk) link(up bool) {
	t.connected, t.welcomed = up, false
	t.desk.unwelcome()
	t.call++
	t.calling = false
	t.helloAt = t.host.now()
	t.pause.reset()
	if !up {
		t.tell("the bus is lost")
	}
}

// tell logs trouble once, until hellos work again.
func (t *talk) tell(trouble string) {
	if t.trouble == "" {
		t.log.Warn("daemon lost; trying again until it is back", zap.String("trouble", trouble))
	}
	t.trouble = trouble
}

func (t *talk) order(request Request) {
	answer := &driverv1.Answer{}
	if request.Err != nil {
		answer.Refused = notNow(RefusedMalformed, "%s", short(request.Err.Error())).text
	} else {
		answer = t.desk.take(request.Order)
	}
	if answer.GetRefused() != "" {
		t.log.Info("order refused", zap.String("why", answer.GetRefused()))
	}
	if err := request.Answer(answer); err != nil {
		t.log.Debug("answer not sent; the order will come again", zap.Error(err))
	}
	if t.desk.takeHelloAsked() {
		// A hello that still waits for its answer may wait for a daemon that has stopped.
		t.call++
		t.calling = false
		t.helloAt = t.host.now()
	}
	t.renew()
}

// renew begins a new epoch where an order has shown that the present one is too old.
func (t *talk) renew() {
	if after := t.desk.takeOvertaken(); after > 0 {
		t.log.Warn("the daemon knows a greater epoch of this device: the wall clock has been set back, or a second driver runs",
			zap.Uint64("epoch", after))
		t.desk.renew(t.host.newEpoch(after))
	}
}

func (t *talk) hello(ctx context.Context) {
	call, epoch := t.call, t.epoch
	status := t.desk.greet(epoch)
	if status == nil {
		return // act looks again at once
	}
	t.calling = true
	t.ask(ctx, &driverv1.Hello{Status: status, Kind: t.host.kind.Name, Operations: t.host.env.Operations}, call, epoch)
}

// askBeside waits for the answer on a goroutine of its own.
func (t *talk) askBeside(ctx context.Context, hello *driverv1.Hello, call int, epoch uint64) {
	go func() {
		called, cancel := context.WithTimeout(ctx, welcomeWithin)
		defer cancel()
		welcome, err := t.bus.Hello(called, hello)
		select {
		case t.answers <- greeting{call, epoch, welcome, err}:
		case <-ctx.Done():
		}
	}()
}

func (t *talk) greeted(g greeting) {
	if g.call != t.call || g.epoch != t.epoch {
		return
	}
	t.calling = false
	if err := t.accepted(g); err != nil {
		t.tell(err.Error())
		t.helloAt = t.host.now().Add(t.pause.next())
		return
	}
	if t.trouble != "" {
		t.log.Info("daemon is back")
		t.trouble = ""
	}
	t.pause.reset()
	t.helloAt = t.host.now().Add(helloAgain)
	t.desk.welcome(g.epoch, g.welcome)
	if !t.welcomed {
		t.welcomed = true
		t.published = time.Time{} // what has changed since the hello goes out at once
	}
}

// accepted says why the driver is not welcome.
func (t *talk) accepted(g greeting) error {
	switch {
	case errors.Is(g.err, nats.ErrNoResponders):
		return errors.New("no daemon listens")
	case errors.Is(g.err, context.DeadlineExceeded):
		return errors.New("no answer to hello: the daemon is busy or away, or this credential may not speak for the device")
	case g.err != nil:
		return fmt.Errorf("hello: %w", g.err)
	case g.welcome.GetError() != "":
		t.welcomed = false
		t.desk.refusedBy(g.epoch)
		return fmt.Errorf("the daemon does not accept this driver: %s", g.welcome.GetError())
	case t.desk.overruled(g.welcome.GetTerm()):
		return fmt.Errorf("a daemon of term %d has answered, which no longer leads", g.welcome.GetTerm())
	}
	return t.settle(g.welcome)
}
