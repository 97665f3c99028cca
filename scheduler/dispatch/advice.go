package dispatch

import (
	"fmt"

	"tandem/scheduler/floor"
)

// Advice is a plan as the dispatcher follows it: for each device the steps it is to do, in their order. It is made once and then only
// read, so it may be handed from one goroutine to another.
//
// Advice is never an order. A step is given to a device when the device is free and the step can begin; where the plan's next step
// cannot, the one after it goes first, and where none can, the rule decides. A step that the plan does not know is judged by the rule
// against those it knows. So a plan that is out of date, or nonsense, leaves no device idle that the rule would use.
type Advice struct {
	Revision uint64 // of the floor it was made for
	steps    map[adviceKey]advised
	devices  map[string][]adviceKey
}

type adviceKey struct{ job, step string }

type advised struct {
	device string
	place  int
}

// NewAdvice returns advice for a floor of that revision, which names no step yet.
func NewAdvice(revision uint64) *Advice {
	return &Advice{Revision: revision, steps: map[adviceKey]advised{}, devices: map[string][]adviceKey{}}
}

// Add puts a step behind those added before. A step is added once.
func (a *Advice) Add(device, job, step string) {
	k := adviceKey{job, step}
	a.steps[k] = advised{device, len(a.steps)}
	a.devices[device] = append(a.devices[device], k)
}

// Of returns the device that a step is planned on, and its place among all steps.
func (a *Advice) Of(job, step string) (device string, place int, ok bool) {
	s, ok := a.steps[adviceKey{job, step}]
	return s.device, s.place, ok
}

// Follow lets the dispatcher follow advice from now on; nil: the rule alone.
func (p *Dispatch) Follow(a *Advice) {
	if a != p.advice {
		p.advice, p.idle = a, false
	}
}

// mostAdvised bounds how many steps of a device's plan are looked at in one decision.
const mostAdvised = 64

// planned returns the first step of the plan for the device that can begin now.
func (c *decision) planned() (proposal, bool) {
	if c.advice == nil || c.rule == FirstFree {
		return proposal{}, false
	}
	list := c.advice.devices[c.device.ID]
	looked := 0
	for _, k := range list {
		s, ok := c.waiting(k)
		if !ok {
			continue
		}
		if looked++; looked > mostAdvised {
			break
		}
		if c.now.Before(s.Ready()) || c.now.Before(s.RefusedUntil(c.device.ID)) {
			continue
		}
		if fits, _ := c.device.Fits(s.Spec); !fits {
			continue
		}
		if h, bad := c.hindered(s, c.device); bad {
			c.lookAgain(h.Until)
			continue
		}
		e := c.index.entries[s]
		if e == nil {
			continue
		}
		value := c.valueOf(e)
		if top, v := c.best(c.groups, c.device, c.now); top != nil && top != e && v > value && !c.knows(top.step) {
			return proposal{}, false // something urgent has come in since: the rule decides until there is a new plan
		}
		return c.propose(e, c.device, fmt.Sprintf("planned: next on %s in the plan made at revision %d", c.device.ID, c.advice.Revision), value)
	}
	return proposal{}, false
}

// waiting returns a step that may be granted.
func (c *decision) waiting(k adviceKey) (*floor.Step, bool) {
	j, ok := c.floor.Job(k.job)
	if !ok {
		return nil, false
	}
	s, ok := j.Step(k.step)
	return s, ok && s.Grantable()
}

func (c *decision) knows(s *floor.Step) bool {
	_, _, ok := c.advice.Of(s.Job.ID, s.ID())
	return ok
}

// valueOf returns the logarithm of an entry's index on the device.
func (c *decision) valueOf(e *entry) float64 {
	return e.group.value(e, seconds(c.now)) - e.group.changeTerm(c.device, e, c.device.Ability(e.step.Operation()))
}
