package floor

import (
	"fmt"
	"slices"
	"strings"
	"time"
)

// Hindrance is what keeps a step from being given to a device that is free.
type Hindrance struct {
	Reason string    // keyword, one of the x- ones
	Until  time.Time // when it should be over as things stand; the zero time if nobody can tell

	floor   *Floor
	step    *Step
	device  *Device
	closing time.Time // people leave, too soon for the step
	next    *Step     // would wait too long for the device named here, or has no place
	on      *Device
	begin   time.Time // of next
	places  int       // in the rack, or people
}

// Hindered says what keeps a step from being given to the device now, were it free. The device must fit.
//
// Nobody is there to begin it, or everybody who is has a run; or it is left for a while with what follows in mind: there will be no place
// to dry, or a step after it would wait for longer than it may.
func (f *Floor) Hindered(s *Step, d *Device, now time.Time) (Hindrance, bool) {
	limited := f.people.calendar.Limited()
	if !limited && !s.planned() {
		return Hindrance{}, false
	}
	e := d.Estimate(s, now)
	if h, ok := f.unattended(s, d, e, now); ok {
		return h, true
	}
	return f.Unready(s, d, e, now)
}

// Manned is Hindered as far as people are concerned.
func (f *Floor) Manned(s *Step, d *Device, now time.Time) (Hindrance, bool) {
	if !f.people.calendar.Limited() {
		return Hindrance{}, false
	}
	return f.unattended(s, d, d.Estimate(s, now), now)
}

// planned says whether anything comes after the step that it must be begun with in mind.
func (s *Step) planned() bool {
	return slices.ContainsFunc(s.Next, func(n *Step) bool { return n.Drying() || n.Spec.GetMaxWait() != nil })
}

func (f *Floor) unattended(s *Step, d *Device, e Estimate, now time.Time) (Hindrance, bool) {
	if !e.Person {
		return Hindrance{}, false
	}
	h := Hindrance{floor: f, step: s, device: d}
	c := f.people.calendar
	operators := c.Operators(now)
	if begin, ok := f.people.begin(e, now); !ok || begin.After(now) {
		h.Reason, h.Until = ReasonUnattended, begin
		if operators > 0 {
			h.closing = c.Change(now)
		}
		return h, true
	}
	if busy, free := f.Busy(now); busy >= operators {
		h.Reason, h.Until, h.places = ReasonOperatorBusy, free, operators
		if change := c.Change(now); !change.IsZero() && change.Before(free) {
			h.Until = change
		}
		return h, true
	}
	return Hindrance{}, false
}

// Unready is Hindered as far as what follows the step is concerned.
func (f *Floor) Unready(s *Step, d *Device, e Estimate, now time.Time) (Hindrance, bool) {
	if s.Drying() || !s.planned() {
		return Hindrance{}, false
	}
	end := now.Add(e.Total())
	for _, n := range s.Next {
		if h, full := f.rackFull(n, end, now); full {
			h.step, h.device = s, d
			return h, true
		}
	}
	h, _ := f.tooEarly(s, d, e, now)
	return h, h.Reason != ""
}

// rackFull says whether there will be no place for a drying step whose panel comes at that time. Whatever has a place now, or
// heads for one, counts for as long as it dries.
func (f *Floor) rackFull(n *Step, end, now time.Time) (Hindrance, bool) {
	if !n.Drying() || !n.Open() || n.Live != nil {
		return Hindrance{}, false
	}
	places := n.Class.places()
	if places == 0 {
		return Hindrance{}, false
	}
	var until []time.Time
	for _, b := range f.berths(now) {
		if b.until.After(end) && n.Class.shares(b) {
			until = append(until, b.until)
		}
	}
	if len(until) < places {
		return Hindrance{}, false
	}
	slices.SortFunc(until, time.Time.Compare)
	free := until[len(until)-places] // by then one fewer is taken than there are places
	return Hindrance{Reason: ReasonRackFull, Until: now.Add(free.Sub(end)), floor: f, next: n, places: places}, true
}

// lagPatience is how long a step is left at most because one after it would wait too long: beyond a long weekend nobody knows
// what will be.
const lagPatience = 72 * time.Hour

// mostLooks bounds how many times at which a step could begin are tried.
const mostLooks = 8

// tooEarly says whether a step had better begin later, because one after it would wait longer than it may. The second result
// is that step if no later time would be better, so that this one goes ahead.
func (f *Floor) tooEarly(s *Step, d *Device, e Estimate, now time.Time) (Hindrance, *Step) {
	first := now
	var h Hindrance
	for range mostLooks {
		begin, ok := f.people.begin(e, first)
		if !ok {
			break
		}
		n, on, starts, late := f.waitsTooLong(s, begin.Add(e.Total()), now, 0)
		if n == nil {
			if !begin.After(now) {
				return Hindrance{}, nil
			}
			h.Until = begin
			if now.Sub(s.Ready()) > lagPatience {
				return Hindrance{}, h.next
			}
			return h, nil
		}
		if h.Reason == "" {
			h = Hindrance{Reason: ReasonWouldWait, floor: f, step: s, device: d, next: n, on: on, begin: starts}
		}
		first = begin.Add(late)
	}
	return Hindrance{}, h.next
}

