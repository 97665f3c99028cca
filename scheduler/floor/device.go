package floor

import (
	"fmt"
	"slices"
	"strings"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/duration"
	"tandem/scheduler/physics"
)

// Device is a machine, a rack or a bench.
type Device struct {
	ID       string
	Code     string
	Spec     *tandemv1.Device // as in the floor file: inputs only, and whether its driver is manual
	Capacity int
	Retired  bool // no longer in the floor file: see [Device.kept]

	State    tandemv1.DeviceState
	Reasons  []string
	Phase    tandemv1.DevicePhase
	Link     tandemv1.Link
	Greeted  bool // its driver has said hello in this term: only then is it listened to, and told anything
	Epoch    uint64
	Loaded   string // media or film on it
	Mode     string // mode of its last run
	Paused   bool
	LockedBy string
	Note     string    // why it is paused or locked
	Live     []*Run    // in the order of their grants
	LastRun  *Run      // that began last since its driver started: what may still be loaded
	Idle     time.Time // when its last run ended: it cools down from then on
	Revision uint64
	strays   []string

	unrecorded []*Unrecorded    // work it has reported and the ledger does not have
	factors    map[pace]float64 // what its runs took, by what the model said

	Lot       *Lot   // on it, of what is loaded; nil: nobody keeps account
	Blade     string // kind of blade in it; empty: nobody said
	BladeUsed int64  // knife path since it was put in, micrometres; below 0 while a run that began before is not booked
	fresh     bool   // the lot was put on and nothing has been made from it yet: its web-up is still to be lost
	stock     *stock

	Back   time.Time     // paused or locked: when it is expected back; zero: nobody knows
	full   time.Time     // when the work ended that somebody has to take off; zero: there is none
	unload time.Duration // how long that takes
	people *people
}

// mostStrays bounds what is remembered of a device that reports about runs it was not given.
const mostStrays = 64

// Manual says whether people's scans are the device's reports.
func (d *Device) Manual() bool { return d.Spec.GetDriver().GetManual() }

// kept says whether a device that has left the floor file stays on the floor: until its runs have ended, and until its lock is cleared,
// which must hold if the device comes back, since whoever has set it may still be inside.
func (d *Device) kept() bool { return len(d.Live) > 0 || d.LockedBy != "" }

// HasSlot says whether the floor file gives the device a slot of that name. No device has none.
func (d *Device) HasSlot(slot string) bool {
	return d != nil && slices.Contains(d.Spec.GetSlots(), slot)
}

// Ability returns the device's ability for an operation, or nil.
func (d *Device) Ability(operation string) *tandemv1.Ability {
	for _, a := range d.Spec.GetAbilities() {
		if a.GetOperation() == operation {
			return a
		}
	}
	return nil
}

// Fits says whether the device could do a step that asks for this, busy or not; if not, why.
func (d *Device) Fits(s *tandemv1.Step) (bool, string) {
	if d.Retired {
		return false, "is no longer in the floor file"
	}
	a := d.Ability(s.GetOperation())
	accepts := func(list []string, want string) bool {
		return want == "" || len(list) == 0 || slices.Contains(list, want)
	}
	switch {
	case a == nil:
		return false, "cannot " + s.GetOperation()
	case len(s.GetDevices()) > 0 && !slices.Contains(s.GetDevices(), d.ID):
		return false, "is not one of the devices the step names"
	case !accepts(a.GetMedia(), s.GetMedia()):
		return false, "does not take media " + s.GetMedia()
	case !accepts(a.GetInks(), s.GetInk()):
		return false, "has no ink " + s.GetInk()
	case !accepts(a.GetModes(), s.GetMode()):
		return false, "has no mode " + s.GetMode()
	case !accepts(a.GetFilms(), s.GetFilm()):
		return false, "does not take film " + s.GetFilm()
	case a.GetMaxWidthUm() > 0 && s.GetWidthUm() > a.GetMaxWidthUm():
		return false, fmt.Sprintf("takes at most %d mm, the step needs %d mm", a.GetMaxWidthUm()/1000, s.GetWidthUm()/1000)
	}
	for _, name := range sortedKeys(s.GetRequires()) {
		if want := s.GetRequires()[name]; d.Spec.GetCapabilities()[name] != want {
			return false, fmt.Sprintf("has not %s=%s", name, want)
		}
	}
	return true, ""
}

// Available says whether the device can take another run now; if not, why.
func (d *Device) Available() (bool, string) {
	switch {
	case d.Retired:
		return false, "is no longer in the floor file"
	case d.Link == tandemv1.Link_LINK_NOT_YET_REPORTED, d.Link == tandemv1.Link_LINK_UNSPECIFIED:
		return false, "its driver has not reported yet"
	case d.Link != tandemv1.Link_LINK_ONLINE:
		return false, "is offline"
	case d.LockedBy != "":
		return false, "is locked for maintenance by " + d.LockedBy
	case d.Paused:
		return false, "is paused"
	case d.State == tandemv1.DeviceState_DEVICE_STATE_STOPPED:
		return false, "is stopped: " + strings.Join(d.Reasons, ", ")
	case d.State == tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED:
		return false, "its driver has not reported yet"
	case len(d.Live) >= d.Capacity:
		return false, "is busy"
	case reasonWith(d.Reasons, otherWork) != "":
		return false, "works on something that was begun at the machine"
	case d.atUnrecorded() != nil:
		return false, "is at work on " + d.atUnrecorded().Run + ", which the ledger does not have"
	}
	return true, ""
}

// Estimate is what a step would take on a device.
type Estimate struct {
	Changeover time.Duration
	Setup      time.Duration
	Work       time.Duration
	Model      time.Duration // the sum as the model says, before it was corrected by what the device really took

	Person   bool          // somebody must be there to begin it
	Attended time.Duration // for which they stay, from the beginning of the changeover
}

