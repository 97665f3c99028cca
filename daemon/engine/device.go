package engine

import (
	"context"
	"errors"
	"slices"
	"time"

	"go.uber.org/zap"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// sendAgainAfter is how long, in wall time, an order is given to have its effect before it is sent again.
const sendAgainAfter = time.Second

// askAgain is how long, in wall time, a driver that was not ready for an order is given: its welcome may be on the way.
const askAgain = 50 * time.Millisecond

// silentPeriods is the number of periods after which a silent driver is lost.
const silentPeriods = 3

// orderKey names an order; the same run may be granted again with its start allowed.
type orderKey struct {
	run      string
	kind     string
	mayStart bool
}

// Greeting is what a driver that is welcome has to know: no order of an older fence or of an older term is good any more.
type Greeting struct{ MinFence, Term uint64 }

// Hello takes a driver's hello. The error is *floor.Error if the driver is refused.
func (e *Engine) Hello(ctx context.Context, device string, s *driverv1.Status) (g Greeting, err error) {
	in := word(device, s, floor.Greet{Device: device, Status: s})
	in.then = func() { g = e.greeting(device, s) }
	_, err = e.call(ctx, in)
	return g, err
}

// greeting answers a driver. The least fence that a new run of its device can have: of those that live, one that the device has in
// hand is not granted anew, nor is one whose outcome nobody knows. So once a ledger has been restored from a backup, grants given in
// between, by a daemon that may still run somewhere, are refused.
func (e *Engine) greeting(device string, s *driverv1.Status) Greeting {
	g := Greeting{MinFence: e.floor.LastFence(), Term: e.floor.Term}
	d, ok := e.floor.Device(device)
	if !ok {
		return g
	}
	for _, r := range d.Live {
		inHand := slices.ContainsFunc(s.GetRuns(), func(rs *driverv1.RunStatus) bool { return rs.GetRun() == r.ID && rs.GetFence() == r.Fence })
		if !inHand && !r.Unknown() {
			g.MinFence = min(g.MinFence, r.Fence)
		}
	}
	return g
}

// Status takes a driver's status. The error is *floor.Error with Kind floor.Stale if the driver must say hello first.
func (e *Engine) Status(ctx context.Context, device string, s *driverv1.Status) error {
	_, err := e.call(ctx, word(device, s, floor.Report{Device: device, Status: s}))
	return err
}

func word(device string, s *driverv1.Status, c floor.Command) *input {
	return &input{meta: floor.Meta{Actor: "driver:" + device}, command: c, device: device, status: s}
}

// hear notes what a driver has said, for the orders it still needs.
func (e *Engine) hear(t *turn, in *input) {
	e.heard[in.device] = e.opt.Wall.Now()
	e.status[in.device] = in.status
	t.heard = append(t.heard, in.device)
	if _, hello := in.command.(floor.Greet); !hello {
		return
	}
	// A driver that has just introduced itself gets its orders at once, even if they were sent a moment ago.
	if d, ok := e.floor.Device(in.device); ok {
		for _, r := range d.Live {
			delete(e.sent, orderKey{r.ID, "grant", false})
			delete(e.sent, orderKey{r.ID, "grant", true})
			delete(e.sent, orderKey{r.ID, "stop", false})
		}
	}
}

// hearAll gives every device a fresh start of its silence.
func (e *Engine) hearAll() {
	now := e.opt.Wall.Now()
	for _, d := range e.floor.Devices {
		e.heard[d.ID] = now
	}
}

// loseSilent tells the floor of drivers that have been silent for too long.
func (e *Engine) loseSilent(t *turn) {
	for _, d := range slices.Clone(e.floor.Devices) {
		if d.Link == tandemv1.Link_LINK_OFFLINE || d.Retired && len(d.Live) == 0 {
			continue
		}
		if at, ok := e.heard[d.ID]; ok && e.since(at) <= silentPeriods*e.opt.Period {
			continue
		} else if !ok { // new in the floor file
			e.heard[d.ID] = e.opt.Wall.Now()
			continue
		}
		e.log.Warn("driver silent", zap.String("device", d.ID))
		if err := e.decide(t, floor.Meta{Actor: "daemon"}, floor.LoseDevice{Device: d.ID}); err != nil {
			e.log.Error("lose device", zap.String("device", d.ID), zap.Error(err))
		}
	}
}

// concerned returns the devices that a turn was about, each once: their orders may have changed.
func (e *Engine) concerned(t *turn) []*floor.Device {
	f := e.floor
	var out []*floor.Device
	seen := map[*floor.Device]bool{}
	add := func(d *floor.Device, ok bool) {
		if ok && !seen[d] {
			seen[d] = true
			out = append(out, d)
		}
	}
	for _, id := range t.heard {
		add(f.Device(id))
	}
	addRun := func(id string) {
		if r, ok := f.Run(id); ok {
			add(r.Device, true)
		}
	}
	for _, ev := range t.events {
		switch k := ev.GetKind().(type) {
		case *ledgerv1.Event_RunGranted:
			addRun(k.RunGranted.GetRun().GetId())
		case *ledgerv1.Event_RunAllowed:
			addRun(k.RunAllowed.GetRun())
		case *ledgerv1.Event_RunStopping:
			addRun(k.RunStopping.GetRun())
		case *ledgerv1.Event_RunChanged:
			addRun(k.RunChanged.GetRun())
		case *ledgerv1.Event_RunResolved:
			addRun(k.RunResolved.GetRun())
		case *ledgerv1.Event_DeviceGreeted:
			add(f.Device(k.DeviceGreeted.GetDevice()))
		case *ledgerv1.Event_StrayReported:
			add(f.Device(k.StrayReported.GetDevice()))
		}
	}
	return out
}

// sendOrders tells devices what they still have to be told.
func (e *Engine) sendOrders(devices []*floor.Device, now time.Time) {
	for _, d := range devices {
		for _, o := range e.floor.Orders(d, e.status[d.ID], now) {
			key := keyOf(o)
			if at, ok := e.sent[key]; ok && e.since(at) < sendAgainAfter {
				continue
			}
			e.sent[key] = e.opt.Wall.Now()
			o.Term = e.floor.Term
			e.opt.Send(d.ID, o, func(a *driverv1.Answer, err error) { e.answered(d.ID, o, a, err) })
		}
	}
}

// notGreeted says whether a status was refused because its driver has not said hello in this term.
func notGreeted(err error) bool {
	refused, ok := errors.AsType[*floor.Error](err)
	return ok && refused.Reason == floor.NotGreeted
}

// askHellos asks drivers for a hello that have none in mind: their connection has outlived the daemon that they know.
func (e *Engine) askHellos(t *turn) {
	for _, in := range t.strangers {
		o := &driverv1.Order{Epoch: in.status.GetEpoch(), Term: e.floor.Term, Kind: &driverv1.Order_Introduce{Introduce: &driverv1.Introduce{}}}
		e.opt.Send(in.device, o, func(_ *driverv1.Answer, err error) {
			if err != nil {
				e.log.Debug("hello asked for in vain", zap.String("device", in.device), zap.Error(err))
			}
		})
	}
}

func keyOf(o *driverv1.Order) orderKey {
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		return orderKey{k.Grant.GetRun(), "grant", k.Grant.GetMayStart()}
	case *driverv1.Order_Stop:
		return orderKey{k.Stop.GetRun(), "stop", false}
	case *driverv1.Order_Settle:
		return orderKey{k.Settle.GetRun(), "settle", false}
	}
	return orderKey{}
}

