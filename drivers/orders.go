package drivers

import (
	"errors"
	"fmt"
	"slices"
	"strings"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// Why an order is refused. Each is how the text of Answer.refused begins.
const (
	RefusedEpoch      = "other epoch"
	RefusedTerm       = "old term"
	RefusedMalformed  = "malformed order"
	RefusedUnwelcomed = "not welcomed yet"
	RefusedOperation  = "unknown operation"
	RefusedStale      = "stale"
	RefusedBusy       = "busy"
	RefusedNotInHand  = "not in hand"
)

// refusal is why an order is not taken.
type refusal struct {
	text string
	// final refusals carry the epoch: the run has not begun, and whatever comes never will. The others are about this
	// moment, or about a run that may have begun.
	final bool
}

func final(kind, format string, args ...any) *refusal {
	return &refusal{kind + ": " + fmt.Sprintf(format, args...), true}
}

func notNow(kind, format string, args ...any) *refusal {
	return &refusal{kind + ": " + fmt.Sprintf(format, args...), false}
}

// take answers an order and notes what the driver must be told of it.
func (d *desk) take(o *driverv1.Order) *driverv1.Answer {
	d.mu.Lock()
	defer d.mu.Unlock()
	r := d.judge(o)
	if r == nil {
		return &driverv1.Answer{Epoch: d.epoch}
	}
	answer := &driverv1.Answer{Refused: r.text}
	if r.final || o.GetEpoch() != d.epoch {
		answer.Epoch = d.epoch
	}
	return answer
}

func (d *desk) judge(o *driverv1.Order) *refusal {
	if o.GetIntroduce() != nil { // from who may know of no epoch yet
		d.term = max(d.term, o.GetTerm()) // a welcome of an earlier one that is still on its way comes too late
		d.helloAsked = true
		return nil
	}
	if o.GetEpoch() != d.epoch {
		if d.refused && o.GetEpoch() > d.epoch && o.GetEpoch() < maxEpoch {
			d.overtaken = o.GetEpoch()
		}
		return notNow(RefusedEpoch, "the order is for epoch %d, this is epoch %d", o.GetEpoch(), d.epoch)
	}
	if d.old(o.GetTerm()) { // a daemon that no longer leads, and has not noticed
		return notNow(RefusedTerm, "the order is of term %d, another daemon leads in term %d", o.GetTerm(), d.term)
	}
	d.term = max(d.term, o.GetTerm())
	switch k := o.GetKind().(type) {
	case *driverv1.Order_Grant:
		if o.GetTerm() > d.metTerm { // whether a start is stale only its clock tells
			d.helloAsked = true
			return notNow(RefusedUnwelcomed, "the daemon of term %d has not answered this driver's hello", o.GetTerm())
		}
		return d.takeGrant(k.Grant)
	case *driverv1.Order_Stop:
		return d.takeStop(k.Stop)
	case *driverv1.Order_Settle:
		return d.takeSettle(k.Settle)
	}
	return notNow(RefusedMalformed, "it is no grant, stop, settle or introduce")
}

func (d *desk) takeGrant(g *driverv1.Grant) *refusal {
	if err := checkGrant(g); err != nil {
		return final(RefusedMalformed, "%v", err)
	}
	if h := d.find(g.GetRun()); h != nil {
		return d.takeAgain(h, g)
	}
	if !d.welcomed {
		return notNow(RefusedUnwelcomed, "the daemon has not answered this driver's hello")
	}
	seen := d.seenFence
	busy, live := d.live()
	var r *refusal
	switch f := d.gone.fate(g.GetRun()); {
	case f > never:
		return notNow(RefusedStale, "run %s was in hand before", g.GetRun())
	case len(d.errands) >= mostErrands:
		return notNow(RefusedBusy, "the driver has taken none of its last %d orders", len(d.errands))
	case f == never:
		r = final(RefusedStale, "run %s has been refused or stopped before", g.GetRun())
	case g.GetFence() < d.minFence:
		r = final(RefusedStale, "fence %d of run %s is older than %d", g.GetFence(), g.GetRun(), d.minFence)
	case d.env.Capacity == 1 && g.GetFence() <= seen:
		r = final(RefusedStale, "fence %d of run %s is not newer than %d", g.GetFence(), g.GetRun(), seen)
	case !slices.Contains(d.env.Operations, g.GetOperation()):
		r = final(RefusedOperation, "%s cannot %q", d.env.Device, g.GetOperation())
	case live >= d.env.Capacity && d.manual:
		// People put things there and take them away, and the daemon hears it first: it settles what is over, and asks again.
		return notNow(RefusedBusy, "busy with %s", busy)
	case live >= d.env.Capacity:
		r = final(RefusedBusy, "busy with %s", busy)
	}
	d.seenFence = max(seen, g.GetFence())
	if r != nil {
		d.gone.add(g.GetRun(), never)
		return r
	}
	h := &held{run: g.GetRun(), fence: g.GetFence(), grant: g, status: &driverv1.RunStatus{
		Run: g.GetRun(), Fence: g.GetFence(), State: tandemv1.JobState_JOB_STATE_PENDING,
	}}
	d.put(h) // there is room: no more than capacity are live
	d.errand(h, grant)
	d.note(taken)
	return nil
}

// takeAgain takes a grant whose run is in hand.
func (d *desk) takeAgain(h *held, g *driverv1.Grant) *refusal {
	if h.fence != g.GetFence() {
		return notNow(RefusedStale, "run %s is in hand with fence %d", h.run, h.fence)
	}
	d.note(change) // the daemon wants to hear of it
	if h.ended() || proto.Equal(h.grant, g) {
		return nil
	}
	if newStart(h.grant, g) {
		h.heldBack = false
	}
	h.grant = g
	h.dropped = false
	d.errand(h, grant)
	return nil
}

// newStart says whether a grant gives a start that the one before did not give. The same start, sent again, is none.
func newStart(before, g *driverv1.Grant) bool {
	later := func(a, b *timestamppb.Timestamp) bool { return a != nil && (b == nil || a.AsTime().After(b.AsTime())) }
	return g.GetMayStart() && (!before.GetMayStart() ||
		later(g.GetStartBefore(), before.GetStartBefore()) || later(g.GetStartTime(), before.GetStartTime()))
}

func (d *desk) takeStop(s *driverv1.Stop) *refusal {
	if !ValidID(s.GetRun()) {
		return final(RefusedMalformed, "stop.run %q is no id", short(s.GetRun()))
	}
	h := d.find(s.GetRun())
	if h == nil || h.fence != s.GetFence() {
		text := fmt.Sprintf("run %s with fence %d", s.GetRun(), s.GetFence())
		if h != nil || !d.spoken || d.gone.fate(s.GetRun()) > never {
			return notNow(RefusedNotInHand, "%s", text)
		}
		d.gone.add(s.GetRun(), never)
		return final(RefusedNotInHand, "%s", text)
	}
	d.note(change)
	switch {
	case h.ended():
	case h.dropped: // the driver knows nothing of it, so nobody else can end it
		h.status.State = tandemv1.JobState_JOB_STATE_CANCELED
		h.status.EndTime = timestamppb.New(d.env.Clock.Now())
	case !h.stop:
		h.stop = true
		d.errand(h, stop)
	}
	return nil
}

func (d *desk) takeSettle(s *driverv1.Settle) *refusal {
	if !ValidID(s.GetRun()) {
		return final(RefusedMalformed, "settle.run %q is no id", short(s.GetRun()))
	}
	h := d.find(s.GetRun())
	if h != nil && h.fence != s.GetFence() {
		return nil // of another grant, which is not in hand
	}
	if h != nil {
		d.remove(h) // the daemon knows that it has ended: the next status is soon enough
	}
	d.gone.add(s.GetRun(), settled)
	d.settle(s.GetRun(), s.GetFence())
	return nil
}

// checkGrant refuses what no driver should have to fear, and names the field and the remedy.
func checkGrant(g *driverv1.Grant) error {
	const remedy = "use 1 to 63 lower-case letters, digits and dashes, no dash first"
	switch {
	case !ValidID(g.GetRun()):
		return fmt.Errorf("grant.run %q: %s", short(g.GetRun()), remedy)
	case g.GetFence() == 0:
		return errors.New("grant.fence is missing: count from 1")
	case g.GetJob() != "" && !ValidID(g.GetJob()):
		return fmt.Errorf("grant.job %q: %s", short(g.GetJob()), remedy)
	case g.GetStep() != "" && !ValidID(g.GetStep()):
		return fmt.Errorf("grant.step %q: %s", short(g.GetStep()), remedy)
	case !ValidID(g.GetOperation()):
		return fmt.Errorf("grant.operation %q: %s", short(g.GetOperation()), remedy)
	case g.GetPieces() < 0:
		return fmt.Errorf("grant.pieces is %d: count from 0", g.GetPieces())
	case g.GetWidthUm() < 0 || g.GetLengthUm() < 0 || g.GetPathLengthUm() < 0:
		return errors.New("a length of the grant is below 0: give micrometres")
	case g.GetExpectedSetup().AsDuration() < 0 || g.GetExpectedWork().AsDuration() < 0:
		return errors.New("an expected time of the grant is below 0: give a duration")
	}
	return nil
}

// short keeps foreign words from filling an answer.
func short(s string) string { return strings.ToValidUTF8(s[:min(len(s), 200)], "") }
