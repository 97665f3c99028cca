// Package dispatch chooses which waiting step goes to which device when a device frees up or a step becomes ready.
//
// The rule: of the steps a free device could do, the one with the greatest ATCS index goes first (weight, processing time,
// slack and changeover; Lee, Bhaskaran and Pinedo 1997, from memory), and it goes to the device that would complete it
// earliest, counting work under way and changeovers. A step that a busy, faster device would still complete earlier is left
// for that device. A panel that is still loaded on a combined device is finished there first.
//
// The package is pure: it reads the floor, keeps an index over its waiting steps, and changes nothing. Every grant carries
// the figures that decided.
package dispatch

import (
	"fmt"
	"math"
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Dispatcher chooses the next grant. It belongs to one floor and to the goroutine that owns it.
type Dispatcher interface {
	// Next returns the grant to make now, or false if there is none until the floor changes or Wake has passed.
	Next(f *floor.Floor, now time.Time) (floor.Grant, bool)
	// Wake returns when time alone may make a grant possible; the zero time if it will not.
	Wake() time.Time
}

// Rule is an order of preference among waiting steps.
type Rule int

// The rules.
const (
	// EarliestCompletion is the default: greatest ATCS index first, to the device that completes it earliest.
	EarliestCompletion Rule = iota
	// FirstFree gives the oldest waiting step to whichever device frees up first. It is what a shop without a
	// scheduler does, and the measure others are compared with.
	FirstFree
)

// String returns the rule in words, as recorded with a grant.
func (r Rule) String() string {
	if r == FirstFree {
		return "oldest step to the first free device"
	}
	return "greatest ATCS index first, to the device that completes it earliest"
}

// Scaling of the ATCS index: how much slack, and how much changeover, weighs against urgency; larger means less influence.
// Lee, Bhaskaran and Pinedo work both out from how tight the due times are, how far they lie apart and how long changeovers
// take (from memory). Here they are fixed: on the shop of package study, at three loads and on seeds other than those it
// reports, these were among the best at every load. With slack reckoned to the end of the job, less of it is taken for
// granted than the literature's 4 would.
const (
	slackScale      = 1.5
	changeoverScale = 0.5
)

// lookahead bounds how many steps a free device leaves to others in one decision. If even then none is best done on it, so
// much waits that leaving the device idle would help nobody: it takes the one on which the least is lost.
const lookahead = 16

// mostCandidates bounds the devices recorded with a grant.
const mostCandidates = 12

// Dispatch is the Dispatcher of this package.
type Dispatch struct {
	rule  Rule
	index *index
	idle  bool      // the last look found nothing, and nothing has changed since
	again time.Time // look again at this time at the latest
}

// New returns a dispatcher with that rule.
func New(rule Rule) *Dispatch { return &Dispatch{rule: rule, index: newIndex(rule)} }

// Wake implements Dispatcher.
func (p *Dispatch) Wake() time.Time {
	w := p.index.wake()
	if w.IsZero() || (!p.again.IsZero() && p.again.Before(w)) {
		return p.again
	}
	return w
}

// Waiting returns the steps that wait for a device right now.
func (p *Dispatch) Waiting() int { return p.index.size }

// Next implements Dispatcher.
func (p *Dispatch) Next(f *floor.Floor, now time.Time) (floor.Grant, bool) {
	if p.index.sync(f, now) {
		p.idle = false
	}
	if p.idle && (p.again.IsZero() || now.Before(p.again)) {
		return floor.Grant{}, false
	}
	p.again = time.Time{}
	for _, d := range f.Devices {
		if ok, _ := d.Available(); !ok {
			continue
		}
		if g, ok := p.forDevice(d, now); ok {
			p.idle = false
			return g, true
		}
	}
	p.idle = true
	return floor.Grant{}, false
}

// forDevice returns a grant that uses the free device d, or hands the step d would take to a free device that completes it
// earlier still.
func (p *Dispatch) forDevice(d *floor.Device, now time.Time) (floor.Grant, bool) {
	if s := loadedNext(d, now); s != nil {
		return p.grant(s, d, now, "the panel is still loaded on "+d.ID, 0), true
	}
	groups := p.index.byDevice[d]
	if len(groups) == 0 {
		return floor.Grant{}, false
	}
	var passed []*entry
	defer func() {
		for _, e := range passed {
			e.group.push(e, now)
		}
	}()
	promised := map[*floor.Device]time.Time{}
	var least struct {
		entry *entry
		value float64
		loss  time.Duration
	}
	for range lookahead {
		e, value := p.best(groups, d, now)
		if e == nil {
			return floor.Grant{}, false
		}
		if until := e.step.RefusedUntil(d.ID); now.Before(until) {
			p.lookAgain(until)
			e.group.pop(e)
			passed = append(passed, e)
			continue
		}
		if p.rule == FirstFree {
			return p.grant(e.step, d, now, p.rule.String(), value), true
		}
		to, start, finish := earliest(e.step, d, promised, now)
		if start.Equal(now) {
			if ok, _ := to.Available(); ok && promised[to].IsZero() {
				return p.grant(e.step, to, now, p.rule.String(), value), true
			}
		}
		// A device that is still busy, or has been promised another step, would complete it earlier: leave it.
		if loss := now.Add(d.Estimate(e.step, now).Total()).Sub(finish); least.entry == nil || loss < least.loss {
			least.entry, least.value, least.loss = e, value, loss
		}
		promised[to] = finish
		p.lookAgain(start)
		e.group.pop(e)
		passed = append(passed, e)
	}
	if least.entry == nil {
		return floor.Grant{}, false
	}
	return p.grant(least.entry.step, d, now, "more waits than faster devices can take soon; least is lost on this step", least.value), true
}

func (p *Dispatch) lookAgain(at time.Time) {
	if p.again.IsZero() || at.Before(p.again) {
		p.again = at
	}
}

// loadedNext returns a step that continues on the panel loaded on d, if there is one.
func loadedNext(d *floor.Device, now time.Time) *floor.Step {
	if d.LastRun == nil {
		return nil
	}
	for _, s := range d.LastRun.Step.Next {
		a := d.Ability(s.Operation())
		if a.GetContinuesLoaded() && s.Grantable() && !now.Before(s.Ready()) && !now.Before(s.RefusedUntil(d.ID)) && d.Continues(s) {
			if ok, _ := d.Fits(s.Spec); ok {
				return s
			}
		}
	}
	return nil
}

// best returns the waiting step with the greatest index for d, and that index.
func (p *Dispatch) best(groups []*group, d *floor.Device, now time.Time) (*entry, float64) {
	var found *entry
	var best float64
	for _, g := range groups {
		e, value := g.bestFor(d, now)
		if e == nil {
			continue
		}
		if found == nil || value > best || (value == best && e.order < found.order) {
			found, best = e, value
		}
	}
	return found, best
}

// earliest returns the device that would complete s first, when it would begin and when it would end. Devices that cannot
// work are not waited for; on a tie the free device d, then the floor file's order, decides.
func earliest(s *floor.Step, d *floor.Device, promised map[*floor.Device]time.Time, now time.Time) (best *floor.Device, start, finish time.Time) {
	est := newEstimator(s)
	best, start = d, now
	finish = now.Add(est.total(d, now))
	for _, o := range s.Class.Fits {
		if o == d || !working(o) || now.Before(s.RefusedUntil(o.ID)) {
			continue
		}
		at := o.BusyUntil(now)
		if t := promised[o]; t.After(at) {
			at = t
		}
		if !at.Before(finish) {
			continue
		}
		if end := at.Add(est.total(o, at)); end.Before(finish) {
			best, start, finish = o, at, end
		}
	}
	return best, start, finish
}

// working says whether a device can be expected to take more work once it is free.
func working(d *floor.Device) bool {
	return !d.Retired && d.Link == tandemv1.Link_LINK_ONLINE && !d.Paused && d.LockedBy == "" &&
		d.State != tandemv1.DeviceState_DEVICE_STATE_STOPPED && d.State != tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED
}

// grant records the decision with the devices that were considered.
func (p *Dispatch) grant(s *floor.Step, d *floor.Device, now time.Time, rule string, value float64) floor.Grant {
	why := &tandemv1.GrantReason{Rule: rule, Waiting: int32(min(p.index.size, math.MaxInt32))}
	if p.rule == EarliestCompletion {
		why.Index = math.Exp(value)
	}
	shown := s.Class.Fits[:min(len(s.Class.Fits), mostCandidates)]
	if !slices.Contains(shown, d) {
		shown = append(slices.Clone(shown[:mostCandidates-1]), d)
	}
	for _, o := range shown {
		why.Candidates = append(why.Candidates, candidate(s, o, now))
	}
	if more := len(s.Class.Fits) - len(why.GetCandidates()); more > 0 {
		why.Rule = fmt.Sprintf("%s (%d more devices considered)", rule, more)
	}
	return floor.Grant{Step: s, Device: d, Why: why, Expected: d.Estimate(s, now)}
}

func candidate(s *floor.Step, d *floor.Device, now time.Time) *tandemv1.Candidate {
	c := &tandemv1.Candidate{Device: d.ID, Eligible: true}
	if until := s.RefusedUntil(d.ID); now.Before(until) {
		c.Reason = "refused it before"
		return c
	}
	if !working(d) {
		_, c.Reason = d.Available()
		return c
	}
	at := d.BusyUntil(now)
	c.Reason = d.ShortRoll(s)
	if at.After(now) {
		c.Reason = "busy"
	}
	e := d.Estimate(s, at)
	c.Changeover, c.Work = durationpb.New(e.Changeover), durationpb.New(e.Setup+e.Work)
	c.FinishTime = timestamppb.New(at.Add(e.Total()))
	return c
}
