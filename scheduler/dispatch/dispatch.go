// Package dispatch chooses which waiting step goes to which device when a device frees up or a step becomes ready.
//
// The rule: of the steps a free device could do, the one with the greatest ATCS index goes first (weight, processing time,
// slack and changeover; Lee, Bhaskaran and Pinedo 1997, from memory), and it goes to the device that would complete it
// earliest, counting work under way, changeovers, the times at which people are there, and when a device that is out is
// expected back. A step that a busy, faster device would still complete earlier is left for that device. A panel that is still
// loaded on a combined device is finished there first.
//
// What needs a person to begin is granted only while somebody is there who has nothing else to do, and a printer is not given
// what will find no place to dry or make a step after it wait for longer than it may: see floor.Hindrance. Before people
// leave, short work goes first and long work that goes on without them last, where that makes nothing late.
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

// Scale is the scaling of the ATCS index: how much slack, and how much changeover, weighs against urgency. Larger values mean
// less influence.
type Scale struct {
	Slack      float64 // k1: mean processing times of slack that lower the index by a factor of e
	Changeover float64 // k2: share of the longest changeover that does
}

// StandardScale is the scale of New. Lee, Bhaskaran and Pinedo work both values out from how tight the due times are, how far they
// lie apart and how long changeovers take (from memory). Here they are fixed: on the shop of package study, at three loads and on
// seeds other than those it reports, these were among the best at every load. With slack reckoned to the end of the job, less of it
// is taken for granted than the literature's 4 would.
var StandardScale = Scale{Slack: 1.5, Changeover: 0.5}

// lookahead bounds how many steps a free device leaves to others in one decision. If even then none is best done on it, so
// much waits that leaving the device idle would help nobody: it takes the one on which the least is lost.
const lookahead = 16

// mostHindered bounds how many steps that cannot be begun now are passed over in one decision, so that it stays short.
const mostHindered = 64

// leastPause is how long nobody looks again for a device that should be free any moment: its end is heard of anyway, and a
// simulated clock stands still until somebody has nothing more to do.
const leastPause = time.Second

// mostCandidates bounds the devices recorded with a grant, which the ledger keeps for ever: the chosen one and those that would have been
// next best, out of the first mostCompared of its class.
const (
	mostCandidates = 4
	mostCompared   = 12
)

// Dispatch is the Dispatcher of this package.
type Dispatch struct {
	rule   Rule
	index  *index
	idle   bool      // the last look found nothing, and nothing has changed since
	again  time.Time // look again at this time at the latest
	advice *Advice   // nil: the rule alone
}

// New returns a dispatcher with that rule.
func New(rule Rule) *Dispatch { return NewScaled(rule, StandardScale) }

// NewScaled returns a dispatcher with that rule and scale.
func NewScaled(rule Rule, scale Scale) *Dispatch {
	return &Dispatch{rule: rule, index: newIndex(rule, scale)}
}

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
	if g, ok := p.look(f, now); ok {
		p.idle = false
		return g, true
	}
	p.idle = true
	return floor.Grant{}, false
}

// look returns the grant to make now. Where fewer people are free than devices, the one with the greatest index among those
// that need somebody is made.
func (p *Dispatch) look(f *floor.Floor, now time.Time) (floor.Grant, bool) {
	if p.index.size == 0 {
		return floor.Grant{}, false
	}
	scarce := p.scarce(f, now)
	var best proposal
	for _, d := range f.Devices {
		if ok, _ := d.Available(); !ok {
			continue
		}
		c, ok := p.forDevice(f, d, now)
		switch {
		case !ok:
		case !scarce || !c.expected.Person:
			return p.grant(f, c, now), true
		case best.step == nil || c.value > best.value:
			best = c
		}
	}
	if best.step == nil {
		return floor.Grant{}, false
	}
	return p.grant(f, best, now), true
}

// proposal is a grant that could be made, without the figures that are recorded with it.
type proposal struct {
	step     *floor.Step
	device   *floor.Device
	expected floor.Estimate
	rule     string
	value    float64 // logarithm of the index
}

func propose(s *floor.Step, d *floor.Device, now time.Time, rule string, value float64) proposal {
	return proposal{step: s, device: d, expected: d.Estimate(s, now), rule: rule, value: value}
}

// scarce says whether fewer people are free than devices.
func (p *Dispatch) scarce(f *floor.Floor, now time.Time) bool {
	if !f.Calendar().Limited() {
		return false
	}
	busy, _ := f.Busy(now)
	free := f.Calendar().Operators(now) - busy
	for _, d := range f.Devices {
		if ok, _ := d.Available(); ok {
			free--
		}
	}
	return free < 0
}

