package floor

import (
	"fmt"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func (f *Floor) applyLotReceived(e *ledgerv1.LotReceived, at time.Time) {
	f.counters.Lot++
	spec := e.GetLot()
	l := &Lot{
		ID: spec.GetId(), Code: e.GetCode(), Number: f.counters.GetLot(), Spec: lotInputs(spec),
		Remaining: spec.GetLengthUm(), Receive: at, Revision: f.Revision,
	}
	f.stock.add(l)
	f.index(l.Code, subject{lot: l})
}

func (f *Floor) applyLotMeasured(e *ledgerv1.LotMeasured) {
	l := f.mustLot(e.GetLot())
	l.Revision = f.Revision
	d := l.Device
	if d != nil {
		for _, r := range d.Live {
			if r.Lot == l && r.begun() { // what it has taken so far is booked; the rest is reserved anew
				r.leaveLot()
			}
		}
	}
	l.measure(e.GetRemainingUm())
	if d != nil {
		f.reserve(d)
		f.touchLoad(d)
	}
}

// applyMediaLoaded puts a lot on a device. A lot is on one device at most, a device has at most one lot.
func (f *Floor) applyMediaLoaded(e *ledgerv1.MediaLoaded) {
	d := f.mustDevice(e.GetDevice())
	d.takeOff(f.Revision)
	d.Loaded = e.GetMedia()
	if e.GetLot() != "" {
		l := f.mustLot(e.GetLot())
		if from := l.Device; from != nil {
			from.takeOff(f.Revision)
			f.touchLoad(from)
		}
		d.Lot, l.Device, d.fresh = l, d, true
	}
	for _, r := range d.Live {
		if !r.begun() {
			r.Override = "" // that was said of what was on it before
		}
	}
	f.reserve(d)
	f.touchLoad(d)
}

func (f *Floor) applyMediaOverridden(e *ledgerv1.MediaOverridden, actor string) {
	r := f.mustRun(e.GetRun())
	r.Override = actor + ": " + e.GetNote()
	f.touchRun(r)
}

// touchLoad notes that what is on a device has changed: its runs, and those who wait for it, may be concerned.
func (f *Floor) touchLoad(d *Device) {
	d.Revision = f.Revision
	f.touchDevice(d)
	for _, r := range d.Live {
		r.Step.Job.changed(f.Revision)
	}
}

// applyBladeReplaced begins the blade's counter anew. What a run that stands still has cut so far, it has cut with the blade
// before.
func (f *Floor) applyBladeReplaced(e *ledgerv1.BladeReplaced) {
	d := f.mustDevice(e.GetDevice())
	d.Blade, d.BladeUsed = e.GetBlade(), 0
	for _, r := range d.Live {
		if path := r.Step.Spec.GetPathLengthUm(); path > 0 && r.made() > 0 {
			d.BladeUsed -= partOf(path, r.made(), r.Step.Whole())
		}
	}
	d.Revision = f.Revision
	f.touchDevice(d)
}

// beginMaterial notes what is on a device that begins a run: its lot is no longer fresh, its blade is the step's.
func (f *Floor) beginMaterial(r *Run) {
	d := r.Device
	if r.Lot != nil {
		d.fresh = false
	}
	f.reserve(d)
	if kind := r.Step.Spec.GetBlade(); kind != "" && kind != d.Blade {
		if d.Blade != "" {
			d.BladeUsed = 0
		}
		d.Blade = kind
	}
}

// materialReasons are the device's state reasons that follow from the books: of its lot, its blade, and the runs that wait
// for something to be loaded. What its driver says of the same is not repeated.
func (d *Device) materialReasons() []string {
	var out []string
	if d.Lot != nil {
		switch why := d.Lot.reason(); {
		case why == ReasonMediaEmpty && reasonWith(d.Reasons, mediaEmpty) == "",
			why == ReasonMediaLow && reasonWith(d.Reasons, mediaLow) == "":
			out = append(out, why)
		}
	}
	for _, r := range d.Live {
		if r.State == tandemv1.JobState_JOB_STATE_PENDING && r.NeedsLoad() && reasonWith(d.Reasons, mediaNeeded) == "" {
			out = append(out, ReasonMediaNeeded)
			break
		}
	}
	for _, a := range d.Spec.GetAbilities() {
		if life := a.GetBladeLifeUm(); life > 0 && d.BladeUsed >= life {
			return append(out, ReasonBladeWorn)
		}
	}
	return out
}

func (f *Floor) mustLot(id string) *Lot {
	if l, ok := f.stock.byID[id]; ok {
		return l
	}
	panic(fmt.Sprintf("floor: revision %d is about lot %q, which is not there", f.Revision, id))
}
