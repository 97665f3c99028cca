package bus

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
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

	binary atomic.Bool // the driver that was welcomed last reads orders in binary

	ear Ear // only the inbox's worker touches it, and there is one at a time
}

func (b *Bus) newDevice(id string) *device {
	return &device{
		bus:        b,
		id:         id,
		in:         newInbox(b.opts.StatusRate, b.opts.StatusBurst),
		ear:        Ear{Device: id},
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
	if err := d.ear.Status(s); err != nil {
		d.drop(causeOf(err), 1, err)
		return
	}
	d.counts.delivered.Add(1)
	d.bus.handlers.Status(d.id, s)
}

func (d *device) hello(a arrival) {
	h, err := decodeHello(a.body)
	if err != nil {
		d.drop(causeMalformed, 1, err)
		d.refuse(a.reply, err)
		return
	}
	newest, err := d.ear.Hello(h.GetStatus())
	if err != nil {
		d.drop(causeOf(err), 1, err)
		d.refuse(a.reply, err)
		return
	}
	h.Status = newest
	if !h.GetBinary() {
		d.binary.Store(false) // before the first order that its welcome causes
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
		d.ear.Welcomed(h.GetStatus())
		d.binary.Store(h.GetBinary())
		welcome.Binary = true
	}
	d.bus.welcome(a.reply, welcome)
}

var (
	errReply    = fmt.Errorf("a hello must be a request, and its reply subject must lie below %s", driverInbox)
	errTooMuch  = errors.New("more than the permitted rate, or faster than they can be handled: only the newest is kept")
	errNotReady = errors.New("the daemon is not ready: say hello again later")
)

// drop counts messages that go no further. Its log line comes at most once a minute.
func (d *device) drop(c cause, n int, why error) {
	d.counts.dropped[c].Add(uint64(n))
	if c == causeEpoch {
		d.counts.rival.spoke(time.Now())
	}
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
