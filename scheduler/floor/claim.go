package floor

import (
	"slices"

	tandemv1 "tandem/proto/tandem/v1"
)

// Who takes what from a lot. While a run lives, what it will take is reserved on the lot that is on its device. A run that
// waits for its start gets a reservation only if the lot reaches for it; one that may begin, or has begun, takes what it
// takes, whatever the books say. When it ends, or the lot runs out or is taken off, what its pieces took is booked.

// begun says whether the run has begun, or may have.
func (r *Run) begun() bool {
	return !r.Start.IsZero() || r.State != tandemv1.JobState_JOB_STATE_PENDING
}

// firm says whether the run takes from what is on its device whatever that holds.
func (r *Run) firm() bool { return r.MayStart || r.begun() }

// made returns the pieces the run has made, spoiled ones too, as far as the ledger knows.
func (r *Run) made() int32 { return min(r.Good+r.Spoiled, r.Pieces) }

// lotFrom returns how many pieces were made before what its present or next lot is charged for.
func (r *Run) lotFrom() int32 {
	if r.Lot == nil && len(r.Earlier) == 0 {
		return r.made()
	}
	var n int32
	for _, u := range r.Earlier {
		n += u.GetPieces()
	}
	return n
}

// wants says whether the run takes from that media or film on its device.
func (r *Run) wants(media string) bool {
	need := r.Step.Supply()
	return need != "" && (need == media || r.Override != "")
}

// claim returns what the run takes from a lot that it has not taken from yet. Lead and tail are lost once.
func (r *Run) claim(webUp bool) int64 {
	from := r.lotFrom()
	need := r.Device.lotNeed(r.Step, r.Pieces-from, webUp)
	if need > 0 && (from > 0 || len(r.Earlier) > 0) {
		need -= r.Device.Ability(r.Step.Operation()).GetRunWasteUm()
	}
	return need
}

// NeedOf returns what a run of the device that has not begun takes from a lot that is put on for it, in micrometres; 0 if that
// is not known.
func (d *Device) NeedOf(r *Run) int64 { return r.claim(true) }

// claim is what a run takes from a lot.
type claim struct {
	run    *Run
	length int64
}

// claims returns what the live runs of a device take from a lot of that media with so much left: those that may begin or
// have begun first, then those that wait, in the order of their grants, as far as it reaches. The first takes the web-up of a
// fresh one.
func (d *Device) claims(media string, l *Lot, remaining int64, fresh bool) []claim {
	var out []claim
	free := remaining
	for _, firm := range []bool{true, false} {
		for _, r := range d.Live {
			if r.firm() != firm {
				continue
			}
			var length int64
			switch {
			case firm && r.Lot == l:
				length = r.LotLength
			case remaining <= 0 || !r.wants(media):
				continue
			case firm:
				length = r.claim(fresh)
			default:
				if length = r.claim(fresh); length > 0 && length > free || r.Step.Supply() != media {
					continue
				}
			}
			out = append(out, claim{r, length})
			free -= length
			fresh = false
		}
	}
	return out
}

// reserve shares out what is left of the lot on a device anew, after anything that may have changed it.
func (f *Floor) reserve(d *Device) {
	if d.Lot == nil {
		return
	}
	claims := d.claims(d.Loaded, d.Lot, d.Lot.Remaining, d.fresh)
	for _, r := range d.Live {
		if !r.firm() {
			r.Lot, r.LotLength = nil, 0
		}
	}
	for _, c := range claims {
		if c.run.Lot != nil {
			continue
		}
		if n := c.run.made(); len(c.run.Earlier) == 0 && n > 0 { // made before anybody kept account
			c.run.Earlier = append(c.run.Earlier, &tandemv1.LotUse{Pieces: n})
		}
		c.run.Lot, c.run.LotLength = d.Lot, c.length
		if c.run.begun() {
			d.fresh = false
		}
	}
	d.Lot.Revision = f.Revision
}

// taken returns what the run has taken from its present lot once it has made so many pieces. Lead, tail and web-up are lost
// as soon as it begins.
func (r *Run) taken(made int32) int64 {
	if r.Lot == nil || (r.Start.IsZero() && made == 0) {
		return 0
	}
	from := r.lotFrom()
	made = min(max(made, from), r.Pieces)
	return r.LotLength - r.Step.partLength(r.Pieces-from) + r.Step.partLength(made-from)
}

// leaveLot books what a live run has taken from its lot, which is empty or taken off.
func (r *Run) leaveLot() {
	l, from, made := r.Lot, r.lotFrom(), r.made()
	if l == nil {
		return
	}
	used := r.taken(made)
	r.Lot, r.LotLength = nil, 0
	if used == 0 && made <= from && r.Start.IsZero() {
		return // nothing has been taken
	}
	r.Earlier = append(r.Earlier, &tandemv1.LotUse{Lot: l.ID, LengthUm: used, Pieces: max(made-from, 0)})
	l.take(used)
}

// book ends the books of a run that has made so many pieces: what it took from its lot, and what it cut with its blade.
func (f *Floor) book(r *Run, made int32) {
	made = min(made, r.Pieces)
	if path := r.Step.Spec.GetPathLengthUm(); path > 0 && made > 0 {
		r.Device.BladeUsed += partOf(path, made, r.Step.Whole())
	}
	l, used := r.Lot, r.taken(made)
	if l == nil {
		return
	}
	if used == 0 && r.Start.IsZero() {
		r.Lot = nil // it never began
	}
	r.LotLength = used
	l.take(used)
	l.Revision = f.Revision
}

// takeOff takes the lot off a device.
func (d *Device) takeOff(revision uint64) {
	if d.Lot == nil {
		return
	}
	for _, r := range d.Live {
		r.leaveLot()
	}
	d.Lot.Device, d.Lot.Revision = nil, revision
	d.Lot, d.fresh = nil, false
}

// outOfMaterial says whether the run was given up because the lot it was made from is empty: what is left of it then waits
// for another lot, and for nobody's decision.
func (r *Run) outOfMaterial() bool {
	switch r.State {
	case tandemv1.JobState_JOB_STATE_ABORTED, tandemv1.JobState_JOB_STATE_CANCELED:
	default:
		return false
	}
	counted := r.Lot != nil || slices.ContainsFunc(r.Earlier, func(u *tandemv1.LotUse) bool { return u.GetLot() != "" })
	return counted && reasonWith(r.Reasons, mediaEmpty) != ""
}

// mediaMismatch says whether a person must load something else before the run can begin.
func (r *Run) mediaMismatch() bool {
	need := r.Step.Supply()
	return r.Override == "" && need != "" && r.Device.Loaded != need
}

// lotTooShort says whether a person must load a longer roll of the same before the run can begin.
func (r *Run) lotTooShort() bool {
	need := r.Step.Supply()
	return r.Override == "" && need != "" && r.Device.Loaded == need && r.Device.Lot != nil && r.Lot == nil
}

// NeedsLoad says whether a person must load something before the run can begin.
func (r *Run) NeedsLoad() bool { return r.mediaMismatch() || r.lotTooShort() }

// bladeMismatch says whether another kind of blade has to be put in for the run.
func (r *Run) bladeMismatch() bool {
	want := r.Step.Spec.GetBlade()
	return want != "" && r.Device.Blade != want
}
