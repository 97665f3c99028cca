package station

import (
	"fmt"
	"slices"
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

// act says what it means that a panel has been brought to a device, whose code was scanned with it or not.
func (e *entry) act(p *floor.Panel, d *floor.Device, slot string, verb code.Verb, now time.Time, scanned bool) Answer {
	again := e.actedPanel == p.Code && e.actedDevice == where(d, slot) && now.Sub(e.acted) < twice && verb == 0
	var a Answer
	if r := liveHere(p, d); r != nil {
		if scanned && r.State == tandemv1.JobState_JOB_STATE_PENDING {
			again = false // two codes one after the other are no trembling hand
		}
		a = actOnRun(p, r, slot, verb, now, again)
	} else {
		a = actOnPanel(p, d, slot, verb, now, again)
	}
	if a.Subject == "" {
		a.Subject = "jobs/" + p.Job.ID
	}
	if a.Command != nil {
		e.actedPanel, e.actedDevice, e.acted = p.Code, where(d, slot), now
	}
	return a
}

// where names a place: a device, or a slot of it.
func where(d *floor.Device, slot string) string {
	if slot == "" {
		return d.ID
	}
	return "slot " + slot + " of " + d.ID
}

// actOnPanel says what a panel scanned at a device that has no live run of it means: a start, or a place in the rack.
func actOnPanel(p *floor.Panel, d *floor.Device, slot string, verb code.Verb, now time.Time, again bool) Answer {
	if again {
		return say(duplicate, "%s at %s: done a moment ago", p.Code, d.ID)
	}
	if verb == code.Done {
		return say(notReady, "nothing of %s runs on %s that could be done", p.Code, d.ID)
	}
	for _, s := range p.Job.Steps {
		if s.Live != nil && slices.Contains(s.Panels, p) && !s.Drying() {
			return say(wrong, "%s of %s belongs to %s, not to %s", s.ID(), p.Job.ID, s.Live.Device.ID, d.ID)
		}
	}
	s := nextStep(p)
	switch {
	case p.Job.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED:
		return say(notReady, "%s was %s: nothing more is done with this panel", p.Job.ID, floor.Keyword(p.Job.Ending))
	case s == nil:
		return say(duplicate, "%s: every step of this panel has ended", p.Job.ID)
	case s.GangNote() != "":
		return say(notReady, "%s of %s %s", s.ID(), p.Job.ID, s.GangNote())
	case p.Job.Held:
		return say(notReady, "%s is held: %s", p.Job.ID, note(p.Job.HoldNote))
	case p.Job.OnHold():
		return say(notReady, "a job that shares the panels of %s is held", p.Job.ID)
	case s.Blocked != "": // a person has to say something first; the floor says what
		return say(notReady, "%s", s.Explain(now, nil).GetSummary())
	case s.Waiting > 0:
		return waits(s, d, now)
	}
	if fits, why := d.Fits(s.Spec); !fits {
		if d.Ability("dry") != nil {
			a := say(moved, "%s lies in %s; next is %s at %s", p.Code, where(d, slot), s.ID(), places(s))
			a.Command = floor.MovePanel{Job: p.Job.ID, Panel: p.ID, Place: d.ID, Slot: slot}
			return a
		}
		return say(wrong, "next for %s is %s at %s: %s %s", p.Job.ID, s.ID(), places(s), d.ID, why)
	}
	if now.Before(s.Ready()) {
		return say(notReady, "%s may not start before %s", s.ID(), clock(s.Ready(), now))
	}
	if ok, why := d.Available(); !ok {
		return say(notReady, "%s %s%s", d.ID, why, with(d, now))
	}
	a := say(started, "%s of %s started on %s%s%s", s.ID(), p.Job.ID, d.ID, file(s), blade(s, d))
	a.Command = floor.StartHere{Step: s, Device: d}
	return a
}

// actOnRun says what a panel scanned at the device of its live run means: start, finish, or a place in the rack.
func actOnRun(p *floor.Panel, r *floor.Run, slot string, verb code.Verb, now time.Time, again bool) Answer {
	s, d := r.Step, r.Device
	run := func(a Answer, c floor.Command) Answer {
		a.Command, a.Subject = c, "runs/"+r.ID
		return a
	}
	// A trembling hand is one hand, but two people may scan the same start, or one of them before a daemon's restart.
	fresh := verb == 0 && now.Sub(r.Start) < twice
	switch {
	case s.Drying():
		if p.Place == d.ID && (slot == "" || slot == p.Slot) { // the rack alone says nothing new of a panel whose slot is known
			return say(duplicate, "%s lies in %s already, dry at %s", p.Code, where(d, p.Slot), clock(s.DryUntil(), now))
		}
		return run(say(moved, "%s lies in %s, dry at %s", p.Code, where(d, slot), clock(s.DryUntil(), now)), floor.MovePanel{Job: p.Job.ID, Panel: p.ID, Place: d.ID, Slot: slot})
	case r.State == tandemv1.JobState_JOB_STATE_PENDING && verb == code.Done:
		return say(notReady, "%s of %s has not been started on %s", s.ID(), p.Job.ID, d.ID)
	case r.State == tandemv1.JobState_JOB_STATE_PENDING && r.MayStart && !r.StartAgain(now):
		return say(duplicate, "%s of %s has been started on %s", s.ID(), p.Job.ID, d.ID)
	case r.State == tandemv1.JobState_JOB_STATE_PENDING && again: // the scan that ended the step before must not begin this one
		return say(duplicate, "%s: done a moment ago; scan again to start %s on %s", p.Code, s.ID(), d.ID)
	case r.State == tandemv1.JobState_JOB_STATE_PENDING:
		if why := r.CannotStart(); why != "" {
			return say(notReady, "%s of %s cannot start: %s", s.ID(), p.Job.ID, why)
		}
		return run(say(started, "%s of %s started on %s%s%s", s.ID(), p.Job.ID, d.ID, file(s), blade(s, d)), floor.StartRun{Run: r.ID})
	case r.Unknown():
		return say(notReady, "nobody knows how far %s of %s got on %s: look, count and resolve %s", s.ID(), p.Job.ID, d.ID, r.ID)
	case r.State == tandemv1.JobState_JOB_STATE_PROCESSING && d.Manual() && (again || fresh):
		return say(duplicate, "%s of %s was started a moment ago; scan again when it is done", s.ID(), p.Job.ID)
	case r.State == tandemv1.JobState_JOB_STATE_PROCESSING && d.Manual() && verb != code.Start:
		return run(say(finished, "%s of %s is done, %d pieces%s", s.ID(), p.Job.ID, min(r.Pieces, r.Good+r.Spoiled+s.Left())-r.Spoiled, after(s)), floor.FinishRun{Run: r.ID, Spoiled: r.Spoiled})
	case r.State == tandemv1.JobState_JOB_STATE_PROCESSING:
		return say(duplicate, "%s of %s runs on %s, until about %s", s.ID(), p.Job.ID, d.ID, clock(r.ExpectedEnd(now), now))
	}
	return say(notReady, "%s of %s stands still on %s: %s", s.ID(), p.Job.ID, d.ID, strings.Join(r.Reasons, ", "))
}

// with names what keeps a busy device busy: it may be another panel that nobody has begun.
func with(d *floor.Device, now time.Time) string {
	if len(d.Live) < d.Capacity {
		return ""
	}
	const most = 3
	var runs []string
	for _, r := range d.Live[:min(len(d.Live), most)] {
		what := fmt.Sprintf("%s of %s ", r.Step.ID(), r.Step.Job.ID)
		if r.State == tandemv1.JobState_JOB_STATE_PENDING && !r.MayStart {
			what += "waits to be started there"
		} else {
			what += "until about " + clock(r.ExpectedEnd(now), now)
		}
		runs = append(runs, what)
	}
	if len(d.Live) > most {
		runs = append(runs, fmt.Sprintf("and %d more", len(d.Live)-most))
	}
	return ": " + strings.Join(runs, ", ")
}

func liveHere(p *floor.Panel, d *floor.Device) *floor.Run {
	for _, r := range d.Live {
		if slices.Contains(r.Step.Panels, p) {
			return r
		}
	}
	return nil
}

// nextStep returns the first open step of the panel that waits for nothing else, or, if all wait, the first open one.
func nextStep(p *floor.Panel) *floor.Step {
	var found *floor.Step
	for _, s := range p.Job.Steps {
		if !s.Open() || !slices.Contains(s.Panels, p) {
			continue
		}
		if s.Waiting == 0 && s.Live == nil {
			return s
		}
		if found == nil || (found.Live != nil && s.Live == nil) {
			found = s
		}
	}
	return found
}

func waits(s *floor.Step, d *floor.Device, now time.Time) Answer {
	var names []string
	for _, b := range s.Before {
		switch {
		case b.Ended == tandemv1.JobState_JOB_STATE_COMPLETED:
		case b.Drying() && b.Waiting == 0 && now.Before(b.DryUntil()):
			return say(notReady, "still drying until %s: do not %s before", clock(b.DryUntil(), now), s.Operation())
		default:
			names = append(names, b.ID())
		}
	}
	return say(notReady, "%s at %s waits for %s", s.ID(), d.ID, strings.Join(names, ", "))
}

// file names what is about to be cut or printed, so that the operator can compare.
func file(s *floor.Step) string {
	for _, doc := range s.Spec.GetDocuments() {
		if sum := doc.GetSha256(); sum != "" {
			return fmt.Sprintf(", file %s (%s...)", lastPart(doc.GetUri()), sum[:8])
		}
	}
	return ""
}

// blade names the blade that has to be in the device, if it may be another one.
func blade(s *floor.Step, d *floor.Device) string {
	if want := s.Spec.GetBlade(); want != "" && want != d.Blade {
		return ", with blade " + want
	}
	return ""
}

func lastPart(uri string) string { return uri[strings.LastIndexByte(uri, '/')+1:] }

func after(s *floor.Step) string {
	if len(s.Next) == 0 {
		return ""
	}
	return fmt.Sprintf("; next is %s at %s", s.Next[0].ID(), places(s.Next[0]))
}

// places names where a step could go.
func places(s *floor.Step) string {
	if s.Live != nil {
		return s.Live.Device.ID
	}
	var names []string
	for _, d := range s.Class.Fits {
		if len(names) == 3 {
			names = append(names, "...")
			break
		}
		names = append(names, d.ID)
	}
	if len(names) == 0 {
		return "no device of this floor"
	}
	return strings.Join(names, " or ")
}

func note(s string) string {
	if s == "" {
		return "no reason given"
	}
	return s
}

// clock is a time as the shop's clock shows it, by which now is given.
func clock(t, now time.Time) string { return t.In(now.Location()).Format("15:04") }