// waitsTooLong returns the first step after s that would wait longer than it may if s ended at that time, as far as that can
// be known: the device on which it could begin first, when, and by how much that is too late. It is nil if none would.
// Steps that only dry are passed through.
func (f *Floor) waitsTooLong(s *Step, end, now time.Time, depth int) (*Step, *Device, time.Time, time.Duration) {
	for _, n := range s.Next {
		if !n.Open() || n.Live != nil || n.Carrier != nil || depth > len(s.Job.Steps) || n.waitsForOthers(s) {
			continue
		}
		if n.Drying() {
			if m, on, starts, late := f.waitsTooLong(n, n.dryFrom(end), now, depth+1); m != nil {
				return m, on, starts, late
			}
			continue
		}
		most := n.Spec.GetMaxWait()
		if most == nil {
			continue
		}
		on, starts := f.earliestStart(n, end, now)
		if on == nil {
			continue
		}
		if late := starts.Sub(end.Add(most.AsDuration())); late > 0 {
			return n, on, starts, late
		}
	}
	return nil, nil, time.Time{}, 0
}

// waitsForOthers says whether a step also waits for others than the one that is about to be done.
func (s *Step) waitsForOthers(about *Step) bool {
	return slices.ContainsFunc(s.Before, func(b *Step) bool {
		dries := b.Drying() && slices.Contains(b.Before, about)
		return b != about && b.Open() && !dries
	})
}

// earliestStart returns when a step could begin if what it waits for ends at that time, and where: what is under way on the
// devices and people's times counted, other waiting work not. It is nil if no device could.
func (f *Floor) earliestStart(s *Step, end, now time.Time) (on *Device, starts time.Time) {
	ready := end
	if !s.WaitWaived {
		ready = ready.Add(s.Spec.GetMinWait().AsDuration())
	}
	ready = later(ready, s.Job.Release())
	for _, d := range s.Class.Fits {
		if !d.Expected() {
			continue
		}
		at := later(ready, d.FreeFrom(now))
		if on != nil && !at.Before(starts) {
			continue
		}
		if begin, ok := f.people.begin(d.Estimate(s, at), at); ok && (on == nil || begin.Before(starts)) {
			on, starts = d, begin
		}
	}
	return on, starts
}

// Begin returns when a run that is estimated so could begin at a time or after it, as far as people are needed for it; it is
// false if never.
func (f *Floor) Begin(e Estimate, at time.Time) (time.Time, bool) { return f.people.begin(e, at) }

// GoesAhead says which step will wait longer than it may, whatever is done, if this one is given to the device now; "" if
// there is none.
func (f *Floor) GoesAhead(s *Step, d *Device, e Estimate, now time.Time) string {
	if s.Drying() || !s.planned() {
		return ""
	}
	if _, n := f.tooEarly(s, d, e, now); n != nil {
		return fmt.Sprintf("%s will wait for longer than its %s whenever this begins", n.ID(), short(n.Spec.GetMaxWait().AsDuration()))
	}
	return ""
}

// String says it in a clause, such as "nobody is there to start it until Mon 2026-03-02 07:00".
func (h Hindrance) String() string {
	until := ""
	if !h.Until.IsZero() {
		until = " until " + h.clock(h.Until)
	}
	switch h.Reason {
	case ReasonUnattended:
		if !h.closing.IsZero() {
			return fmt.Sprintf("it needs somebody for longer than they are there (%s): it begins at %s", h.clock(h.closing), h.clock(h.Until))
		}
		return "nobody is there to start it" + until
	case ReasonOperatorBusy:
		if h.places == 1 {
			return "the one who is there has something to do" + until
		}
		return fmt.Sprintf("all %d who are there have something to do%s", h.places, until)
	case ReasonRackFull:
		var racks []string
		for _, d := range h.next.Class.Fits {
			racks = append(racks, d.ID)
		}
		return fmt.Sprintf("the rack is full: all %d places of %s are taken or promised to what is under way when it would come to dry; it begins at %s", h.places, strings.Join(racks, ", "), h.clock(h.Until))
	case ReasonWouldWait:
		return fmt.Sprintf("%s may wait for %s and could begin on %s at %s only: it begins at %s", h.next.ID(), short(h.next.Spec.GetMaxWait().AsDuration()), h.on.ID, h.clock(h.begin), h.clock(h.Until))
	}
	return h.Reason
}

// clock writes a time by the shop's clock.
func (h Hindrance) clock(t time.Time) string { return h.floor.clock(t) }

// clock writes a time by the shop's clock, to the second only if there are some: nobody is to come too early.
func (f *Floor) clock(t time.Time) string {
	layout := "Mon 2006-01-02 15:04 MST"
	if t.Second() > 0 {
		layout = "Mon 2006-01-02 15:04:05 MST"
	}
	return t.In(f.people.calendar.Location()).Format(layout)
}

// short writes a length of time without empty units.
func short(d time.Duration) string {
	s := d.String()
	if strings.HasSuffix(s, "m0s") {
		s = strings.TrimSuffix(s, "0s")
	}
	if strings.HasSuffix(s, "h0m") {
		s = strings.TrimSuffix(s, "0m")
	}
	return s
}

// hindered returns what keeps a step that waits for a device from every device that is free: that which should be over first.
func (s *Step) hindered(now time.Time) (Hindrance, bool) {
	f := s.Class.floor
	if f == nil || !f.people.calendar.Limited() && !s.planned() {
		return Hindrance{}, false
	}
	var first Hindrance
	found := false
	for _, d := range s.Class.Fits {
		if ok, _ := d.Available(); !ok || now.Before(s.RefusedUntil(d.ID)) {
			continue
		}
		h, bad := f.Hindered(s, d, now)
		if !bad {
			return Hindrance{}, false
		}
		if !found || (!h.Until.IsZero() && (first.Until.IsZero() || h.Until.Before(first.Until))) {
			first, found = h, true
		}
	}
	return first, found
}
