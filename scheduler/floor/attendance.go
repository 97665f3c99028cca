package floor

import (
	"fmt"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/calendar"
)

// people is who is on the floor and when.
type people struct {
	calendar  *calendar.Calendar // the shifts, or what has been put in their place
	deviation Deviation
}

// Deviation is what a person has put in the place of the shifts for a while.
type Deviation struct {
	calendar.Deviation
	Note, Actor string
}

func newPeople() *people {
	p := &people{}
	p.configure(0, &tandemv1.FloorFile{})
	return p
}

// configure takes the shifts of a floor file. It must have been checked already: see [Floor.Admit] for one that is replayed.
func (p *people) configure(revision uint64, file *tandemv1.FloorFile) {
	c, err := calendar.New(file)
	if err != nil {
		panic(fmt.Sprintf("floor: revision %d has a floor file whose calendar cannot be built: %v", revision, err))
	}
	p.calendar = c.With(p.deviation.Deviation)
}

func (p *people) deviate(d Deviation) {
	p.deviation = d
	p.calendar = p.calendar.With(d.Deviation)
}

func (p *people) snapshot() *ledgerv1.AttendanceSnapshot {
	d := p.deviation
	if d.Until.IsZero() {
		return nil
	}
	return &ledgerv1.AttendanceSnapshot{
		Set:      &ledgerv1.AttendanceSet{Operators: int32(d.Operators), UntilTime: stamp(d.Until), Note: d.Note},
		FromTime: stamp(d.From), Actor: d.Actor,
	}
}

func (p *people) restore(s *ledgerv1.AttendanceSnapshot) {
	if s != nil {
		p.deviate(deviationOf(s.GetSet(), moment(s.GetFromTime()), s.GetActor()))
	}
}

func deviationOf(e *ledgerv1.AttendanceSet, from time.Time, actor string) Deviation {
	if e.GetUntilTime() == nil {
		return Deviation{}
	}
	return Deviation{
		Deviation: calendar.Deviation{From: from, Until: moment(e.GetUntilTime()), Operators: int(e.GetOperators())},
		Note:      e.GetNote(), Actor: actor,
	}
}

// begin returns when a run that takes so long can begin at a time or after it, as far as people are needed for it; it is false
// if never. What is attended to begin with is not cut in two by the end of a shift, unless it is longer than any.
func (p *people) begin(e Estimate, at time.Time) (time.Time, bool) {
	if !e.Person || !p.calendar.Limited() {
		return at, true
	}
	t := p.calendar.Fit(at, e.Attended, 1)
	if t.IsZero() {
		t = p.calendar.Next(at)
	}
	return t, !t.IsZero()
}

// unloaded returns when work that ends at a time is expected to be off its device. Where nobody ever comes it stays as it is.
func (p *people) unloaded(end time.Time, takes time.Duration) time.Time {
	if takes <= 0 {
		return end
	}
	t := p.calendar.Fit(end, takes, 1)
	if t.IsZero() {
		t = p.calendar.Next(end)
	}
	if t.IsZero() {
		return end
	}
	return t.Add(takes)
}

// Calendar returns when how many people are there: the shifts of the floor file, or what somebody has put in their place. It
// belongs to the floor's goroutine.
func (f *Floor) Calendar() *calendar.Calendar { return f.people.calendar }

// Deviation returns what has been put in the place of the shifts; it is false if nothing has, or it is over.
func (f *Floor) Deviation(now time.Time) (Deviation, bool) {
	d := f.people.deviation
	return d, now.Before(d.Until)
}

// Attendance returns how long a run of the operation needs a person: as the floor file says, else hand work the whole run,
// drying never, anything else its beginning and end.
func (d *Device) Attendance(operation string) tandemv1.Attendance {
	a := d.Ability(operation).GetAttendance()
	switch {
	case operation == dry:
		return tandemv1.Attendance_ATTENDANCE_NONE
	case a != tandemv1.Attendance_ATTENDANCE_UNSPECIFIED:
		return a
	case d.Manual():
		return tandemv1.Attendance_ATTENDANCE_WHOLE
	}
	return tandemv1.Attendance_ATTENDANCE_BEGIN_AND_END
}

