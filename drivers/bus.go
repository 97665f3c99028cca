package drivers

import (
	"context"
	"errors"
	"fmt"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// pendingOrders is how many orders may wait for a host. The daemon sends the next one when it has the answer to the last.
const pendingOrders = 64

// ErrBusClosed says that a bus connection has been closed for good.
var ErrBusClosed = errors.New("the bus connection is closed")

// Bus is the little that a host wants of NATS, for one device.
type Bus interface {
	// Links yields true when the bus is reached, now and after each loss, and false when it is lost. It is closed when
	// the bus will never be reached again.
	Links() <-chan bool
	// Hello asks the daemon to accept the driver, and waits for its answer until ctx ends.
	Hello(ctx context.Context, hello *driverv1.Hello) (*driverv1.Welcome, error)
	// Publish sends a status, which may get lost. It does not wait.
	Publish(status *driverv1.Status) error
	// Orders yields the daemon's orders.
	Orders() <-chan Request
}

// Request is an order that waits for its answer.
type Request struct {
	// Order is nil if it could not be read.
	Order *driverv1.Order
	// Err says why it could not be read.
	Err error
	// Answer sends the answer. Call it once.
	Answer func(*driverv1.Answer) error
}

// natsBus is the Bus of one device on a connection that may serve others as well.
type natsBus struct {
	conn     *nats.Conn
	device   string
	sub      *nats.Subscription
	statuses chan nats.Status
	links    chan bool
	orders   chan Request
	binary   atomic.Bool // the daemon reads statuses in binary
	away     elsewhere
}

// newNATSBus subscribes to a device's orders until ctx ends.
func newNATSBus(ctx context.Context, conn *nats.Conn, device string) (*natsBus, error) {
	b := &natsBus{
		conn: conn, device: device, away: elsewhere{conn: conn},
		statuses: conn.StatusChanged(nats.CONNECTED, nats.DISCONNECTED, nats.RECONNECTING, nats.CLOSED),
		links:    make(chan bool),
		orders:   make(chan Request),
	}
	sub, err := conn.Subscribe(OrderSubject(device), func(m *nats.Msg) {
		select {
		case b.orders <- readOrder(m):
		case <-ctx.Done():
		}
	})
	if err == nil {
		err = sub.SetPendingLimits(pendingOrders, pendingOrders*MaxBody)
	}
	if err != nil {
		conn.RemoveStatusListener(b.statuses)
		return nil, fmt.Errorf("subscribe to the orders of %s: %w", device, err)
	}
	b.sub = sub
	go b.watch(ctx)
	return b, nil
}

// watch turns the connection's states into links until ctx ends. It closes links for a closed connection only.
func (b *natsBus) watch(ctx context.Context) {
	defer b.conn.RemoveStatusListener(b.statuses)
	defer func() {
		// It fails only if the connection is closed, and then nothing arrives either.
		_ = b.sub.Unsubscribe()
	}()
	tell := func(up bool) {
		select {
		case b.links <- up:
		case <-ctx.Done():
		}
	}
	if b.conn.IsConnected() {
		tell(true)
	}
	for !b.conn.IsClosed() {
		select {
		case s := <-b.statuses:
			if s != nats.CLOSED {
				tell(s == nats.CONNECTED)
			}
		case <-ctx.Done():
			return
		}
	}
	close(b.links)
}

func (b *natsBus) Links() <-chan bool     { return b.links }
func (b *natsBus) Orders() <-chan Request { return b.orders }

func (b *natsBus) Publish(status *driverv1.Status) error {
	body, err := EncodeBody(status, b.binary.Load())
	if err != nil {
		return err
	}
	return b.conn.Publish(StatusSubject(b.device), body)
}

func (b *natsBus) Hello(ctx context.Context, hello *driverv1.Hello) (*driverv1.Welcome, error) {
	hello.Binary = true
	body, err := EncodeBody(hello, false)
	if err != nil {
		return nil, err
	}
	m, err := b.conn.RequestWithContext(ctx, HelloSubject(b.device), body)
	if err != nil {
		b.away.unheard(time.Now())
		return nil, err
	}
	b.away.heard()
	welcome := new(driverv1.Welcome)
	if err := DecodeBody(m.Data, welcome); err != nil {
		return nil, err
	}
	if welcome.GetError() == "" {
		b.binary.Store(welcome.GetBinary())
	}
	return welcome, nil
}

func readOrder(m *nats.Msg) Request {
	order := new(driverv1.Order)
	err := DecodeBody(m.Data, order)
	answer := func(a *driverv1.Answer) error {
		if m.Reply == "" { // nobody wants to know
			return nil
		}
		body, failed := EncodeBody(a, err == nil && isBinary(m.Data))
		if failed != nil {
			return failed
		}
		return m.Respond(body)
	}
	if err != nil {
		return Request{Err: err, Answer: answer}
	}
	return Request{Order: order, Answer: answer}
}