// Total returns the sum.
func (e Estimate) Total() time.Duration { return e.Changeover + e.Setup + e.Work }

// Estimate returns what the rest of a step would take on the device, were it free at the given time. The device must fit.
func (d *Device) Estimate(s *Step, at time.Time) Estimate {
	a := d.Ability(s.Operation())
	if s.Drying() {
		left := max(s.DryUntil().Sub(at), 0)
		return Estimate{Work: left, Model: left}
	}
	e := Estimate{
		Changeover: d.Changeover(s, a),
		Setup:      a.GetSetup().AsDuration() + d.warmUp(a, at),
		Work:       duration.Work(a, s.Demand(d.ID)),
	}
	if d.Continues(s) {
		e.Setup = 0
	}
	e.Model = e.Changeover + e.Setup + e.Work
	if f := d.Factor(s); f != 1 {
		for _, t := range []*time.Duration{&e.Changeover, &e.Setup, &e.Work} {
			*t = time.Duration(float64(*t) * f)
		}
	}
	e.Attended, e.Person = d.attended(s, e)
	return e
}

// warmUp returns the time the device needs until it is warm at that time: nothing while it works or has just worked.
func (d *Device) warmUp(a *tandemv1.Ability, at time.Time) time.Duration {
	t := a.GetWarmUp().AsDuration()
	if t == 0 || len(d.Live) > 0 || (!d.Idle.IsZero() && at.Sub(d.Idle) < a.GetCoolsAfter().AsDuration()) {
		return 0
	}
	return t
}

// Changeover returns the time to load other media or film, or a longer roll of the same, and to change mode and blade.
func (d *Device) Changeover(s *Step, a *tandemv1.Ability) time.Duration {
	from, to := physics.Loaded{Mode: d.Mode, Blade: d.Blade}, physics.Loaded{Mode: s.Spec.GetMode(), Blade: s.Spec.GetBlade()}
	need, loaded := s.Supply(), d.Loaded
	if d.tooShort(s) {
		loaded = "" // another roll of the same has to be put on
	}
	if s.Spec.GetFilm() != "" {
		from.Film, to.Film = loaded, need
	} else {
		from.Media, to.Media = loaded, need
	}
	if to.Mode == "" && to.Blade == "" && (need == "" || need == loaded) {
		return 0 // the usual case, without looking anything up
	}
	return duration.Changeover(a, from, to)
}

// Continues says whether the step's panels are still on the device from the run before, so that nothing is reloaded. After
// a run that did not end well, or that a person had to account for, nobody knows that.
func (d *Device) Continues(s *Step) bool {
	if !d.Ability(s.Operation()).GetContinuesLoaded() || d.LastRun == nil || len(s.Panels) == 0 {
		return false
	}
	if r := d.LastRun; r.State != tandemv1.JobState_JOB_STATE_COMPLETED || slices.Contains(r.Reasons, ReasonResolved) {
		return false
	}
	for _, p := range s.Panels {
		if p.Place != d.ID || !slices.Contains(d.LastRun.Step.Panels, p) {
			return false
		}
	}
	return true
}

// BusyUntil returns when the device is expected to be able to take another run: now if it has room and nobody has to take
// anything off it first, else when the first of its live runs is expected to have ended and to be off it; never before now.
func (d *Device) BusyUntil(now time.Time) time.Time {
	if len(d.Live) < d.Capacity {
		return later(now, d.UnloadUntil())
	}
	first := d.Live[0].offUntil(now)
	for _, r := range d.Live[1:] {
		if e := r.offUntil(now); e.Before(first) {
			first = e
		}
	}
	return first
}

// Expected says whether the device can be expected to take more work once it is free, or back.
func (d *Device) Expected() bool {
	return !d.Retired && d.Link == tandemv1.Link_LINK_ONLINE && (!d.out() || !d.Back.IsZero()) &&
		d.State != tandemv1.DeviceState_DEVICE_STATE_STOPPED && d.State != tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED
}

func (d *Device) out() bool { return d.Paused || d.LockedBy != "" }

// FreeFrom returns when a device that is Expected should take more work: BusyUntil, and not before it is back. One that is not
// back in time is given as long again as it is late.
func (d *Device) FreeFrom(now time.Time) time.Time {
	free := d.BusyUntil(now)
	if !d.out() {
		return free
	}
	back := d.Back
	if late := now.Sub(back); late >= 0 {
		back = now.Add(max(late, time.Minute))
	}
	return later(free, back)
}

// PlannedEnd returns when the run should end as estimated when it was granted, whether or not that has passed.
func (r *Run) PlannedEnd(now time.Time) time.Time {
	start := r.Start
	if start.IsZero() {
		start = now
	}
	if r.Step.Drying() {
		return r.Step.DryUntil()
	}
	return start.Add(r.Expected)
}

// ExpectedEnd returns when the run should end, never before now. A run that is overdue is given as long again as it is
// late, and one that has not begun is taken to wait as long again as it has waited, so that nobody waits for ever for a
// hanging device or for a person who does not come. A drying run ends when the panel is dry.
func (r *Run) ExpectedEnd(now time.Time) time.Time {
	end := r.PlannedEnd(now)
	if r.Start.IsZero() && !r.Step.Drying() {
		end = end.Add(now.Sub(r.Grant))
	}
	if late := now.Sub(end); late > 0 {
		return now.Add(late)
	}
	return end
}

func sortedKeys[V any](m map[string]V) []string {
	keys := make([]string, 0, len(m))
	for k := range m {
		keys = append(keys, k)
	}
	slices.Sort(keys)
	return keys
}