// forgetOldSent keeps the note of what was sent from growing.
func (e *Engine) forgetOldSent() {
	for key, at := range e.sent {
		if e.since(at) > sendAgainAfter {
			delete(e.sent, key)
		}
	}
}

// sendAgain repeats what a device still has to be told, one order that it was not ready for included.
func (e *Engine) sendAgain(device string, key orderKey) {
	e.post(&input{ask: func() {
		delete(e.sent, key)
		if d, ok := e.floor.Device(device); ok {
			e.sendOrders([]*floor.Device{d}, e.now())
		}
	}}, func(reply) {}) // an engine that has stopped has nothing to send
}

// answered takes a driver's answer to an order. Only a refusal by the very epoch that was asked says that a run has not
// been, and will not be, begun.
func (e *Engine) answered(device string, o *driverv1.Order, a *driverv1.Answer, err error) {
	if err != nil {
		e.log.Debug("order not answered", zap.String("device", device), zap.Error(err))
		return
	}
	if a.GetRefused() == "" {
		return
	}
	e.log.Info("order refused", zap.String("device", device), zap.String("reason", a.GetRefused()))
	if a.GetEpoch() != o.GetEpoch() {
		e.opt.Wall.AfterFunc(askAgain, func() { e.sendAgain(device, keyOf(o)) })
		return
	}
	var c floor.Command
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		c = floor.RefuseRun{Run: k.Grant.GetRun(), Reason: a.GetRefused()}
	case *driverv1.Order_Stop:
		c = floor.StopRefused{Run: k.Stop.GetRun()}
	default:
		return
	}
	e.post(&input{meta: floor.Meta{Actor: "driver:" + device}, command: c}, func(r reply) {
		if r.err != nil && !errors.Is(r.err, ErrStopped) {
			e.log.Warn("refusal not recorded", zap.String("device", device), zap.Error(r.err))
		}
	})
}
