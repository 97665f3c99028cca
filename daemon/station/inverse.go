package station

import (
	"fmt"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// inverse says how the change is taken back on the floor as it is now; without a command, why it is not and what to do.
func (c *change) inverse(f *floor.Floor, now time.Time, note string) Answer {
	late := now.Sub(c.at) > undoWithin
	switch {
	case c.kind == startedRun, c.kind == finishedRun:
		return c.ofRun(f)
	case c.kind == orderedRemake:
		return c.ofRemake(f)
	case c.kind == bookedSpoiled && late:
		return c.late("have the pieces made again")
	case c.kind == bookedSpoiled:
		return c.giveBack(f, note)
	case c.kind == loadedLot && late:
		return c.late("scan the roll that is on " + c.device + " now, and " + c.device)
	case c.kind == loadedLot:
		return c.unload(f, note)
	case late:
		return c.late("scan the panel where it lies now")
	}
	return c.moveBack(f, note)
}

func (c *change) late(remedy string) Answer {
	return say(notUndone, "too late, that was at %s and %.0f minutes are given: %s", clock(c.at, c.at), undoWithin.Minutes(), remedy)
}

// moveBack has the panel lie where it lay before.
func (c *change) moveBack(f *floor.Floor, note string) Answer {
	j, p := panelOf(f, c.job, c.panel)
	if p == nil {
		return say(notUndone, "%s has left the floor: it stays as it is", c.job)
	}
	if c.touched || p.Place != c.place || p.Slot != c.slot || !p.PlaceTime.Equal(c.is.placed) {
		return say(notUndone, "panel %s of %s has been moved since: scan it where it lies now", p.Code, j.ID)
	}
	a := say(undone, "%s of %s %s again", p.Code, j.ID, lay(f, c.was))
	a.Subject = "jobs/" + j.ID
	a.Command = floor.MovePanel{Job: j.ID, Panel: p.ID, Place: c.was.place, Slot: c.was.slot, Note: note}
	return a
}

func lay(f *floor.Floor, b earlier) string {
	if b.place == "" {
		return "lies where nobody has scanned it"
	}
	if d, ok := f.Device(b.place); ok {
		return "is at " + where(d, b.slot)
	}
	return "is at " + b.place
}

// giveBack books pieces as good again that were booked as spoiled.
func (c *change) giveBack(f *floor.Floor, note string) Answer {
	const remedy = "if they are good, tell whoever plans, and have as many made again as are short"
	j, p := panelOf(f, c.job, c.panel)
	if p == nil {
		return say(notUndone, "%s has left the floor: the pieces stay spoiled", c.job)
	}
	b, can := j.LastBooking()
	switch {
	case can && !c.touched && b == c.is.booking:
	case openSteps(f, j.ID) < c.was.open && c.touched:
		return say(notUndone, "a step of %s has ended by it: the pieces stay spoiled; %s", j.ID, remedy)
	case waiting(p) < c.pieces:
		return say(notUndone, "pieces of panel %s of %s are made again already: they stay spoiled", p.Code, j.ID)
	case sharesPanels(j):
		return say(notUndone, "panel %s of %s lies on a panel that several jobs share: the pieces stay spoiled; %s", p.Code, j.ID, remedy)
	default:
		return say(notUndone, "%s has been worked on or changed since: the pieces stay spoiled; %s", j.ID, remedy)
	}
	a := say(undone, "%d pieces of %s are good again, %d good ones now", c.pieces, j.ID, p.Good+c.pieces)
	a.Subject = "jobs/" + j.ID
	a.Command = floor.WithdrawSpoiled{Job: j.ID, Panel: p.ID, Pieces: c.pieces, Booked: b.Revision, Note: note}
	return a
}

// ofRemake says why pieces that are to be made again stay so: their steps are part of the job, and cannot be taken out of it.
func (c *change) ofRemake(f *floor.Floor) Answer {
	j, p := panelOf(f, c.job, c.is.again)
	if p == nil {
		return say(notUndone, "pieces made again stay in the job")
	}
	for _, s := range j.Steps {
		if len(s.Runs) > 0 && s.RemakeOf != "" && s.Panels[0] == p {
			return say(notUndone, "panel %s is with a device already (%s): it stays; stop it there, or let the pieces be extra ones", p.Code, s.Runs[len(s.Runs)-1].ID)
		}
	}
	return say(notUndone, "panel %s stays in %s: hold the job before it is begun (tandem hold %s) and ask a supervisor, or let the pieces be extra ones", p.Code, j.ID, j.ID)
}

// ofRun says what to do about a run: machines may move, and hands have worked.
func (c *change) ofRun(f *floor.Floor) Answer {
	r, ok := f.Run(c.run)
	switch {
	case !ok:
		return say(notUndone, "a run is never taken back by a scan")
	case c.kind == finishedRun:
		return say(notUndone, "a finished run is never taken back by a scan: have pieces made again (tandem remake %s %s N), or ask a supervisor", r.Step.Job.ID, r.Step.ID())
	case !r.End.IsZero():
		return say(notUndone, "%s has ended, and is never taken back by a scan: have pieces made again (tandem remake %s %s N), or ask a supervisor", r.ID, r.Step.Job.ID, r.Step.ID())
	}
	if r.Device.Manual() { // there is nothing that could be stopped, nor resolved while it is worked on
		return say(notUndone, "a start is never taken back by a scan, and nothing moves at %s by itself: scan it and the panel again when the work is done", r.Device.ID)
	}
	return say(notUndone, "a start is never taken back by a scan: stop %s by its own stop, look, then tandem resolve %s", r.Device.ID, r.ID)
}

// unload puts on the device what was on it before.
func (c *change) unload(f *floor.Floor, note string) Answer {
	d, ok := f.Device(c.device)
	l, known := f.Lot(c.lot)
	if !ok || d.Retired || !known {
		return say(notUndone, "%s or its roll is no longer on this floor", c.device)
	}
	if c.touched || d.Lot != l || l.Remaining != c.is.remaining {
		return say(notUndone, "%s or %s has been loaded, measured or used since: scan the roll that is on %s now, and %s", d.ID, l.ID, d.ID, d.ID)
	}
	switch r := c.uses(d, l); {
	case r == nil:
	case !r.End.IsZero():
		return say(notUndone, "%s of %s was made from %s since: scan the roll that is on %s now, and %s", r.Step.ID(), r.Step.Job.ID, l.ID, d.ID, d.ID)
	default:
		return say(notUndone, "%s of %s works on %s or may begin at any moment: stop it at the device, look, then scan the roll that is on it", r.Step.ID(), r.Step.Job.ID, d.ID)
	}
	b := c.was
	back := floor.LoadMedia{Device: d.ID, Media: b.media, Lot: b.lot, Note: note}
	text := fmt.Sprintf("%s is on %s again; %s is off", onto(b), d.ID, l.ID)
	switch {
	case b.from != "" && b.media != "":
		return say(notUndone, "it came from %s, and %s was on %s: scan %s and %s, then the roll that belongs on %s", b.from, onto(b), d.ID, l.ID, b.from, d.ID)
	case b.from != "":
		from, ok := f.Device(b.from)
		if !ok || from.Retired || from.Loaded != "" || from.Lot != nil {
			return say(notUndone, "%s, from which it came, has something else on it now: scan the roll that is on each", b.from)
		}
		back = floor.LoadMedia{Device: b.from, Lot: l.ID, Note: note}
		text = fmt.Sprintf("%s is on %s again; nothing is on %s%s", l.ID, b.from, d.ID, waitsFor(l, from))
	case b.media == "":
		return say(notUndone, "nothing was on %s before: scan the roll that is on it, or leave it", d.ID)
	case b.lot != "":
		old, ok := f.Lot(b.lot)
		if !ok || old.Device != nil || old.Remaining == 0 {
			return say(notUndone, "%s, which was on %s before, is empty, gone or on another device now: scan the roll that is on %s", b.lot, d.ID, d.ID)
		}
		text += waitsFor(old, d)
	default:
		text += begins(d, b.media)
	}
	a := say(undone, "%s", text)
	a.Subject, a.Command = "devices/"+d.ID, back
	return a
}

// begins names a run that may begin with nobody there once that media is on the device.
func begins(d *floor.Device, media string) string {
	for _, r := range d.Live {
		if r.State == tandemv1.JobState_JOB_STATE_PENDING && r.Step.Supply() == media && d.Ability(r.Step.Operation()).GetUnattendedStart() != nil {
			return fmt.Sprintf("; %s of %s may begin by itself", r.Step.ID(), r.Step.Job.ID)
		}
	}
	return ""
}

func onto(b earlier) string {
	if b.lot != "" {
		return b.lot
	}
	return b.media
}

// uses returns a run that takes from the lot on the device, has taken from it, or may begin to.
func (c *change) uses(d *floor.Device, l *floor.Lot) *floor.Run {
	for _, r := range d.Live {
		begun := !r.Start.IsZero() || r.Good+r.Spoiled > 0 || r.State != tandemv1.JobState_JOB_STATE_PENDING
		if r.Step.Supply() != "" && (begun || r.MayStart) {
			return r
		}
	}
	if r := d.LastRun; r != nil && r.Lot == l && !r.Start.Before(c.at) {
		return r
	}
	return nil
}

func panelOf(f *floor.Floor, job, panel string) (*floor.Job, *floor.Panel) {
	j, ok := f.Job(job)
	if !ok {
		return nil, nil
	}
	p, _ := j.Panel(panel)
	return j, p
}

func openSteps(f *floor.Floor, job string) int {
	n := 0
	if j, ok := f.Job(job); ok {
		for _, s := range j.Steps {
			if s.Open() {
				n++
			}
		}
	}
	return n
}

// sharesPanels says whether a gang run does steps of the job, or did.
func sharesPanels(j *floor.Job) bool {
	for _, s := range j.Steps {
		if s.Carrier != nil {
			return true
		}
	}
	return false
}
