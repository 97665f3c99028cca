// Package bus is the daemon's side of NATS: the embedded server, and the conversation with drivers over its subjects.
// It takes hello and status from each device in order, drops what is malformed, repeated or too much, and sends orders.
//
// It never decides anything about work, never writes to the ledger (it only runs the server in which the ledger's
// streams live), and never lets one driver slow another down: nothing that arrives is decoded before its device has
// room for it, and whoever says too much is heard at a bounded rate, newest word last. A status is the whole truth
// about its device, so leaving out older ones loses nothing.
package bus

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"github.com/nats-io/nats.go"
	"go.uber.org/zap"
	"golang.org/x/time/rate"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

const (
	// arrivalRoom is how many messages may wait for the reader. The reader only sorts them by device, some million in a
	// second, so the room serves for the moments in which it gets no processor. It is the pending limit of both
	// subscriptions: beyond it NATS drops, which Stats counts as Lost.
	arrivalRoom = 16384

	// labourPause is how long a goroutine waits for another device's work.
	labourPause = time.Second

	// Refusals of what no device owns, together: enough to tell a person what is wrong, too few to be used against us.
	refusalsPerSecond = 20
	refusalBurst      = 50
)

// ErrClosed says that the bus or the server has been closed.
var ErrClosed = errors.New("bus closed")

// Bus talks with the drivers of a floor.
type Bus struct {
	conn     *nats.Conn
	handlers Handlers
	opts     Options
	devices  map[string]*device // never changes
	ids      []string           // in order

	arrivals chan *nats.Msg
	subs     []*nats.Subscription
	refusals *rate.Limiter
	strays   rate.Sometimes // log lines about messages of no device
	stray    strayCounts

	ctx    context.Context // ends with Close
	cancel context.CancelFunc
	reader sync.WaitGroup
	workMu sync.Mutex // guards closed and the start of workers against Close
	closed bool
	work   sync.WaitGroup // one for each device that has something to do, in either direction
	spare  chan func()    // for goroutines that have worked and wait for more
	close  sync.Once
}

// strayCounts are messages that no device of the floor owns.
type strayCounts struct{ badSubject, unknown atomic.Uint64 }

// New begins to listen to the drivers of opts.Devices on conn, which must have the daemon's permissions on the floor's
// account ([Server.FloorConn]). Close ends it; the connection stays open.
func New(conn *nats.Conn, h Handlers, opts Options) (*Bus, error) {
	if h.Hello == nil || h.Status == nil {
		return nil, errors.New("open bus: Handlers needs both Hello and Status")
	}
	opts.setDefaults()
	if err := opts.check(); err != nil {
		return nil, fmt.Errorf("open bus: %w", err)
	}
	b := &Bus{
		conn:     conn,
		handlers: h,
		opts:     opts,
		devices:  make(map[string]*device, len(opts.Devices)),
		arrivals: make(chan *nats.Msg, arrivalRoom),
		spare:    make(chan func()),
		refusals: rate.NewLimiter(refusalsPerSecond, refusalBurst),
		strays:   rate.Sometimes{Interval: complainEvery},
	}
	for _, id := range opts.Devices {
		if !drivers.ValidID(id) {
			return nil, fmt.Errorf("open bus: device id %q: use 1 to 63 lower-case letters, digits and dashes, no dash first", id)
		}
		if b.devices[id] != nil {
			return nil, fmt.Errorf("open bus: device id %q comes twice: give each device its own", id)
		}
		b.devices[id] = b.newDevice(id)
		b.ids = append(b.ids, id)
	}
	slices.Sort(b.ids)
	b.ctx, b.cancel = context.WithCancel(context.Background())
	b.reader.Go(b.read)
	// Both subscriptions share one channel, so that a hello and the status after it stay in the order they were sent.
	for _, subject := range []string{drivers.HelloSubject("*"), drivers.StatusSubject("*")} {
		sub, err := conn.ChanSubscribe(subject, b.arrivals)
		if err != nil {
			b.Close()
			return nil, fmt.Errorf("open bus: subscribe to %s: %w", subject, err)
		}
		b.subs = append(b.subs, sub)
	}
	// After this the server knows the subscriptions: no hello is lost that is sent after New returns.
	if err := conn.FlushTimeout(connectWithin); err != nil {
		b.Close()
		return nil, fmt.Errorf("open bus: %w", err)
	}
	return b, nil
}

// Close stops listening and returns when no handler and no function given to Post runs any more. Orders without an
// answer end with [ErrClosed]. So do not call it from a handler, nor from where a handler waits to be heard.
func (b *Bus) Close() {
	b.close.Do(func() {
		for _, sub := range b.subs {
			// It fails only if the connection is closed, and then nothing arrives either.
			_ = sub.Unsubscribe()
		}
		b.workMu.Lock()
		b.closed = true
		b.workMu.Unlock()
		b.cancel()
	})
	b.reader.Wait()
	b.work.Wait()
}

// begin runs a worker, unless the bus is closed.
func (b *Bus) begin(worker func()) bool {
	b.workMu.Lock()
	defer b.workMu.Unlock()
	if b.closed {
		return false
	}
	select {
	case b.spare <- worker:
	default:
		b.work.Go(func() { b.labour(worker) })
	}
	return true
}

// labour runs a worker, and others after it as long as there is no long pause: a goroutine that has decoded a message has
// the stack for the next one.
func (b *Bus) labour(worker func()) {
	worker()
	pause := time.NewTimer(labourPause)
	defer pause.Stop()
	for {
		select {
		case next := <-b.spare:
			next()
			pause.Reset(labourPause)
		case <-pause.C:
			return
		case <-b.ctx.Done():
			return
		}
	}
}

// read sorts what arrives by device. It must stay cheap and never wait: all drivers share it.
func (b *Bus) read() {
	for {
		select {
		case m := <-b.arrivals:
			b.sort(m)
		case <-b.ctx.Done():
			return
		}
	}
}

func (b *Bus) sort(m *nats.Msg) {
	id, hello := strings.CutPrefix(m.Subject, drivers.HelloSubject(""))
	if !hello {
		id = strings.TrimPrefix(m.Subject, drivers.StatusSubject(""))
	}
	if d := b.devices[id]; d != nil {
		d.receive(arrival{hello: hello, body: m.Data, reply: m.Reply})
		return
	}
	count, reason := &b.stray.unknown, "the floor has no device of this id: correct the driver's device or the floor file"
	if !drivers.ValidID(id) {
		count, reason = &b.stray.badSubject, "the subject's last part is no device id: use 1 to 63 lower-case letters, "+
			"digits and dashes"
	}
	count.Add(1)
	b.strays.Do(func() {
		b.opts.Log.Warn("messages of no device dropped", zap.String("device", printable(id)), zap.String("reason", reason))
	})
	if hello && driverReply(m.Reply) && b.refusals.Allow() {
		b.welcome(m.Reply, &driverv1.Welcome{Error: reason})
	}
}

// driverReply reports whether an answer may be sent to a subject that a driver has chosen. Any other could make the
// daemon, which may publish anything, speak in a place where the driver may not.
func driverReply(subject string) bool { return strings.HasPrefix(subject, driverInbox+".") }

func (b *Bus) welcome(reply string, w *driverv1.Welcome) {
	body, err := encode(w, false)
	if err == nil {
		err = b.conn.Publish(reply, body)
	}
	if err != nil && !errors.Is(err, nats.ErrConnectionClosed) {
		b.opts.Log.Warn("welcome not sent; the driver will ask again", zap.Error(err))
	}
}