// forDevice returns a grant that uses the free device d, or hands the step d would take to a free device that completes it
// earlier still.
func (p *Dispatch) forDevice(f *floor.Floor, d *floor.Device, now time.Time) (proposal, bool) {
	groups := p.index.byDevice[d]
	if !anyWaiting(groups) { // nor does a step that continues on it
		return proposal{}, false
	}
	if s := loadedNext(d, now); s != nil {
		if h, bad := f.Hindered(s, d, now); !bad {
			return propose(s, d, now, "the panel is still loaded on "+d.ID, math.Inf(1)), true
		} else if h.Reason != floor.ReasonUnattended {
			p.lookAgain(h.Until)
			return proposal{}, false
		}
	}
	if free := d.BusyUntil(now); free.After(now) { // somebody has to empty it first
		p.lookAgain(free)
		return proposal{}, false
	}
	c := &decision{Dispatch: p, floor: f, device: d, now: now, groups: groups}
	defer c.putBack()
	if got, ok := c.planned(); ok {
		return got, true
	}
	return c.make()
}

func anyWaiting(groups []*group) bool {
	for _, g := range groups {
		if g.waiting > 0 {
			return true
		}
	}
	return false
}

func (p *Dispatch) lookAgain(at time.Time) {
	if at.IsZero() {
		return
	}
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
		if !s.Grantable() {
			continue
		}
		a := d.Ability(s.Operation())
		if a.GetContinuesLoaded() && !now.Before(s.Ready()) && !now.Before(s.RefusedUntil(d.ID)) && d.Continues(s) {
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

// grant records the decision with the devices that were considered.
func (p *Dispatch) grant(f *floor.Floor, c proposal, now time.Time) floor.Grant {
	s, d, rule := c.step, c.device, c.rule
	if why := f.GoesAhead(s, d, c.expected, now); why != "" {
		rule += "; " + why
	}
	why := &tandemv1.GrantReason{Rule: rule, Waiting: int32(min(p.index.size, math.MaxInt32))}
	if p.rule == EarliestCompletion {
		why.Index = 1
		if !math.IsInf(c.value, 1) {
			why.Index = math.Exp(c.value)
		}
	}
	compared := s.Class.Fits[:min(len(s.Class.Fits), mostCompared)]
	if !slices.Contains(compared, d) {
		compared = append(slices.Clone(compared[:mostCompared-1]), d)
	}
	for _, o := range compared {
		why.Candidates = append(why.Candidates, candidate(f, s, o, now))
	}
	why.Candidates = nextBest(why.GetCandidates(), d)
	if more := len(s.Class.Fits) - len(why.GetCandidates()); more > 0 {
		why.Rule = fmt.Sprintf("%s (%d more devices considered)", rule, more)
	}
	return floor.Grant{Step: s, Device: d, Why: why, Expected: c.expected}
}

// nextBest returns the candidate that was chosen and those of the others that would be done first, in the order they came in.
func nextBest(list []*tandemv1.Candidate, chosen *floor.Device) []*tandemv1.Candidate {
	if len(list) <= mostCandidates {
		return list
	}
	best := slices.Clone(list)
	slices.SortStableFunc(best, func(a, b *tandemv1.Candidate) int {
		if x, y := a.GetDevice() == chosen.ID, b.GetDevice() == chosen.ID; x || y {
			return order01(y, x)
		}
		if x, y := a.GetFinishTime() == nil, b.GetFinishTime() == nil; x || y {
			return order01(x, y)
		}
		return a.GetFinishTime().AsTime().Compare(b.GetFinishTime().AsTime())
	})
	best = best[:mostCandidates]
	return slices.DeleteFunc(list, func(c *tandemv1.Candidate) bool { return !slices.Contains(best, c) })
}

// order01 orders false before true.
func order01(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return 1
	}
	return -1
}

func candidate(f *floor.Floor, s *floor.Step, d *floor.Device, now time.Time) *tandemv1.Candidate {
	c := &tandemv1.Candidate{Device: d.ID, Eligible: true}
	if until := s.RefusedUntil(d.ID); now.Before(until) {
		c.Reason = "refused it before"
		return c
	}
	if !d.Expected() {
		_, c.Reason = d.Available()
		return c
	}
	at := d.FreeFrom(now)
	c.Reason = d.ShortRoll(s)
	ok, why := d.Available()
	switch {
	case !ok && len(d.Live) < d.Capacity:
		c.Reason = why // out, and expected back
	case at.After(now) && len(d.Live) == 0:
		c.Reason = "has to be unloaded first"
	case at.After(now):
		c.Reason = "busy"
	}
	e := d.Estimate(s, at)
	c.Changeover, c.Work = durationpb.New(e.Changeover), durationpb.New(e.Setup+e.Work)
	begin, ok := f.Begin(e, at)
	if !ok {
		c.Reason = "nobody is there to start it"
		return c
	}
	if begin.After(at) && c.GetReason() == "" {
		c.Reason = "nobody is there to start it before"
	}
	c.FinishTime = timestamppb.New(begin.Add(e.Total()))
	return c
}
