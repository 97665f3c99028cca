package dispatch

import (
	"slices"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// decision is what is decided for one free device.
type decision struct {
	*Dispatch
	floor  *floor.Floor
	device *floor.Device
	now    time.Time
	groups []*group
	passed []*entry // taken out of their groups for as long as this decision takes

	promised map[*floor.Device]time.Time
	least    least
}

// least is the step on which the least is lost if the device takes it although another would complete it earlier.
type least struct {
	entry *entry
	value float64
	loss  time.Duration
}

func (c *decision) pass(e *entry) {
	e.group.pop(e)
	c.passed = append(c.passed, e)
}

func (c *decision) putBack() {
	for _, e := range c.passed {
		e.group.push(e, c.now)
	}
}

func (c *decision) propose(e *entry, to *floor.Device, rule string, value float64) (proposal, bool) {
	return propose(e.step, to, c.now, rule, value), true
}

// make looks through the waiting steps in the order of their index.
func (c *decision) make() (proposal, bool) {
	none := func() (proposal, bool) { return proposal{}, false }
	for left, hindered := 0, 0; left < lookahead; {
		e, value := c.best(c.groups, c.device, c.now)
		if e == nil {
			return none()
		}
		if until := e.step.RefusedUntil(c.device.ID); c.now.Before(until) {
			c.lookAgain(until)
			c.pass(e)
			left++
			continue
		}
		if h, bad := c.hindered(e.step, c.device); bad {
			c.lookAgain(h.Until)
			if alike(e.step, c.device, h) {
				c.drop(e.group)
				continue
			}
			if hindered++; hindered > mostHindered {
				return none()
			}
			c.pass(e)
			continue
		}
		if c.rule == FirstFree {
			return c.propose(e, c.device, c.rule.String(), value)
		}
		to, start, finish := c.earliest(e.step)
		if ok, _ := to.Available(); ok && start.Equal(c.now) && c.promised[to].IsZero() {
			if to == c.device {
				if other, v, rule := c.beforeClosing(e, value); other != nil {
					return c.propose(other, to, rule, v)
				}
			}
			return c.propose(e, to, c.rule.String(), value)
		}
		c.leave(e, value, to, start, finish)
		left++
	}
	if c.least.entry == nil {
		return none()
	}
	return c.propose(c.least.entry, c.device, "more waits than faster devices can take soon; least is lost on this step", c.least.value)
}

// hindered says what keeps a step from a free device. The rule of a shop without a scheduler looks no further than at people.
func (c *decision) hindered(s *floor.Step, d *floor.Device) (floor.Hindrance, bool) {
	if c.rule == FirstFree {
		return c.floor.Manned(s, d, c.now)
	}
	return c.floor.Hindered(s, d, c.now)
}

// alike says whether all steps that ask the same of the device are kept from it, too: for want of people they are, unless it is
// the length of the work that does not fit, or the roll is too short for this one.
func alike(s *floor.Step, d *floor.Device, h floor.Hindrance) bool {
	people := h.Reason == floor.ReasonOperatorBusy ||
		(h.Reason == floor.ReasonUnattended && d.Attendance(s.Operation()) != tandemv1.Attendance_ATTENDANCE_WHOLE)
	return people && d.ShortRoll(s) == "" && !d.Continues(s)
}

// drop leaves out a whole group for the rest of this decision.
func (c *decision) drop(g *group) {
	c.groups = slices.DeleteFunc(slices.Clone(c.groups), func(o *group) bool { return o == g })
}

// leave leaves a step to a device that is still busy, or has been promised another step, and would complete it earlier.
func (c *decision) leave(e *entry, value float64, to *floor.Device, start, finish time.Time) {
	if loss := c.now.Add(c.device.Estimate(e.step, c.now).Total()).Sub(finish); c.least.entry == nil || loss < c.least.loss {
		c.least = least{e, value, loss}
	}
	if c.promised == nil {
		c.promised = map[*floor.Device]time.Time{}
	}
	c.promised[to] = finish
	if soon := c.now.Add(leastPause); start.Before(soon) { // its run is due to end right now and has not ended
		start = soon
	}
	c.lookAgain(start)
	c.pass(e)
}

// earliest returns the device that would complete s first, when it would begin and when it would end. Devices that cannot
// work are not waited for; on a tie the free device of the decision, then the floor file's order, decides.
func (c *decision) earliest(s *floor.Step) (best *floor.Device, start, finish time.Time) {
	est := newEstimator(s, c.floor)
	best, start = c.device, c.now
	_, finish = est.span(best, c.now)
	if !finish.After(c.now.Add(c.index.least(c.floor, s))) {
		return best, start, finish // nothing that begins now or later can end before
	}
	for _, o := range s.Class.Fits {
		if o == c.device || !o.Expected() || c.now.Before(s.RefusedUntil(o.ID)) {
			continue
		}
		at := o.FreeFrom(c.now)
		if t := c.promised[o]; t.After(at) {
			at = t
		}
		if !at.Before(finish) {
			continue
		}
		if ok, _ := o.Available(); ok && at.Equal(c.now) {
			if h, bad := c.hindered(s, o); bad && (h.Until.IsZero() || !h.Until.Before(finish)) {
				continue
			} else if bad {
				at = h.Until
			}
		}
		if begin, end := est.span(o, at); end.Before(finish) {
			best, start, finish = o, begin, end
		}
	}
	return best, start, finish
}