// attended returns for how long from its beginning a run needs somebody, and whether it does at all. A changeover is done by
// hand; the set-up of a device that may start unattended is its own.
func (d *Device) attended(s *Step, e Estimate) (time.Duration, bool) {
	attendance := d.Attendance(s.Operation())
	switch {
	case s.Drying():
		return 0, false
	case attendance == tandemv1.Attendance_ATTENDANCE_WHOLE:
		return e.Total(), true
	case e.Changeover == 0 && d.startsAlone(s) != "":
		return 0, false
	case attendance == tandemv1.Attendance_ATTENDANCE_NONE:
		return e.Changeover, true
	}
	return e.Changeover + e.Setup, true
}

// toUnload returns when work of an operation that ended at that time has to be taken off the device, and how long that takes;
// the zero time if nobody need.
func (d *Device) toUnload(operation string, end time.Time) (time.Time, time.Duration) {
	takes := d.Ability(operation).GetUnload().AsDuration()
	if takes <= 0 || d.Capacity > 1 {
		return time.Time{}, 0
	}
	return end, takes
}

// UnloadUntil returns when the device's last work is expected to be off it; the zero time if nobody need take it off. Nobody
// reports that: it is when somebody is there for it, a panel of it is seen elsewhere, or the next run begins.
func (d *Device) UnloadUntil() time.Time {
	if d.full.IsZero() {
		return time.Time{}
	}
	return d.people.unloaded(d.full, d.unload)
}

// takenOff notes that a panel is seen at a place: what it was on before is empty.
func (f *Floor) takenOff(p *Panel, place string) {
	if p.Place == place {
		return
	}
	if d := f.byDevice[p.Place]; d != nil && !d.full.IsZero() {
		d.full, d.unload, d.Revision = time.Time{}, 0, f.Revision
		f.touchDevice(d)
	}
}

// offUntil returns when the run is expected to have ended and to be off its device.
func (r *Run) offUntil(now time.Time) time.Time {
	end := r.ExpectedEnd(now)
	if _, takes := r.Device.toUnload(r.Step.Operation(), end); takes > 0 {
		return r.Device.people.unloaded(end, takes)
	}
	return end
}

// attendedUntil returns until when a live run is expected to need somebody; the zero time if it needs nobody. It is bounded by
// what was expected, so that a run that somebody has forgotten does not keep them from everything else.
func (r *Run) attendedUntil() time.Time {
	if !r.Person {
		return time.Time{}
	}
	return later(r.Grant, r.Start).Add(r.Attended)
}

// SetAttendance records that other people are there than the shifts say. A zero time ends that.
type SetAttendance struct {
	Operators int
	Until     time.Time
	Note      string
}

const (
	mostOperators    = 10_000
	longestDeviation = 31 * 24 * time.Hour
)

func (c SetAttendance) decide(f *Floor, now time.Time, m Meta) (Decision, error) {
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	out := Decision{Subject: "attendance"}
	if _, deviates := f.Deviation(now); c.Until.IsZero() && !deviates {
		return out, nil
	}
	switch {
	case c.Operators < 0 || c.Operators > mostOperators:
		return Decision{}, invalid("operators", "%d people cannot be there; give 0 to %d", c.Operators, mostOperators)
	case c.Until.IsZero():
	case !c.Until.After(now):
		return Decision{}, invalid("until_time", "%s has passed; give a time to come, or leave it out to go back to the shifts", f.clock(c.Until))
	case c.Until.Sub(now) > longestDeviation:
		return Decision{}, invalid("until_time", "%s is more than 31 days away; change the shifts of the floor file instead", f.clock(c.Until))
	}
	e := &ledgerv1.AttendanceSet{Note: c.Note}
	if !c.Until.IsZero() {
		e.Operators, e.UntilTime = int32(c.Operators), stamp(c.Until)
	}
	out.Events = []*ledgerv1.Event{{Kind: &ledgerv1.Event_AttendanceSet{AttendanceSet: e}}}
	return out, nil
}

func (f *Floor) applyAttendanceSet(e *ledgerv1.AttendanceSet, actor string, at time.Time) {
	f.people.deviate(deviationOf(e, at, actor))
	f.changes.People = true
}
