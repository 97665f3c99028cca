package drivertest

import (
	"context"
	"errors"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
)

// Daemon is the daemon's end of a drivers.Bus in memory, for a host under test. It works in virtual time
// (testing/synctest), holds everything the driver has said, and decides nothing.
type Daemon struct {
	links  chan bool
	orders chan drivers.Request

	mu       sync.Mutex
	welcome  func(*driverv1.Hello) (*driverv1.Welcome, error)
	hellos   []*driverv1.Hello
	statuses []Heard
}

// Heard is a status and the time at which it was heard.
type Heard struct {
	At time.Time
	*driverv1.Status
}

// NewDaemon makes a daemon that welcomes every driver, with a period of ten seconds, and is connected.
func NewDaemon() *Daemon {
	d := &Daemon{links: make(chan bool, 16), orders: make(chan drivers.Request)}
	d.Welcome(nil)
	d.Connect(true)
	return d
}

// Welcome sets how the daemon answers a hello; nil: it accepts everybody.
func (d *Daemon) Welcome(answer func(*driverv1.Hello) (*driverv1.Welcome, error)) {
	if answer == nil {
		answer = func(*driverv1.Hello) (*driverv1.Welcome, error) {
			return &driverv1.Welcome{Period: durationpb.New(10 * time.Second), Now: timestamppb.Now(), TimeScale: 1}, nil
		}
	}
	d.mu.Lock()
	defer d.mu.Unlock()
	d.welcome = answer
}

// Connect tells the host that the bus is reached, or lost.
func (d *Daemon) Connect(up bool) { d.links <- up }

// CloseBus tells the host that the bus will never be reached again.
func (d *Daemon) CloseBus() { close(d.links) }

// Links implements drivers.Bus.
func (d *Daemon) Links() <-chan bool { return d.links }

// Orders implements drivers.Bus.
func (d *Daemon) Orders() <-chan drivers.Request { return d.orders }

// Publish implements drivers.Bus.
func (d *Daemon) Publish(s *driverv1.Status) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.statuses = append(d.statuses, Heard{time.Now(), proto.CloneOf(s)})
	return nil
}

// Hello implements drivers.Bus.
func (d *Daemon) Hello(ctx context.Context, h *driverv1.Hello) (*driverv1.Welcome, error) {
	d.mu.Lock()
	d.hellos = append(d.hellos, proto.CloneOf(h))
	answer := d.welcome
	d.mu.Unlock()
	w, err := answer(h)
	if w == nil && err == nil { // no answer at all
		<-ctx.Done()
		err = ctx.Err()
	}
	return w, err
}

// Order sends an order and returns the answer. The epoch is that of the last hello unless the order has one.
func (d *Daemon) Order(o *driverv1.Order) *driverv1.Answer {
	o = proto.CloneOf(o)
	if o.GetEpoch() == 0 {
		hellos := d.Hellos()
		o.Epoch = hellos[len(hellos)-1].GetStatus().GetEpoch()
	}
	return d.Send(drivers.Request{Order: o})
}

// Send sends a request as it is and returns the answer, or nil if there is none within a minute.
func (d *Daemon) Send(r drivers.Request) *driverv1.Answer {
	answers := make(chan *driverv1.Answer, 1)
	r.Answer = func(a *driverv1.Answer) error {
		select {
		case answers <- a:
			return nil
		default:
			return errors.New("answered twice")
		}
	}
	late := time.NewTimer(time.Minute)
	defer late.Stop()
	select {
	case d.orders <- r:
	case <-late.C:
		return nil
	}
	select {
	case a := <-answers:
		return a
	case <-late.C:
		return nil
	}
}

// Grant gives a run.
func (d *Daemon) Grant(g *driverv1.Grant) *driverv1.Answer {
	return d.Order(&driverv1.Order{Kind: &driverv1.Order_Grant{Grant: g}})
}

// Stop asks to stop a run.
func (d *Daemon) Stop(run string, fence uint64) *driverv1.Answer {
	return d.Order(&driverv1.Order{Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: run, Fence: fence}}})
}

// Settle lets a run be forgotten.
func (d *Daemon) Settle(run string, fence uint64) *driverv1.Answer {
	return d.Order(&driverv1.Order{Kind: &driverv1.Order_Settle{Settle: &driverv1.Settle{Run: run, Fence: fence}}})
}

// Hellos returns everything with which the driver has introduced itself.
func (d *Daemon) Hellos() []*driverv1.Hello {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clip(d.hellos)
}

// Statuses returns every status that was published.
func (d *Daemon) Statuses() []Heard {
	d.mu.Lock()
	defer d.mu.Unlock()
	return slices.Clip(d.statuses)
}

// Last returns the last status that was published, or one without anything.
func (d *Daemon) Last() *driverv1.Status {
	all := d.Statuses()
	if len(all) == 0 {
		return new(driverv1.Status)
	}
	return all[len(all)-1].Status
}

// Run returns what the last status says about a run, or nil.
func (d *Daemon) Run(run string) *driverv1.RunStatus { return find(d.Last(), run) }

func find(s *driverv1.Status, run string) *driverv1.RunStatus {
	for _, r := range s.GetRuns() {
		if r.GetRun() == run {
			return r
		}
	}
	return nil
}
