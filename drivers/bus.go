package drivers

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// MaxBody is the greatest size of a message between daemon and driver, in bytes.
const MaxBody = 64 << 10

// pendingOrders is how many orders may wait for a host. The daemon sends the next one when it has the answer to the last.
const pendingOrders = 64

// ErrBusClosed says that a bus connection has been closed for good.
var ErrBusClosed = errors.New("the bus connection is closed")

// Bus is the little that a host wants of NATS, for one device.
type Bus interface {
	// Links yields true when the bus is reached, now and after each loss, and false when it is lost. It is closed when
	// the bus will never be reached again. A true after a true means that another daemon may be at the other end.
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
	subs     []*nats.Subscription
	greets   chan struct{} // room for one: the daemon asks for a hello
	statuses chan nats.Status
	links    chan bool
	orders   chan Request
}

// newNATSBus subscribes to a device's orders until ctx ends.
func newNATSBus(ctx context.Context, conn *nats.Conn, device string) (*natsBus, error) {
	b := &natsBus{
		conn: conn, device: device,
		statuses: conn.StatusChanged(nats.CONNECTED, nats.DISCONNECTED, nats.RECONNECTING, nats.CLOSED),
		greets:   make(chan struct{}, 1),
		links:    make(chan bool),
		orders:   make(chan Request),
	}
	orders, err := conn.Subscribe(OrderSubject(device), func(m *nats.Msg) {
		select {
		case b.orders <- readOrder(m):
		case <-ctx.Done():
		}
	})
	if err == nil {
		b.subs = append(b.subs, orders)
		err = orders.SetPendingLimits(pendingOrders, pendingOrders*MaxBody)
	}
	if err == nil {
		var greets *nats.Subscription
		if greets, err = conn.Subscribe(GreetSubject(device), func(*nats.Msg) { signal(b.greets) }); err == nil {
			b.subs = append(b.subs, greets)
		}
	}
	if err != nil {
		b.unsubscribe()
		conn.RemoveStatusListener(b.statuses)
		return nil, fmt.Errorf("subscribe to the orders of %s: %w", device, err)
	}
	go b.watch(ctx)
	return b, nil
}

// watch turns the connection's states into links until ctx ends. It closes links for a closed connection only.
func (b *natsBus) watch(ctx context.Context) {
	defer b.conn.RemoveStatusListener(b.statuses)
	defer b.unsubscribe()
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
		case <-b.greets:
			if b.conn.IsConnected() {
				tell(true)
			}
		case <-ctx.Done():
			return
		}
	}
	close(b.links)
}

func (b *natsBus) unsubscribe() {
	for _, sub := range b.subs {
		// It fails only if the connection is closed, and then nothing arrives either.
		_ = sub.Unsubscribe()
	}
}

func (b *natsBus) Links() <-chan bool     { return b.links }
func (b *natsBus) Orders() <-chan Request { return b.orders }

func (b *natsBus) Publish(status *driverv1.Status) error {
	body, err := encode(status)
	if err != nil {
		return err
	}
	return b.conn.Publish(StatusSubject(b.device), body)
}

func (b *natsBus) Hello(ctx context.Context, hello *driverv1.Hello) (*driverv1.Welcome, error) {
	body, err := encode(hello)
	if err != nil {
		return nil, err
	}
	m, err := b.conn.RequestWithContext(ctx, HelloSubject(b.device), body)
	if err != nil {
		return nil, err
	}
	welcome := new(driverv1.Welcome)
	return welcome, decode(m.Data, welcome)
}

func readOrder(m *nats.Msg) Request {
	order := new(driverv1.Order)
	request := Request{Order: order, Answer: func(a *driverv1.Answer) error {
		if m.Reply == "" { // nobody wants to know
			return nil
		}
		body, err := encode(a)
		if err != nil {
			return err
		}
		return m.Respond(body)
	}}
	if err := decode(m.Data, order); err != nil {
		request.Order, request.Err = nil, err
	}
	return request
}

func encode(m proto.Message) ([]byte, error) {
	body, err := protojson.Marshal(m)
	if err != nil {
		return nil, fmt.Errorf("encode %s: %w", m.ProtoReflect().Descriptor().Name(), err)
	}
	if len(body) > MaxBody {
		return nil, fmt.Errorf("encode %s: %d bytes are more than %d", m.ProtoReflect().Descriptor().Name(), len(body), MaxBody)
	}
	return body, nil
}

// decode ignores fields and enum words that it does not know: a newer daemon may have more to say.
func decode(body []byte, m proto.Message) error {
	name := m.ProtoReflect().Descriptor().Name()
	if len(body) > MaxBody {
		return fmt.Errorf("%s of %d bytes: send at most %d", name, len(body), MaxBody)
	}
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(body, m); err != nil {
		return fmt.Errorf("not a %s in protobuf JSON: %w", name, err)
	}
	return nil
}
