package station

import (
	"fmt"
	"slices"
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

func wherePanel(p *floor.Panel, now time.Time) Answer {
	a := say(shown, "%s of %s (%d good pieces) %s; %s", p.Code, p.Job.ID, p.Good, lies(p, now), nextOf(p, now))
	a.Subject = "jobs/" + p.Job.ID
	return a
}

func lies(p *floor.Panel, now time.Time) string {
	if p.Place == "" {
		return "has not been made yet"
	}
	if p.Slot != "" {
		return fmt.Sprintf("was last seen in slot %s of %s at %s", p.Slot, p.Place, clock(p.PlaceTime, now))
	}
	return fmt.Sprintf("was last seen at %s at %s", p.Place, clock(p.PlaceTime, now))
}

// whereSlot says what lies in a slot.
func whereSlot(f *floor.Floor, d *floor.Device, slot string) Answer {
	var lying []string
	for _, j := range f.Jobs {
		for _, p := range j.Panels {
			if j.End.IsZero() && p.Place == d.ID && p.Slot == slot {
				lying = append(lying, fmt.Sprintf("%s of %s", p.Code, j.ID))
			}
		}
	}
	a := say(shown, "%s holds nothing that was scanned there", where(d, slot))
	if len(lying) > 0 {
		const most = 4
		more := ""
		if len(lying) > most {
			lying, more = lying[len(lying)-most:], " and earlier ones"
		}
		a = say(shown, "%s: %s%s", where(d, slot), strings.Join(lying, ", "), more)
	}
	a.Subject = "devices/" + d.ID
	return a
}

func nextOf(p *floor.Panel, now time.Time) string {
	s := nextStep(p)
	for _, l := range p.Job.Steps { // what is done with it now comes before what follows
		if l.Live != nil && slices.Contains(l.Panels, p) {
			s = l
			break
		}
	}
	if s != nil && s.Live != nil && s.Drying() {
		return fmt.Sprintf("%s in %s until %s", s.ID(), s.Live.Device.ID, clock(s.DryUntil(), now))
	}
	if s == nil {
		return "every step has ended"
	}
	state, reasons := s.State(now)
	return fmt.Sprintf("%s is %s (%s), at %s", s.ID(), floor.Keyword(state), strings.Join(reasons, ", "), places(s))
}

func whereJob(j *floor.Job, now time.Time) Answer {
	state, _ := j.State(now)
	parts := []string{fmt.Sprintf("%s is %s", j.ID, floor.Keyword(state))}
	for _, p := range j.Panels {
		parts = append(parts, fmt.Sprintf("panel %s %s, %s", p.Code, lies(p, now), nextOf(p, now)))
		if len(parts) == 4 && len(j.Panels) > 3 {
			parts = append(parts, fmt.Sprintf("and %d more panels", len(j.Panels)-3))
			break
		}
	}
	a := say(shown, "%s", strings.Join(parts, "; "))
	a.Subject = "jobs/" + j.ID
	return a
}

func whereDevice(d *floor.Device, now time.Time) Answer {
	text := d.ID + " is " + floor.DeviceKeyword(d.State)
	if d.Link != tandemv1.Link_LINK_ONLINE {
		text = d.ID + " has not been heard from"
	}
	if ok, why := d.Available(); !ok && len(d.Live) == 0 {
		text = d.ID + " " + why
	}
	if d.Lot != nil {
		text += fmt.Sprintf("; on it %s, %s of %s", d.Lot.ID, metres(d.Lot.Remaining), d.Loaded)
	}
	for _, r := range d.Live {
		text += fmt.Sprintf("; %s of %s until about %s", r.Step.ID(), r.Step.Job.ID, clock(r.ExpectedEnd(now), now))
	}
	a := say(shown, "%s", text)
	a.Subject = "devices/" + d.ID
	return a
}
