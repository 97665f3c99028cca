package drivers

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	driverv1 "tandem/proto/tandem/driver/v1"
)

// An errand is what the driver has yet to be told: the grant or the stop of a run in hand, or that a run is settled.
type errand struct {
	kind  errandKind
	held  *held // nil for settle
	run   string
	fence uint64
	again int // counts how often it was given, so that a new one is not taken for the one being handed over
}

type errandKind int

const (
	grant errandKind = iota
	stop
	settle
)

func (d *desk) errand(h *held, kind errandKind) {
	d.send(errand{kind: kind, held: h, run: h.run, fence: h.fence})
}

// settle lets the driver forget a run, whether it knows it or not. It is told again when it lists the run again, so
// leaving it out of a full queue does no harm.
func (d *desk) settle(run string, fence uint64) {
	if len(d.errands) < mostErrands {
		d.send(errand{kind: settle, run: run, fence: fence})
	}
}

// send puts an errand at the end of the queue. One that waits there already keeps its place.
func (d *desk) send(e errand) {
	d.errandCount++
	e.again = d.errandCount
	same := func(o errand) bool { return o.kind == e.kind && o.run == e.run && o.fence == e.fence }
	if i := slices.IndexFunc(d.errands, same); i >= 0 {
		d.errands[i] = e
	} else {
		d.errands = append(d.errands, e)
	}
	signal(d.more)
}

// handover is an order as the driver gets it.
type handover struct {
	order  *driverv1.Order // nil: there is nothing to hand over
	errand errand
	stale  time.Duration // floor time until its start is stale; 0: no limit
}

// next returns the errand that is first, as it stands now.
func (d *desk) next() handover {
	d.mu.Lock()
	defer d.mu.Unlock()
	if len(d.errands) == 0 {
		return handover{}
	}
	e := d.errands[0]
	out := handover{errand: e, order: &driverv1.Order{Epoch: d.epoch}}
	switch e.kind {
	case grant:
		g := proto.CloneOf(e.held.grant)
		if g.GetMayStart() && !d.manual {
			limit := g.GetStartBefore()
			if limit != nil {
				out.stale = limit.AsTime().Sub(d.env.Clock.Now()) + 1
			}
			if e.held.heldBack || e.held.stop || limit != nil && out.stale <= 0 {
				g.MayStart = false
				out.stale = 0
			}
		}
		out.order.Kind = &driverv1.Order_Grant{Grant: g}
	case stop:
		out.order.Kind = &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: e.run, Fence: e.fence}}
	case settle:
		out.order.Kind = &driverv1.Order_Settle{Settle: &driverv1.Settle{Run: e.run, Fence: e.fence}}
	}
	return out
}

// handed notes that the driver has got an order.
func (d *desk) handed(o handover) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if h := o.errand.held; h != nil && o.errand.kind == grant {
		h.allowed = h.allowed || o.order.GetGrant().GetMayStart()
	}
	if i := slices.Index(d.errands, o.errand); i >= 0 { // not if it has been given again meanwhile
		d.errands = slices.Delete(d.errands, i, i+1)
	}
}
