package bus

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"github.com/nats-io/nats.go"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

var (
	// ErrNoDriver says that no driver has answered an order. If the error is not also [ErrNoAnswer], no driver of the
	// device is connected and the order has certainly reached nobody.
	ErrNoDriver = errors.New("no driver")
	// ErrNoAnswer is the kind of [ErrNoDriver] in which the time ran out: the driver may have taken the order. Sending
	// it again does no harm, since an order that is repeated changes nothing.
	ErrNoAnswer = fmt.Errorf("%w answered in time", ErrNoDriver)
	// ErrBadAnswer says that a driver has answered with something that is no Answer: it may have taken the order.
	ErrBadAnswer = errors.New("answer not understood")
	// ErrBusy says that too many orders wait for the device already.
	ErrBusy = errors.New("too many orders wait for the device")
	// ErrUnknownDevice says that the floor has no such device.
	ErrUnknownDevice = errors.New("no such device on the floor")
)

// errExpired is the kind of ErrNoDriver in which the time ran out before the order's turn came.
var errExpired = fmt.Errorf("%w has answered the orders before it in time: not sent", ErrNoDriver)

// errCutOff is the kind of ErrNoDriver in which the daemon itself has lost the server and the order has not left.
var errCutOff = fmt.Errorf("%w reached: the bus is being connected again", ErrNoDriver)

// order is one that waits for its turn.
type order struct {
	ctx    context.Context // ends when the order is no longer wanted, at the latest after Options.OrderTimeout
	cancel context.CancelFunc
	sendBy time.Time // later than this its answer could hardly come in time
	body   []byte
	oneWay bool // nobody wants an answer
	done   func(*driverv1.Answer, error)
}

// outbox holds the orders of a device in the order they were given.
type outbox struct {
	mu      sync.Mutex
	waiting []order
	busy    bool // a worker sends
}

// Send gives an order to a device and waits for the answer, until ctx ends or Options.OrderTimeout is over. Its errors
// are ErrUnknownDevice, ErrBusy, ErrNoDriver, ErrNoAnswer, ErrBadAnswer, ErrClosed, and what ended ctx.
func (b *Bus) Send(ctx context.Context, device string, o *driverv1.Order) (*driverv1.Answer, error) {
	type result struct {
		answer *driverv1.Answer
		err    error
	}
	results := make(chan result, 1)
	err := b.post(ctx, device, o, func(a *driverv1.Answer, err error) { results <- result{a, err} })
	if err != nil {
		return nil, err
	}
	select {
	case r := <-results:
		return r.answer, r.err
	case <-ctx.Done():
		// The order may be on its way; or another one before it, and then it will not be sent.
		return nil, orderError(device, ended(ctx))
	}
}

// Post gives an order to a device without waiting. Orders for one device are sent one after another, each when the one
// before is answered or given up; devices do not wait for each other. If Post returns nil, done is called once, from
// another goroutine, with the answer or an error as from Send; done should not block for long, since the device's next
// order waits for it. If Post returns an error, ErrUnknownDevice, ErrBusy, ErrClosed or that the order is too large,
// done is not called.
func (b *Bus) Post(device string, o *driverv1.Order, done func(*driverv1.Answer, error)) error {
	return b.post(b.ctx, device, o, done)
}

func (b *Bus) post(ctx context.Context, device string, o *driverv1.Order, done func(*driverv1.Answer, error)) error {
	d := b.devices[device]
	if d == nil {
		return orderError(printable(device), ErrUnknownDevice)
	}
	body, err := encode(o, d.binary.Load())
	if err != nil {
		return orderError(device, err)
	}
	// A settle has no answer worth waiting for: if it gets lost, the next status lists its run again.
	waiting := order{body: body, done: done, oneWay: o.GetSettle() != nil}
	waiting.ctx, waiting.cancel = context.WithTimeout(ctx, b.opts.OrderTimeout)
	end, _ := waiting.ctx.Deadline()
	waiting.sendBy = end.Add(-time.Until(end) / 10)
	if ctx != b.ctx { // it does not end with the bus by itself
		end, forget := waiting.cancel, context.AfterFunc(b.ctx, waiting.cancel)
		waiting.cancel = func() {
			forget()
			end()
		}
	}
	if err := d.enqueue(waiting); err != nil {
		waiting.cancel()
		return orderError(device, err)
	}
	return nil
}

func (d *device) enqueue(o order) error {
	d.out.mu.Lock()
	defer d.out.mu.Unlock()
	if len(d.out.waiting) >= d.bus.opts.OrderQueue {
		return ErrBusy
	}
	if !d.out.busy && !d.bus.begin(d.send) {
		return ErrClosed
	}
	d.out.busy = true
	d.out.waiting = append(d.out.waiting, o)
	return nil
}

// send sends orders one by one until none waits.
func (d *device) send() {
	for {
		d.out.mu.Lock()
		if len(d.out.waiting) == 0 {
			d.out.waiting = nil
			d.out.busy = false
			d.out.mu.Unlock()
			return
		}
		o := d.out.waiting[0]
		d.out.waiting[0] = order{}
		d.out.waiting = d.out.waiting[1:]
		d.out.mu.Unlock()

		answer, err := d.request(o)
		o.cancel()
		if err != nil {
			err = orderError(d.id, err)
		}
		o.done(answer, err)
	}
}

// request sends one order and waits for its answer. An order that nobody wants any more is not sent.
func (d *device) request(o order) (*driverv1.Answer, error) {
	switch {
	case d.bus.ctx.Err() != nil:
		return nil, ErrClosed
	case time.Now().After(o.sendBy):
		return nil, errExpired
	case d.bus.opts.Leads != nil:
		// Asked at the last moment: this process may have been stopped since the order was given.
		if err := d.bus.opts.Leads(); err != nil {
			return nil, fmt.Errorf("not sent: %w", err)
		}
	}
	if o.oneWay {
		if err := d.bus.conn.Publish(drivers.OrderSubject(d.id), o.body); err != nil {
			return nil, fmt.Errorf("publish: %w", err)
		}
		return &driverv1.Answer{}, nil
	}
	ctx := o.ctx
	m, err := d.bus.conn.RequestWithContext(ctx, drivers.OrderSubject(d.id), o.body)
	switch {
	case err == nil:
	case errors.Is(err, nats.ErrNoResponders):
		return nil, ErrNoDriver
	case errors.Is(err, nats.ErrReconnectBufExceeded):
		return nil, errCutOff
	case d.bus.ctx.Err() != nil:
		return nil, ErrClosed
	case ctx.Err() != nil:
		return nil, ended(ctx)
	default:
		return nil, err
	}
	answer, err := decodeAnswer(m.Data)
	if err != nil {
		d.counts.badAnswers.Add(1)
		return nil, fmt.Errorf("%w: %s", ErrBadAnswer, printable(err.Error()))
	}
	return answer, nil
}

// ended says why an order was given up: ErrNoAnswer if time ran out, else what ended the context.
func ended(ctx context.Context) error {
	if err := ctx.Err(); !errors.Is(err, context.DeadlineExceeded) {
		return err
	}
	return fmt.Errorf("%w: %w", ErrNoAnswer, context.DeadlineExceeded)
}

func orderError(device string, err error) error {
	return fmt.Errorf("order to %s: %w", device, err)
}
