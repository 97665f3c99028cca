package livecheck

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"time"

	"github.com/nats-io/nats.go"
	"google.golang.org/protobuf/encoding/protojson"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// period is how often the driver is asked to repeat its status.
	period = 500 * time.Millisecond
	// answerWithin is what the daemon waits for an answer to an order.
	answerWithin = 5 * time.Second
	// mostKept bounds what is remembered of a driver that talks too much.
	mostKept = 10_000
)

// heard is a status and when it came.
type heard struct {
	*driverv1.Status
	at time.Time
}

// peer is the daemon's end of the conversation with one driver.
type peer struct {
	device string
	conn   *nats.Conn
	subs   []*nats.Subscription

	mu       sync.Mutex
	changed  chan struct{} // closed at each message
	term     uint64
	hellos   []*driverv1.Hello
	statuses []heard
	count    int   // of statuses, kept or not
	broken   error // the first message that cannot be read
}

func newPeer(device string) *peer {
	return &peer{device: device, term: firstTerm, changed: make(chan struct{})}
}

// listen hears the driver on a connection, and answers its hellos.
func (p *peer) listen(conn *nats.Conn) error {
	p.leave()
	p.conn = conn
	hello, err := conn.Subscribe(drivers.HelloSubject(p.device), p.hello)
	if err != nil {
		return fmt.Errorf("listen to hellos: %w", err)
	}
	status, err := conn.Subscribe(drivers.StatusSubject(p.device), p.status)
	if err != nil {
		return fmt.Errorf("listen to statuses: %w", err)
	}
	p.subs = []*nats.Subscription{hello, status}
	if err := conn.FlushTimeout(answerWithin); err != nil {
		return fmt.Errorf("reach the bus: %w", err)
	}
	return nil
}

// leave stops listening. A connection that is closed listens no more anyhow.
func (p *peer) leave() {
	for _, sub := range p.subs {
		_ = sub.Unsubscribe()
	}
	p.subs = nil
}

// told takes a message in and wakes whoever waits.
func (p *peer) told(m *nats.Msg, into proto.Message, note func()) {
	err := protojson.UnmarshalOptions{DiscardUnknown: true}.Unmarshal(m.Data, into)
	p.mu.Lock()
	defer p.mu.Unlock()
	switch {
	case err != nil:
		p.broken = errors.Join(p.broken, fmt.Errorf("on %s it says %.200q: %w", m.Subject, m.Data, err))
	case len(m.Data) > drivers.MaxBody:
		p.broken = errors.Join(p.broken, fmt.Errorf("on %s it says %d bytes, more than %d", m.Subject, len(m.Data), drivers.MaxBody))
	default:
		note()
	}
	close(p.changed)
	p.changed = make(chan struct{})
}

func (p *peer) hello(m *nats.Msg) {
	h := new(driverv1.Hello)
	p.told(m, h, func() { p.hellos = append(p.hellos, h) })
	p.mu.Lock()
	w := &driverv1.Welcome{
		Period: durationpb.New(period), Now: timestamppb.Now(), TimeScale: 1, MinFence: firstFence, Term: p.term,
	}
	p.mu.Unlock()
	body, err := drivers.EncodeBody(w, false)
	if err == nil {
		err = m.Respond(body)
	}
	if err != nil {
		p.mu.Lock()
		p.broken = errors.Join(p.broken, fmt.Errorf("its hello cannot be answered: %w", err))
		p.mu.Unlock()
	}
}

func (p *peer) status(m *nats.Msg) {
	s := new(driverv1.Status)
	p.told(m, s, func() {
		p.count++
		p.statuses = append(p.statuses, heard{s, time.Now()})
		if len(p.statuses) > mostKept {
			p.statuses = slices.Delete(p.statuses, 0, len(p.statuses)-mostKept/2)
		}
	})
}

// wait waits until what was heard fulfils a condition, which is asked under the peer's lock.
func (p *peer) wait(ctx context.Context, within time.Duration, what string, holds func() bool) error {
	late := time.NewTimer(within)
	defer late.Stop()
	for {
		p.mu.Lock()
		ok, changed, last := holds(), p.changed, p.last()
		p.mu.Unlock()
		if ok {
			return nil
		}
		select {
		case <-changed:
		case <-ctx.Done():
			return ctx.Err()
		case <-late.C:
			return fmt.Errorf("not within %s: %s; its last status is %v", within, what, last)
		}
	}
}

// last is the status that came last. The lock is held.
func (p *peer) last() *driverv1.Status {
	if len(p.statuses) > 0 {
		return p.statuses[len(p.statuses)-1].Status
	}
	if len(p.hellos) > 0 {
		return p.hellos[len(p.hellos)-1].GetStatus()
	}
	return nil
}

// run is what the last status says of a run; nil: nothing. The lock is held.
func (p *peer) run(id string) *driverv1.RunStatus { return find(p.last(), id) }

func find(s *driverv1.Status, id string) *driverv1.RunStatus {
	at := slices.IndexFunc(s.GetRuns(), func(r *driverv1.RunStatus) bool { return r.GetRun() == id })
	if at < 0 {
		return nil
	}
	return s.GetRuns()[at]
}

// now is the last status, for those who do not hold the lock.
func (p *peer) now() *driverv1.Status {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.last()
}

// statusCount is how many statuses have come.
func (p *peer) statusCount() int {
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.count
}

// order gives an order of this epoch and term, unless it names others, and waits for the answer.
func (p *peer) order(ctx context.Context, o *driverv1.Order) (*driverv1.Answer, error) {
	p.mu.Lock()
	if o.GetEpoch() == 0 {
		o.Epoch = p.last().GetEpoch()
	}
	if o.GetTerm() == 0 {
		o.Term = p.term
	}
	p.mu.Unlock()
	body, err := drivers.EncodeBody(o, false)
	if err != nil {
		return nil, err
	}
	return p.send(ctx, body)
}

// send gives an order as it is.
func (p *peer) send(ctx context.Context, body []byte) (*driverv1.Answer, error) {
	ctx, cancel := context.WithTimeout(ctx, answerWithin)
	defer cancel()
	m, err := p.conn.RequestWithContext(ctx, drivers.OrderSubject(p.device), body)
	if err != nil {
		return nil, fmt.Errorf("an order has no answer: %w (%.200s)", err, body)
	}
	a := new(driverv1.Answer)
	if err := (protojson.UnmarshalOptions{DiscardUnknown: true}).Unmarshal(m.Data, a); err != nil {
		return nil, fmt.Errorf("the answer %.200q to an order cannot be read: %w", m.Data, err)
	}
	return a, nil
}

// settle says that the end of a run is recorded. It has no answer.
func (p *peer) settle(run string, fence uint64) error {
	p.mu.Lock()
	o := &driverv1.Order{Epoch: p.last().GetEpoch(), Term: p.term, Kind: &driverv1.Order_Settle{Settle: &driverv1.Settle{Run: run, Fence: fence}}}
	p.mu.Unlock()
	body, err := drivers.EncodeBody(o, false)
	if err != nil {
		return err
	}
	return p.conn.Publish(drivers.OrderSubject(p.device), body)
}

func ended(r *driverv1.RunStatus) bool { return r != nil && drivers.Ended(r.GetState()) }

func begun(r *driverv1.RunStatus) bool {
	return r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING || r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED ||
		r.GetStartTime() != nil || r.GetPiecesGood()+r.GetPiecesSpoiled() > 0
}
