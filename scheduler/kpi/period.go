package kpi

import (
	"fmt"
	"slices"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
)

// Division says into what a period is divided.
type Division int

// Divisions of a period.
const (
	Whole  Division = iota // not at all
	Days                   // of the shop's clock; a day on which the clocks change has 23 or 25 hours
	Weeks                  // from Monday, as ISO 8601 has it
	Shifts                 // as the floor file has them; what lies outside of them is left out, and where they overlap it is in both
)

// Part is a part of a period.
type Part struct {
	Interval
	Shift string // its id, of Shifts
}

// Zone returns where the shop's clock hangs.
func (p *Past) Zone() *time.Location {
	c, err := calendar.New(p.file())
	if err != nil {
		return time.UTC
	}
	return c.Location()
}

// file returns the last floor file of the period.
func (p *Past) file() *tandemv1.FloorFile {
	if len(p.Floors) == 0 {
		return &tandemv1.FloorFile{}
	}
	return p.Floors[len(p.Floors)-1].File
}

// Parts divides the period by the shop's clock and shifts, as the last floor file in it has them.
func (p *Past) Parts(d Division) ([]Part, error) {
	zone := p.Zone()
	switch d {
	case Days:
		return p.steps(midnight(p.From.In(zone)), 1), nil
	case Weeks:
		first := p.From.In(zone)
		back := (int(first.Weekday()) + 6) % 7
		return p.steps(time.Date(first.Year(), first.Month(), first.Day()-back, 0, 0, 0, 0, zone), 7), nil
	case Shifts:
		return p.shifts()
	case Whole:
	}
	return []Part{{Interval: p.Interval}}, nil
}

func midnight(t time.Time) time.Time {
	return time.Date(t.Year(), t.Month(), t.Day(), 0, 0, 0, 0, t.Location())
}

// steps divides at each so many days, from a midnight on.
func (p *Past) steps(at time.Time, days int) []Part {
	var out []Part
	for at.Before(p.To) {
		next := time.Date(at.Year(), at.Month(), at.Day()+days, 0, 0, 0, 0, at.Location())
		i := Interval{later(at, p.From), earlier(next, p.To)}
		if i.From.Before(i.To) {
			out = append(out, Part{Interval: Interval{i.From.UTC(), i.To.UTC()}})
		}
		at = next
	}
	return out
}

// shifts returns each time of each shift.
func (p *Past) shifts() ([]Part, error) {
	file := p.file()
	if len(file.GetShifts()) == 0 {
		return nil, fmt.Errorf("the floor file has no shifts")
	}
	var out []Part
	for _, s := range file.GetShifts() {
		c, err := calendar.New(&tandemv1.FloorFile{Shifts: []*tandemv1.Shift{s}, ClosedDays: file.GetClosedDays(), TimeZone: file.GetTimeZone()})
		if err != nil {
			return nil, fmt.Errorf("shift %s: %w", s.GetId(), err)
		}
		for _, w := range c.Windows(p.From, p.To) {
			out = append(out, Part{Interval: Interval{w.From.UTC(), w.To.UTC()}, Shift: s.GetId()})
		}
	}
	slices.SortStableFunc(out, func(a, b Part) int { return a.From.Compare(b.From) })
	return out, nil
}

// Planned returns the shop's hours: when at least one person was to be there, by the floor file and the word on who is there that
// held at each time. Without shifts that is always.
func (p *Past) Planned() ([]Interval, error) {
	var out []Interval
	for i, f := range p.Floors {
		from, to := later(f.From, p.From), p.To
		if i == 0 {
			from = p.From
		}
		if i+1 < len(p.Floors) {
			to = earlier(p.Floors[i+1].From, to)
		}
		shifts, err := calendar.New(f.File)
		if err != nil {
			return nil, fmt.Errorf("read the shifts: %w", err)
		}
		out = append(out, p.attended(shifts, Interval{from, to})...)
	}
	return union(out), nil
}

// attended returns when somebody is there, by one floor file.
func (p *Past) attended(shifts *calendar.Calendar, in Interval) []Interval {
	var out []Interval
	add := func(c *calendar.Calendar, i Interval) {
		if !i.From.Before(i.To) {
			return
		}
		for _, w := range c.Windows(i.From, i.To) {
			out = append(out, Interval{w.From, w.To})
		}
	}
	at := in.From
	for i, a := range p.People {
		until := a.Until
		if i+1 < len(p.People) {
			until = earlier(until, p.People[i+1].From)
		}
		from := later(earlier(a.From, in.To), at)
		add(shifts, Interval{at, from})
		at = from
		if until.After(at) {
			to := earlier(until, in.To)
			add(shifts.With(calendar.Deviation{From: at, Until: to, Operators: a.Operators}), Interval{at, to})
			at = later(at, to)
		}
	}
	add(shifts, Interval{at, in.To})
	return out
}

// Night returns the last time of four hours or more, ended or still going on, in which nobody was to be there: what a morning report
// is about. Without shifts in the floor file that is not known.
func Night(file *tandemv1.FloorFile, people []People, now time.Time) (Interval, bool) {
	const look = 8 * 24 * time.Hour // beyond a week's closed days
	p := Past{Interval: Interval{now.Add(-look), now}, Floors: []Floor{{File: file}}, People: people}
	hours, err := p.Planned()
	if err != nil || len(file.GetShifts()) == 0 || len(hours) == 0 {
		return Interval{}, false
	}
	// A break at noon is no night.
	const night = 4 * time.Hour
	hours = append(hours, Interval{now, now})
	for last := len(hours) - 1; last > 0; last-- {
		if gap := (Interval{hours[last-1].To, hours[last].From}); gap.Length() >= night {
			return gap, true
		}
	}
	return Interval{}, false
}
