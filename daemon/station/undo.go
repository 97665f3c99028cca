package station

import (
	"slices"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// undoWithin is for how long, by the floor's clock, a station's last change can be taken back.
const undoWithin = 5 * time.Minute

// Short names for the outcomes of a change that is to be taken back.
const (
	undone    = tandemv1.RecordScanResponse_OUTCOME_UNDONE
	notUndone = tandemv1.RecordScanResponse_OUTCOME_NOT_UNDONE
)

// changeKind says what a station has done to the floor.
type changeKind int

const (
	movedPanel changeKind = iota + 1
	bookedSpoiled
	orderedRemake
	loadedLot
	startedRun
	finishedRun
	tookBack // another change
)

// change is what a station has done to the floor: what there was before, and what there is since.
type change struct {
	kind changeKind
	what string    // the answer that was given
	at   time.Time // by the floor's clock

	job, panel  string
	place, slot string // of the panel: where it was put
	pieces      int32
	device, lot string // the lot was put on the device
	step, run   string // that was started or finished

	was     earlier
	is      later
	touched bool // what was done did not outlast the record that holds it
}

// earlier is what a change has replaced.
type earlier struct {
	place, slot string // of the panel
	open        int    // steps of the job
	media, lot  string // on the device
	from        string // the device that the lot came from
}

// later is by what it is seen whether something has happened since.
type later struct {
	placed    time.Time     // when the panel was put there
	booking   floor.Booking // of spoiled pieces
	remaining int64         // of the lot
	again     string        // the panel that is made again
}

// remember notes what an answer is about to change, and what there is before.
func (e *entry) remember(f *floor.Floor, now time.Time, a *Answer) {
	c := &change{what: a.Message, at: now}
	switch k := a.Command.(type) {
	case floor.MovePanel:
		c.kind, c.job, c.panel, c.place, c.slot = movedPanel, k.Job, k.Panel, k.Place, k.Slot
		if _, p := panelOf(f, k.Job, k.Panel); p != nil {
			c.was.place, c.was.slot = p.Place, p.Slot
			if p.Place == k.Place && p.Slot == k.Slot {
				return // it lies there already
			}
		}
	case floor.SpoilPieces:
		c.kind, c.job, c.panel, c.pieces = bookedSpoiled, k.Job, k.Panel, k.Pieces
		c.was.open = openSteps(f, k.Job)
	case floor.RemakePieces:
		c.kind, c.job, c.panel, c.pieces = orderedRemake, k.Job, k.Panel, k.Pieces
	case floor.LoadMedia:
		c.kind, c.device, c.lot = loadedLot, k.Device, k.Lot
		if d, ok := f.Device(k.Device); ok {
			c.was.media = d.Loaded
			if d.Lot != nil {
				c.was.lot = d.Lot.ID
			}
		}
		if l, ok := f.Lot(k.Lot); ok && l.Device != nil && l.Device.ID != k.Device {
			c.was.from = l.Device.ID
		}
	case floor.StartRun:
		c.kind, c.run = startedRun, k.Run
	case floor.StartHere:
		c.kind, c.job, c.step = startedRun, k.Step.Job.ID, k.Step.ID()
	case floor.FinishRun:
		c.kind, c.run = finishedRun, k.Run
	}
	if a.Outcome == undone {
		c.kind = tookBack
	}
	a.change = c
	e.pending = append(e.recent(now), c)
}

// Done tells the desk that the floor has done what the station's answer asked for, and is as it is at that moment.
func (k *Desk) Done(station string, a Answer, f *floor.Floor) {
	e, c := k.entries[station], a.change
	if e == nil || c == nil || !slices.Contains(e.pending, c) {
		return
	}
	e.settle(c)
	e.made = c
	switch c.kind {
	case movedPanel:
		_, p := panelOf(f, c.job, c.panel)
		if c.touched = p == nil || p.Place != c.place || p.Slot != c.slot; !c.touched {
			c.is.placed = p.PlaceTime
		}
	case bookedSpoiled:
		c.touched = true
		if j, ok := f.Job(c.job); ok {
			b, can := j.LastBooking()
			c.touched, c.is.booking = !can || b.Panel != c.panel || b.Pieces != c.pieces, b
		}
	case orderedRemake:
		if j, ok := f.Job(c.job); ok && len(j.Panels) > 0 {
			c.is.again = j.Panels[len(j.Panels)-1].ID
		}
	case loadedLot:
		d, ok := f.Device(c.device)
		if c.touched = !ok || d.Lot == nil || d.Lot.ID != c.lot; !c.touched {
			c.is.remaining = d.Lot.Remaining
		}
	case startedRun:
		if j, ok := f.Job(c.job); ok && c.run == "" {
			if s, ok := j.Step(c.step); ok && len(s.Runs) > 0 {
				c.run = s.Runs[len(s.Runs)-1].ID
			}
		}
	case tookBack:
		e.forget() // what was taken back may be scanned again at once
	case finishedRun:
	}
}

// settle notes that it is known what became of a change.
func (e *entry) settle(c *change) {
	e.pending = slices.DeleteFunc(e.pending, func(o *change) bool { return o == c })
}

// recent returns the changes of which it is not known what became of them, but those that are too old to be taken back.
func (e *entry) recent(now time.Time) []*change {
	return slices.DeleteFunc(e.pending, func(c *change) bool { return now.Sub(c.at) > undoWithin })
}

// half says what has been scanned of an entry that is not complete; "" if nothing has.
func (e *entry) half() string {
	switch {
	case e.panel != "":
		return "panel " + e.panel
	case e.lot != "":
		return "lot " + e.lot
	case e.slot != "":
		return "slot " + e.slot + " of " + e.device
	case e.device != "":
		return e.device
	case e.verb != 0:
		return "the card " + e.verb.String()
	}
	return ""
}

// takeUndo says how the last change of the station is taken back.
func (e *entry) takeUndo(f *floor.Floor, now time.Time, s Scan) Answer {
	if half := e.half(); half != "" {
		return say(notUndone, "nothing was taken back: %s waits for its next scan; scan clear to drop that, then undo", half)
	}
	if s.Age > stale {
		return say(notUndone, "this scan is %s old: nothing is taken back by it; look, and scan undo again", s.Age.Round(time.Second))
	}
	e.pending = e.recent(now)
	c := e.made
	switch {
	case len(e.pending) > 0:
		return say(notUndone, "it is not known yet what became of the scan before: scan undo again in a moment; it was: %s", e.pending[0].what)
	case c == nil:
		return say(notUndone, "nothing to take back: this station has changed nothing since the daemon began")
	case c.kind == tookBack:
		return say(notUndone, "the last change of this station is taken back already; %s", c.what)
	}
	a := c.inverse(f, now, "undone at station "+s.Station)
	if a.Command == nil {
		a = say(notUndone, "%s; it was: %s", a.Message, c.what)
	}
	return a
}
