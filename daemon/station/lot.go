package station

import (
	"fmt"
	"strconv"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

// takeLot says what it means that the code of a roll is scanned: it is put on a device.
func (e *entry) takeLot(f *floor.Floor, s Scan, l *floor.Lot) Answer {
	switch e.verb {
	case code.Where:
		e.clear()
		return whereLot(l)
	case code.Start, code.Done, code.Spoiled, code.Remake:
		return say(notReady, "%s: scan a panel; %s is a roll or stack of %s", e.verb, l.Code, l.Media())
	default: // a roll is brought to a device
	}
	device := e.device
	if device == "" {
		device = s.Device
	}
	if device == "" {
		e.lot = l.Code
		return say(next, "%s, %s of %s: now scan the device", l.ID, metres(l.Remaining), l.Media())
	}
	d, ok := f.Device(device)
	if !ok {
		return say(unknown, "this station is set to device %q, which is not on this floor", device)
	}
	e.clear()
	return load(l, d)
}

// load says what it means that a roll is brought to a device.
func load(l *floor.Lot, d *floor.Device) Answer {
	if d.Lot == l && d.Loaded == l.Media() {
		a := say(duplicate, "%s is on %s already, %s left", l.ID, d.ID, metres(l.Remaining))
		a.Subject = "devices/" + d.ID
		return a
	}
	off := ""
	switch {
	case d.Lot != nil:
		off = fmt.Sprintf("; %s is off with %s left", d.Lot.ID, metres(d.Lot.Remaining))
	case d.Loaded != "" && d.Loaded != l.Media():
		off = fmt.Sprintf("; %s is off", d.Loaded)
	}
	if l.Device != nil {
		off += fmt.Sprintf("; nothing is on %s now", l.Device.ID)
	}
	a := say(loaded, "%s, %s of %s, is on %s%s%s", l.ID, metres(l.Remaining), l.Media(), d.ID, off, waitsFor(l, d))
	a.Command, a.Subject = floor.LoadMedia{Device: d.ID, Lot: l.ID}, "devices/"+d.ID
	return a
}

// waitsFor says what becomes of the run that waits on the device for such a roll.
func waitsFor(l *floor.Lot, d *floor.Device) string {
	for _, r := range d.Live {
		if r.State != tandemv1.JobState_JOB_STATE_PENDING || r.MayStart || r.Step.Supply() == "" {
			continue
		}
		what := fmt.Sprintf("%s of %s", r.Step.ID(), r.Step.Job.ID)
		switch need := d.NeedOf(r); {
		case r.Step.Supply() != l.Media():
			return fmt.Sprintf("; %s waits for %s", what, r.Step.Supply())
		case need > l.Remaining:
			return fmt.Sprintf("; %s takes %s: too short for it", what, metres(need))
		case d.Ability(r.Step.Operation()).GetUnattendedStart() == nil || r.Step.Job.Held:
			return fmt.Sprintf("; next start %s", what)
		default:
			return fmt.Sprintf("; %s may begin by itself", what)
		}
	}
	return ""
}

func whereLot(l *floor.Lot) Answer {
	text := fmt.Sprintf("%s is %s, %s of %s left", l.ID, l.Media(), metres(l.Remaining), metres(l.Spec.GetLengthUm()))
	if n := l.Reserved(); n > 0 {
		text += fmt.Sprintf(", %s of it spoken for", metres(n))
	}
	if l.Device != nil {
		text += ", on " + l.Device.ID
	}
	if l.Remaining == 0 {
		text += ": empty or out of use"
	}
	a := say(shown, "%s", text)
	a.Subject = "lots/" + l.ID
	return a
}

// metres writes a length to the centimetre.
func metres(um int64) string {
	return strconv.FormatFloat(float64(um/10_000)/100, 'f', -1, 64) + " m"
}
