package simulate

import (
	"time"

	"tandem/scheduler/floor"
)

// people are those on the floor: one who is busy helps nobody else, and whoever asked first is helped first. What somebody has
// begun they finish, also past the end of their shift.
type people struct {
	waiting []func(leave func() error) error
	out     int // busy ones
	woken   time.Time
	busy    time.Duration
}

// person calls do once somebody is free; they are busy until leave is called.
func (s *simulation) person(do func(leave func() error) error) error {
	s.people.waiting = append(s.people.waiting, do)
	return s.attend()
}

// attend sends whoever is free to what has waited longest.
func (s *simulation) attend() error {
	p := &s.people
	c := s.floor.Calendar()
	for len(p.waiting) > 0 && p.out < c.Operators(s.now) {
		do, since := p.waiting[0], s.now
		p.waiting = p.waiting[1:]
		p.out++
		err := do(func() error {
			p.out--
			p.busy += s.now.Sub(since)
			return s.attend()
		})
		if err != nil {
			return err
		}
	}
	if len(p.waiting) == 0 {
		return nil
	}
	if change := c.Change(s.now); !change.IsZero() && !change.Equal(p.woken) {
		p.woken = change
		s.at(change, s.attend)
	}
	return nil
}

// unload takes a run's work off its device, where somebody has to: the device stays taken until then.
func (s *simulation) unload(r *floor.Run) error {
	d := r.Device
	takes := d.Ability(r.Step.Operation()).GetUnload().AsDuration()
	if takes <= 0 || d.Capacity > 1 || s.goesOn(r) {
		return nil
	}
	s.full[d] = []func() error{}
	return s.person(func(leave func() error) error {
		s.at(s.now.Add(takes), func() error {
			if err := s.emptied(d); err != nil {
				return err
			}
			return leave()
		})
		return nil
	})
}

// goesOn says whether the work stays on the device for the step after it.
func (s *simulation) goesOn(r *floor.Run) bool {
	for _, n := range r.Step.Next {
		if n.Grantable() && r.Device.Ability(n.Operation()) != nil && r.Device.Continues(n) {
			return true
		}
	}
	return false
}

// empty calls do once nothing has to be taken off the device.
func (s *simulation) empty(d *floor.Device, do func() error) error {
	if waiting, full := s.full[d]; full {
		s.full[d] = append(waiting, do)
		return nil
	}
	return do()
}
