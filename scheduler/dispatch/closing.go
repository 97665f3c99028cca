package dispatch

import (
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// candidatesAtClosing bounds the steps looked at in place of the chosen one before people leave.
const candidatesAtClosing = 8

// spare is left between the last beginning and the time at which people leave: durations are estimates.
const spare = 10 * time.Minute

// beforeClosing returns what to begin in place of the chosen step, and why, so that a device that cannot begin anything without
// people has work for the time without them; nil if the chosen one had better begin. Two cases in which that costs nothing:
//
//   - it would go on after people have left, and shorter work can be done before it may begin for the last time;
//   - it would be the last before people leave and be done soon, and longer work can go on in its place.
//
// Only work for what is on the device now is looked at, and none whose job would be late for it.
func (c *decision) beforeClosing(e *entry, value float64) (*entry, float64, string) {
	d, s := c.device, e.step
	closing, ok := c.closing()
	if !ok || d.Capacity > 1 || d.Attendance(s.Operation()) != tandemv1.Attendance_ATTENDANCE_BEGIN_AND_END {
		return nil, 0, ""
	}
	a := d.Ability(s.Operation())
	unload := a.GetUnload().AsDuration()
	if a.GetUnattendedStart() != nil && unload == 0 {
		return nil, 0, "" // it goes on by itself
	}
	est := d.Estimate(s, c.now)
	if est.Changeover > 0 {
		return nil, 0, ""
	}
	end := c.now.Add(est.Total())
	overnight := end.After(closing)
	if !overnight && !end.Add(unload+est.Attended+spare).After(closing) {
		return nil, 0, "" // it is not the last
	}
	morning := c.floor.Calendar().Next(closing)
	if morning.IsZero() {
		return nil, 0, ""
	}
	taken := len(c.passed)
	defer func() {
		for _, p := range c.passed[taken:] {
			p.group.push(p, c.now)
		}
		c.passed = c.passed[:taken]
	}()
	c.pass(e)
	var best *entry
	var most time.Duration
	bestValue := value
	for range candidatesAtClosing {
		o, v := c.best(c.groups, d, c.now)
		if o == nil {
			break
		}
		c.pass(o)
		if _, bad := c.hindered(o.step, d); bad || c.now.Before(o.step.RefusedUntil(d.ID)) || o.step.Operation() != s.Operation() {
			continue
		}
		other := d.Estimate(o.step, c.now)
		if other.Changeover > 0 {
			continue
		}
		switch over := c.now.Add(other.Total()); {
		case overnight && !over.After(closing):
			again := over.Add(unload)
			if !again.Add(est.Attended+spare).After(closing) && c.inTime(s, again.Add(est.Total())) {
				return o, v, "done before the last work that goes on without people"
			}
		case !overnight && over.After(closing) && other.Work > most && c.inTime(s, morning.Add(est.Total())):
			best, bestValue, most = o, v, other.Work
		}
	}
	if best == nil {
		return nil, 0, ""
	}
	return best, bestValue, "goes on without people after they have left"
}

// closing returns when nobody is there any more, if somebody is now.
func (c *decision) closing() (time.Time, bool) {
	cal := c.floor.Calendar()
	if !cal.Limited() {
		return time.Time{}, false
	}
	const most = 16 // changes of a day
	at := c.now
	for range most {
		if cal.Operators(at) == 0 {
			return at, at.After(c.now)
		}
		if at = cal.Change(at); at.IsZero() {
			break
		}
	}
	return time.Time{}, false
}

// inTime says whether a step's job is still in time if it ends then, as far as the times of people and of what follows say: a
// job without due time always is, one that is late already never.
func (c *decision) inTime(s *floor.Step, end time.Time) bool {
	due := s.Job.Due()
	return due.IsZero() || !c.through(s, end, len(s.Job.Steps)).After(due)
}

// through returns when what follows a step could be done if it ends at that time, with every device free.
func (c *decision) through(s *floor.Step, end time.Time, depth int) time.Time {
	last := end
	if depth < 0 {
		return last
	}
	for _, n := range s.Next {
		if !n.Open() || len(n.Class.Fits) == 0 {
			continue
		}
		at := end.Add(n.Spec.GetMinWait().AsDuration())
		if n.Drying() {
			at = end.Add(n.Spec.GetDuration().AsDuration())
		} else {
			est := n.Class.Fits[0].Estimate(n, at)
			if begin, ok := c.floor.Begin(est, at); ok {
				at = begin.Add(est.Total())
			}
		}
		if t := c.through(n, at, depth-1); t.After(last) {
			last = t
		}
	}
	return last
}
