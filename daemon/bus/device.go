package bus

import (
	"context"
	"errors"
	"fmt"
	"time"

	"go.uber.org/zap"
	"golang.org/x/time/rate"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// device is one device's share of the bus: what it has said and what it is to be told.
type device struct {
	bus        *Bus
	id         string
	in         inbox
	out        outbox
	counts     counts
	complaints rate.Sometimes

	// The last word that was taken. Only the inbox's worker touches these, and there is one at a time.
	heard           bool
	epoch, sequence uint64
	last            *driverv1.Status
}

func (b *Bus) newDevice(id string) *device {
	return &device{
		bus:        b,
		id:         id,
		in:         newInbox(b.opts.StatusRate, b.opts.StatusBurst),
		complaints: rate.Sometimes{Interval: complainEvery},
	}
}

// receive takes a message without looking into it. The reader of all devices calls it.
func (d *device) receive(a arrival) {
	d.counts.received.Add(1)
	switch {
	case a.hello && !driverReply(a.reply):
		d.drop(causeReply, 1, errReply)
		return
	case len(a.body) > MaxBody:
		d.drop(causeSize, 1, errTooLarge)
		if a.hello && d.bus.refusals.Allow() {
			d.refuse(a.reply, errTooLarge)
		}
		return
	}
	start, coalesced := d.in.put(a, time.Now())
	if coalesced > 0 {
		d.drop(causeCoalesced, coalesced, errTooMuch)
	}
	if start {
		d.bus.begin(d.work)
	}
}

// work handles messages one by one until none waits.
func (d *device) work() {
	for d.bus.ctx.Err() == nil {
		a, wait, ok := d.in.next(time.Now())
		switch {
		case !ok:
			return
		case wait > 0:
			token := time.NewTimer(wait)
			select {
			case <-token.C:
			case <-d.bus.ctx.Done():
				token.Stop()
			}
		case a.hello:
			d.hello(a)
		default:
			d.status(a)
		}
	}
}

func (d *device) status(a arrival) {
	s, err := decodeStatus(a.body)
	if err != nil {
		d.drop(causeMalformed, 1, err)
		return
	}
	if cause, err := d.stale(s, false); err != nil {
		d.drop(cause, 1, err)
		return
	}
	d.take(s)
	d.bus.handlers.Status(d.id, s)
}

func (d *device) hello(a arrival) {
	h, err := decodeHello(a.body)
	if err != nil {
		d.drop(causeMalformed, 1, err)
		d.refuse(a.reply, err)
		return
	}
	if cause, err := d.stale(h.GetStatus(), true); cause == causeSequence && d.last != nil {
		// A status that was sent after the hello has overtaken it: the driver is no older, and the status is truer.
		h.Status = d.last
	} else if err != nil {
		d.drop(cause, 1, err)
		d.refuse(a.reply, err)
		return
	}
	ctx, cancel := context.WithTimeout(d.bus.ctx, d.bus.opts.HelloTimeout)
	defer cancel()
	welcome := d.bus.handlers.Hello(ctx, d.id, h)
	d.counts.delivered.Add(1)
	switch {
	case welcome == nil:
		d.refuse(a.reply, errNotReady)
		return
	case welcome.GetError() == "":
		// A driver that is not welcome shall not shut out the one that is.
		d.note(h.GetStatus())
	}
	d.bus.welcome(a.reply, welcome)
}

func (d *device) take(s *driverv1.Status) {
	d.counts.delivered.Add(1)
	d.note(s)
}

func (d *device) note(s *driverv1.Status) {
	d.heard, d.epoch, d.sequence, d.last = true, s.GetEpoch(), s.GetSequence(), s
}

var (
	errReply    = fmt.Errorf("a hello must be a request, and its reply subject must lie below %s", driverInbox)
	errTooMuch  = errors.New("more than the permitted rate, or faster than they can be handled: only the newest is kept")
	errNotReady = errors.New("the daemon is not ready: say hello again later")
)

// stale says why a status is not newer than the last one. A hello may repeat the last status, since its answer may
// have been lost.
func (d *device) stale(s *driverv1.Status, hello bool) (cause, error) {
	switch {
	case !d.heard || s.GetEpoch() > d.epoch:
		return 0, nil
	case s.GetEpoch() < d.epoch:
		return causeEpoch, fmt.Errorf("epoch %d is older than %d, with which a driver of %s has spoken since: stop one of "+
			"the two, or start the driver again with a greater epoch", s.GetEpoch(), d.epoch, d.id)
	case s.GetSequence() > d.sequence, hello && s.GetSequence() == d.sequence:
		return 0, nil
	}
	return causeSequence, fmt.Errorf("sequence %d does not follow %d: let it grow with each status and hello",
		s.GetSequence(), d.sequence)
}

// drop counts messages that go no further. Its log line comes at most once a minute.
func (d *device) drop(c cause, n int, why error) {
	d.counts.dropped[c].Add(uint64(n))
	d.complaints.Do(func() {
		d.bus.opts.Log.Warn("messages of a device dropped",
			zap.String("device", d.id),
			zap.Stringer("cause", c),
			zap.String("latest", printable(why.Error())),
			zap.Uint64("received", d.counts.received.Load()),
			zap.Uint64("dropped", d.counts.totalDropped()))
	})
}

func (d *device) refuse(reply string, why error) {
	d.bus.welcome(reply, &driverv1.Welcome{Error: printable(why.Error())})
}
