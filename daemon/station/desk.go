// Package station decides what a scan means. A station is a place with a barcode reader; what is scanned there within a
// short time belongs together: a badge says who, a device and a panel say what and where, a command card says what else.
//
// The package turns scans into at most one command and one line for the operator's display. It commits nothing itself and
// never ignores a scan silently.
package station

import (
	"errors"
	"fmt"
	"strconv"
	"strings"
	"time"
	"unicode"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

const (
	// together is how long scans of one entry may lie apart.
	together = 20 * time.Second
	// badgeGood is how long a badge stands for who works at a station.
	badgeGood = 12 * time.Hour
	// stale is how old a scan may be to start anything, or to say what is loaded: nobody knows by then who stands at the device, and what
	// was put on it since.
	stale = 20 * time.Second
	// twice is how soon, by the floor's clock, the same panel at the same device counts as one scan: a hand that trembles
	// must not finish what it has just started.
	twice = 5 * time.Second
)

// Scan is one pull of the trigger.
type Scan struct {
	Station string
	Payload string
	Device  string        // id of the device the station stands at, if it stands at one
	At      time.Time     // wall time
	Age     time.Duration // how old the scan is when it arrives: it may have waited for the daemon
}

// Answer is what becomes of a scan.
type Answer struct {
	Outcome tandemv1.RecordScanResponse_Outcome
	Message string
	Subject string
	Command floor.Command // nil: nothing to do
	Actor   string        // who scanned
	Until   time.Time     // until when a half-finished entry is kept, by the clock of the scan; zero: there is none

	change *change // that Command makes
}

// Desk remembers half-finished entries of all stations. It belongs to one goroutine.
type Desk struct{ entries map[string]*entry }

// NewDesk returns a desk with no entries.
func NewDesk() *Desk { return &Desk{entries: map[string]*entry{}} }

// entry is what a station has scanned so far.
type entry struct {
	person     string
	personTime time.Time
	device     string
	slot       string // of device, if it is a rack whose slot was scanned
	panel      string // code
	lot        string // code
	verb       code.Verb
	count      int32
	last       time.Time

	actedPanel, actedDevice string
	acted                   time.Time

	made    *change   // the last one of the station
	pending []*change // of which it is not known whether the floor has made them
}

// forget takes back that the last scan has done something.
func (e *entry) forget() { e.actedPanel, e.actedDevice, e.acted = "", "", time.Time{} }

func (e *entry) clear() { e.device, e.slot, e.panel, e.lot, e.verb, e.count = "", "", "", "", 0, 0 }

// starts says whether a command lets a machine move.
func starts(c floor.Command) bool {
	switch c.(type) {
	case floor.StartRun, floor.StartHere:
		return true
	}
	return false
}

// ended returns the run that a command ends; nil: none. Whoever scanned before it began has not seen its end: the scan was meant to start
// it, waited for the daemon, and somebody else did so meanwhile.
func ended(f *floor.Floor, c floor.Command) *floor.Run {
	if end, ok := c.(floor.FinishRun); ok {
		if r, known := f.Run(end.Run); known {
			return r
		}
	}
	return nil
}

func say(o tandemv1.RecordScanResponse_Outcome, format string, args ...any) Answer {
	return Answer{Outcome: o, Message: oneLine(fmt.Sprintf(format, args...))}
}

// oneLine replaces what would disturb a display: tickets may name files with line ends in them.
func oneLine(s string) string {
	return strings.Map(func(r rune) rune {
		if unicode.IsControl(r) {
			return ' '
		}
		return r
	}, s)
}

// Short names for the outcomes.
const (
	next      = tandemv1.RecordScanResponse_OUTCOME_NEXT_SCAN
	started   = tandemv1.RecordScanResponse_OUTCOME_STARTED
	finished  = tandemv1.RecordScanResponse_OUTCOME_FINISHED
	moved     = tandemv1.RecordScanResponse_OUTCOME_MOVED
	spoiled   = tandemv1.RecordScanResponse_OUTCOME_SPOILED
	remade    = tandemv1.RecordScanResponse_OUTCOME_REMADE
	shown     = tandemv1.RecordScanResponse_OUTCOME_SHOWN
	duplicate = tandemv1.RecordScanResponse_OUTCOME_DUPLICATE
	wrong     = tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION
	notReady  = tandemv1.RecordScanResponse_OUTCOME_NOT_READY
	unknown   = tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE
	cleared   = tandemv1.RecordScanResponse_OUTCOME_CLEARED
	loaded    = tandemv1.RecordScanResponse_OUTCOME_LOADED
)

// ShopTime is a time as people of the shop read it: by the time zone of the floor file, or the computer's if it names none.
func ShopTime(f *floor.Floor, t time.Time) time.Time {
	if zone := f.Calendar().Location(); zone != time.UTC {
		return t.In(zone)
	}
	return t.Local()
}

// Decide says what a scan means on the floor as it is now. Times in answers are those of the shop's clock.
func (k *Desk) Decide(f *floor.Floor, now time.Time, s Scan) Answer {
	now = ShopTime(f, now)
	e := k.entries[s.Station]
	if e == nil {
		e = &entry{}
		k.entries[s.Station] = e
	}
	if s.At.Sub(e.last) > together {
		e.clear()
	}
	e.last = s.At
	a := k.decide(f, now, s, e)
	if s.Age > stale && starts(a.Command) {
		e.forget() // what was not started may be scanned again at once
		a = say(notReady, "this scan is %s old: nothing is started by it; go to the device and scan again", s.Age.Round(time.Second))
	}
	if load, ok := a.Command.(floor.LoadMedia); ok && s.Age > stale && a.Outcome == loaded {
		// Another roll may be on it by now, and a run that waits for this one may begin by itself.
		e.forget()
		a = say(notReady, "this scan is %s old: nothing is loaded by it; look at what is on %s now, and scan that", s.Age.Round(time.Second), load.Device)
	}
	if r := ended(f, a.Command); r != nil && s.Age > max(twice, now.Sub(r.Start)) { // no less: the floor's clock may stand still, and a station's be a little slow
		e.forget()
		a = say(notReady, "this scan is %s old, and %s of %s was started on %s since: nothing is ended by it; scan again when it is done",
			s.Age.Round(time.Second), r.Step.ID(), r.Step.Job.ID, r.Device.ID)
	}
	if e.person != "" && s.At.Sub(e.personTime) < badgeGood {
		a.Actor = e.person
	} else {
		a.Actor = "station:" + s.Station
	}
	if a.Command != nil {
		e.remember(f, now, &a)
	}
	if e.half() != "" {
		a.Until = s.At.Add(together)
	}
	return a
}

// Refused tells the desk that the floor would not do what the station's answer asked for, so that the next scan of the same
// is not taken for a trembling hand.
func (k *Desk) Refused(station string, a Answer) {
	if e := k.entries[station]; e != nil {
		e.forget()
		e.settle(a.change)
	}
}

func (k *Desk) decide(f *floor.Floor, now time.Time, s Scan, e *entry) Answer {
	text := strings.TrimSpace(s.Payload)
	if n, err := strconv.Atoi(text); err == nil && len(text) <= 7 && (e.verb == code.Spoiled || e.verb == code.Remake) {
		return e.takeCount(n)
	}
	c, err := code.Parse(s.Payload)
	if err != nil {
		if bad, ok := errors.AsType[*code.Error](err); ok {
			return say(unknown, "%s", bad.Error())
		}
		return say(unknown, "%v", err)
	}
	switch c.Kind {
	case code.Person:
		person, ok := f.Person(c.String())
		if !ok {
			return say(unknown, "badge %s belongs to nobody on this floor", c)
		}
		e.person, e.personTime = person, s.At
		return say(shown, "%s is at this station now", person)
	case code.Command:
		verb, ok := c.Verb()
		if !ok {
			return say(unknown, "%s is not a command of this version", c)
		}
		if verb == code.Undo {
			return e.takeUndo(f, now, s)
		}
		return e.takeVerb(verb)
	case code.Job:
		j, ok := f.Job(c.String())
		if !ok {
			return say(unknown, "there is no job %s", c)
		}
		e.clear()
		return whereJob(j, now)
	case code.Device:
		d, ok := f.Device(c.String())
		if !ok || d.Retired {
			return say(unknown, "there is no device %s on this floor", c)
		}
		return e.takeDevice(f, now, d)
	case code.Slot:
		d, slot, ok := f.Slot(c.String())
		if !ok || d.Retired {
			return say(unknown, "there is no slot %s on this floor", c)
		}
		return e.takeSlot(f, now, d, slot)
	case code.Panel:
		p, ok := f.Panel(c.String())
		if !ok {
			return say(unknown, "there is no panel %s", c)
		}
		return e.takePanel(f, now, s, p)
	case code.Lot:
		l, ok := f.Lot(c.String())
		if !ok {
			return say(unknown, "there is no lot %s: compare it with the label, or receive the lot first", c)
		}
		return e.takeLot(f, s, l)
	default:
		return say(unknown, "%s stands for a %s: nothing to do with it here yet", c, c.Kind)
	}
}

func (e *entry) takeCount(n int) Answer {
	if n < 1 {
		return say(notReady, "%d is not a number of pieces: key 1 or more", n)
	}
	e.count = int32(n)
	return say(next, "%s %d: now scan the panel", e.verb, n)
}

func (e *entry) takeVerb(v code.Verb) Answer {
	if v == code.Clear {
		e.clear()
		return say(cleared, "cleared: start again")
	}
	e.verb, e.count = v, 0
	switch v {
	case code.Spoiled, code.Remake:
		return say(next, "%s: how many pieces? key the number", v)
	case code.Where:
		return say(next, "where: scan a panel, a job, a device or a lot")
	default:
		return say(next, "%s: now scan the panel and the device", v)
	}
}

func (e *entry) takeDevice(f *floor.Floor, now time.Time, d *floor.Device) Answer {
	if e.verb == code.Where {
		e.clear()
		return whereDevice(d, now)
	}
	if l, ok := f.Lot(e.lot); ok && e.lot != "" {
		e.clear()
		return load(l, d)
	}
	return e.takePlace(f, now, d, "")
}

// takeSlot takes the slot of a rack: a panel scanned with it lies there.
func (e *entry) takeSlot(f *floor.Floor, now time.Time, d *floor.Device, slot string) Answer {
	if e.verb == code.Where {
		e.clear()
		return whereSlot(f, d, slot)
	}
	if e.lot != "" {
		e.clear()
		return say(wrong, "%s is a slot for panels: scan the device that the roll is put on", where(d, slot))
	}
	return e.takePlace(f, now, d, slot)
}

func (e *entry) takePlace(f *floor.Floor, now time.Time, d *floor.Device, slot string) Answer {
	if e.panel == "" {
		e.device, e.slot = d.ID, slot
		return say(next, "%s: now scan the panel", where(d, slot))
	}
	p, ok := f.Panel(e.panel)
	verb := e.verb
	e.clear()
	if !ok { // its job has left the floor since the scan before
		return say(unknown, "the panel scanned before is of a job that ended long ago: start again")
	}
	return e.act(p, d, slot, verb, now, true)
}

func (e *entry) takePanel(f *floor.Floor, now time.Time, s Scan, p *floor.Panel) Answer {
	switch e.verb {
	case code.Where:
		e.clear()
		return wherePanel(p, now)
	case code.Spoiled, code.Remake:
		return e.book(p)
	default: // start, done or no command: a panel is brought to a device
	}
	device, slot := e.device, e.slot
	if device == "" {
		device = s.Device
	}
	if device == "" {
		e.panel = p.Code
		return say(next, "panel %s of %s: now scan the device", p.Code, p.Job.ID)
	}
	d, ok := f.Device(device)
	if !ok {
		return say(unknown, "this station is set to device %q, which is not on this floor", device)
	}
	verb, scanned := e.verb, e.device != ""
	e.clear()
	return e.act(p, d, slot, verb, now, scanned)
}

// book books spoiled pieces of a panel, or has them made again.
func (e *entry) book(p *floor.Panel) Answer {
	verb, count := e.verb, e.count
	if count == 0 {
		return say(next, "%s: how many pieces? key the number, then scan the panel", verb)
	}
	e.clear()
	s := lastBegun(p)
	if j := p.Job; verb == code.Spoiled && !j.End.IsZero() && j.Ending == tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		return say(notReady, "%s is done: what is found spoiled now is booked by making it again: scan remake, key %d, scan the panel", j.ID, count)
	}
	if verb == code.Spoiled && count > p.Good {
		return say(notReady, "panel %s of %s has only %d good pieces: %d cannot be spoiled", p.Code, p.Job.ID, p.Good, count)
	}
	if verb == code.Spoiled {
		a := say(spoiled, "%d spoiled pieces of %s booked, %d good ones left", count, p.Job.ID, p.Good-count)
		step := ""
		if s != nil {
			step = s.ID()
		}
		a.Command = floor.SpoilPieces{Job: p.Job.ID, Panel: p.ID, Step: step, Pieces: count, Note: "scanned"}
		a.Subject = "jobs/" + p.Job.ID
		return a
	}
	if s == nil {
		return say(notReady, "nothing of panel %s has been made yet", p.Code)
	}
	a := say(remade, "%d pieces of %s will be made again, from the first step to %s", count, p.Job.ID, s.ID())
	a.Command = floor.RemakePieces{Job: p.Job.ID, Step: s.ID(), Panel: p.ID, Pieces: count, AlreadySpoiled: count <= waiting(p), Note: "scanned"}
	a.Subject = "jobs/" + p.Job.ID
	return a
}

// waiting returns how many of the panel's spoiled pieces nobody makes again yet.
func waiting(p *floor.Panel) int32 {
	n := p.Spoiled
	for _, o := range p.Job.Panels {
		if o.RemakeOf == p.ID {
			n -= o.Pieces
		}
	}
	return n
}

// lastBegun returns the step of the panel that began last: the one whose pieces a person holds in hand.
func lastBegun(p *floor.Panel) *floor.Step {
	var found *floor.Step
	for _, s := range p.Job.Steps {
		for _, q := range s.Panels {
			if q == p && !s.Start.IsZero() && (found == nil || !s.Start.Before(found.Start)) {
				found = s
			}
		}
	}
	return found
}
