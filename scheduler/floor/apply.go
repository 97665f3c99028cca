package floor

import (
	"fmt"
	"slices"
	"time"

	"google.golang.org/protobuf/proto"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

// Apply changes the state by one event of the record with that revision and commit time. It cannot fail: an event that
// does not fit the state is a broken ledger or a bug, and Apply panics naming both.
func (f *Floor) Apply(revision uint64, at time.Time, e *ledgerv1.Event) {
	f.load.stale = true
	if revision != f.Revision {
		f.Revision, f.CommitTime = revision, at
		f.forgetRequests(at)
	}
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_TermBegan:
		f.applyTerm(k.TermBegan)
	case *ledgerv1.Event_FloorConfigured:
		f.applyFile(k.FloorConfigured.GetFloor())
	case *ledgerv1.Event_RequestAnswered:
		f.remember(&answered{event: k.RequestAnswered, time: at, revision: revision})
	case *ledgerv1.Event_LedgerRestored:
		f.applyLedgerRestored(k.LedgerRestored)
	case *ledgerv1.Event_WorkUnrecorded:
		f.applyWorkUnrecorded(k.WorkUnrecorded, at)
	case *ledgerv1.Event_WorkReviewed:
		f.applyWorkReviewed(k.WorkReviewed)
	case *ledgerv1.Event_JobCreated:
		f.applyJobCreated(k.JobCreated, at)
	case *ledgerv1.Event_JobHeld:
		j := f.mustJob(k.JobHeld.GetJob())
		j.Held, j.HoldNote = true, k.JobHeld.GetNote()
		f.touchJob(j)
	case *ledgerv1.Event_JobReleased:
		j := f.mustJob(k.JobReleased.GetJob())
		j.Held, j.HoldNote = false, ""
		f.touchJob(j)
	case *ledgerv1.Event_JobCanceled:
		f.applyJobCanceled(k.JobCanceled, at)
	case *ledgerv1.Event_PiecesSpoiled:
		f.applyPiecesSpoiled(k.PiecesSpoiled, at)
	case *ledgerv1.Event_SpoilWithdrawn:
		f.applySpoilWithdrawn(k.SpoilWithdrawn)
	case *ledgerv1.Event_PiecesRemade:
		f.applyPiecesRemade(k.PiecesRemade, at)
	case *ledgerv1.Event_JobsGanged:
		f.applyJobsGanged(k.JobsGanged)
	case *ledgerv1.Event_GangDissolved:
		f.dissolve(f.mustJob(k.GangDissolved.GetJob()))
	case *ledgerv1.Event_PanelMoved:
		p := f.mustPanel(k.PanelMoved.GetJob(), k.PanelMoved.GetPanel())
		f.takenOff(p, k.PanelMoved.GetPlace())
		p.moved(k.PanelMoved.GetPlace(), k.PanelMoved.GetSlot(), at)
		f.touchJob(p.Job)
	case *ledgerv1.Event_JobsArchived:
		f.applyJobsArchived(k.JobsArchived.GetJobs())
	case *ledgerv1.Event_WaitOverridden:
		f.applyWaitOverridden(k.WaitOverridden, at)
	case *ledgerv1.Event_RunGranted:
		f.applyRunGranted(k.RunGranted.GetRun(), at)
	case *ledgerv1.Event_RunAllowed:
		r := f.mustRun(k.RunAllowed.GetRun())
		r.MayStart, r.StartedBy, r.StartBefore, r.startVoid = true, e.GetActor(), moment(k.RunAllowed.GetStartBefore()), false
		f.reserve(r.Device)
		f.touchRun(r)
	case *ledgerv1.Event_RunLapsed:
		r := f.mustRun(k.RunLapsed.GetRun())
		r.MayStart, r.StartedBy, r.StartBefore = false, "", time.Time{}
		f.reserve(r.Device)
		f.touchRun(r)
	case *ledgerv1.Event_RunStopping:
		r := f.mustRun(k.RunStopping.GetRun())
		r.Stopping, r.Withdraw = true, k.RunStopping.GetWithdraw()
		f.touchRun(r)
	case *ledgerv1.Event_RunChanged:
		f.applyRunChanged(k.RunChanged, at)
	case *ledgerv1.Event_RunResolved:
		f.applyRunResolved(k.RunResolved, at)
	case *ledgerv1.Event_RunRefused:
		f.applyRunRefused(k.RunRefused, at)
	case *ledgerv1.Event_LotReceived:
		f.applyLotReceived(k.LotReceived, at)
	case *ledgerv1.Event_LotMeasured:
		f.applyLotMeasured(k.LotMeasured)
	case *ledgerv1.Event_MediaLoaded:
		f.applyMediaLoaded(k.MediaLoaded)
	case *ledgerv1.Event_MediaOverridden:
		f.applyMediaOverridden(k.MediaOverridden, e.GetActor())
	case *ledgerv1.Event_BladeReplaced:
		f.applyBladeReplaced(k.BladeReplaced)
	case *ledgerv1.Event_PanelRegistered:
		f.applyPanelRegistered(k.PanelRegistered)
	case *ledgerv1.Event_DurationsReset:
		f.applyDurationsReset(k.DurationsReset)
	case *ledgerv1.Event_AttendanceSet:
		f.applyAttendanceSet(k.AttendanceSet, e.GetActor(), at)
	case *ledgerv1.Event_StrayReported:
		d := f.mustDevice(k.StrayReported.GetDevice())
		d.strays = append(d.strays, strayKey(k.StrayReported.GetRun(), k.StrayReported.GetState()))
		d.Revision = f.Revision
	default:
		f.applyDeviceEvent(e)
	}
}

// ApplyRecord applies every event of a record.
func (f *Floor) ApplyRecord(rec *ledgerv1.Record) {
	for _, e := range rec.GetEvents() {
		f.Apply(rec.GetRevision(), moment(rec.GetCommitTime()), e)
	}
}

func (f *Floor) applyDeviceEvent(e *ledgerv1.Event) {
	var d *Device
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_DeviceGreeted:
		d = f.mustDevice(k.DeviceGreeted.GetDevice())
		if d.Epoch != k.DeviceGreeted.GetEpoch() {
			d.strays, d.LastRun = nil, nil // whatever was loaded, a device that starts anew needs a person first
		}
		d.Epoch, d.Link, d.Greeted = k.DeviceGreeted.GetEpoch(), tandemv1.Link_LINK_ONLINE, true
	case *ledgerv1.Event_DeviceChanged:
		c := k.DeviceChanged
		d = f.mustDevice(c.GetDevice())
		d.State, d.Reasons, d.Phase, d.Link = c.GetState(), c.GetReasons(), c.GetPhase(), c.GetLink()
	case *ledgerv1.Event_DevicePaused:
		d = f.mustDevice(k.DevicePaused.GetDevice())
		d.Paused, d.Note, d.Back = true, k.DevicePaused.GetNote(), moment(k.DevicePaused.GetBackTime())
	case *ledgerv1.Event_DeviceResumed:
		d = f.mustDevice(k.DeviceResumed.GetDevice())
		d.Paused, d.Note = false, ""
		if d.LockedBy == "" {
			d.Back = time.Time{}
		}
	case *ledgerv1.Event_DeviceLocked:
		d = f.mustDevice(k.DeviceLocked.GetDevice())
		d.LockedBy, d.Note, d.Back = e.GetActor(), k.DeviceLocked.GetNote(), moment(k.DeviceLocked.GetBackTime())
	case *ledgerv1.Event_DeviceUnlocked:
		d = f.mustDevice(k.DeviceUnlocked.GetDevice())
		d.LockedBy, d.Note = "", ""
		if !d.Paused {
			d.Back = time.Time{}
		}
		f.forgetRetired(d)
	default:
		panic(fmt.Sprintf("floor: revision %d has an event of unknown kind %T: this program is older than its ledger", f.Revision, k))
	}
	d.Revision = f.Revision
	f.touchDevice(d)
}

// applyTerm makes every device not-yet-reported: what the ledger says of it stands until its driver has been heard.
func (f *Floor) applyTerm(t *ledgerv1.TermBegan) {
	f.Term = t.GetTerm()
	for _, d := range f.Devices {
		d.Link, d.Greeted = tandemv1.Link_LINK_NOT_YET_REPORTED, false
		d.Revision = f.Revision
		f.touchDevice(d)
	}
}

func (f *Floor) applyFile(file *tandemv1.FloorFile) {
	f.file = file
	f.people.configure(f.Revision, file)
	f.stock.media = make(map[string]*tandemv1.Media, len(file.GetMedia()))
	for _, m := range file.GetMedia() {
		f.stock.media[m.GetId()] = m
	}
	old := f.Devices
	f.Devices = nil
	for _, spec := range file.GetDevices() {
		d := f.byDevice[spec.GetId()]
		if d == nil {
			d = &Device{}
			f.byDevice[spec.GetId()] = d
		}
		if !slices.Contains(old, d) { // new, or back after it had left: ended runs may still point at it
			c := code.Code{Kind: code.Device, Number: number(f.deviceNumbers, spec.GetId(), &f.counters.Device)}
			*d = Device{ID: spec.GetId(), Code: c.String(), Link: tandemv1.Link_LINK_NOT_YET_REPORTED, Loaded: spec.GetLoadedMedia()}
			f.codes[c] = subject{device: d}
		}
		for _, slot := range spec.GetSlots() {
			c := code.Code{Kind: code.Slot, Number: number(f.slotNumbers, slotKey(spec.GetId(), slot), &f.counters.Slot)}
			f.codes[c] = subject{device: d, slot: slot}
		}
		f.forgetChanged(d, spec)
		d.Spec, d.Capacity, d.Retired, d.Revision, d.stock = spec, max(int(spec.GetCapacity()), 1), false, f.Revision, f.stock
		d.people = f.people
		f.reserve(d)
		f.Devices = append(f.Devices, d)
	}
	for _, d := range old {
		if slices.Contains(f.Devices, d) {
			continue
		}
		d.Retired, d.Revision = true, f.Revision
		if len(d.Live) == 0 {
			d.takeOff(f.Revision)
		}
		if d.kept() {
			f.Devices = append(f.Devices, d)
		}
	}
	for _, p := range file.GetPeople() {
		c := code.Code{Kind: code.Person, Number: number(f.personNumbers, p.GetId(), &f.counters.Person)}
		f.codes[c] = subject{person: p.GetId()}
	}
	f.reclass()
	f.changes = Changes{All: true}
}

// forgetRetired lets a device go that has left the floor file, unless it is kept.
func (f *Floor) forgetRetired(d *Device) {
	if d.Retired && !d.kept() {
		f.Devices = slices.DeleteFunc(f.Devices, func(o *Device) bool { return o == d })
		f.changes = Changes{All: true}
	}
}

// number returns the number given to an id for ever.
func number(given map[string]uint64, id string, last *uint64) uint64 {
	if n, ok := given[id]; ok {
		return n
	}
	*last++
	given[id] = *last
	return *last
}

func (f *Floor) remember(a *answered) {
	f.requests[a.event.GetRequestId()] = a
	f.requestOrder = append(f.requestOrder, a)
}

// forgetRequests drops answers that are older than the promise. It depends on commit times only, so that a replay forgets
// the same ones.
func (f *Floor) forgetRequests(at time.Time) {
	n := 0
	for n < len(f.requestOrder) && at.Sub(f.requestOrder[n].time) > keepRequests {
		delete(f.requests, f.requestOrder[n].event.GetRequestId())
		n++
	}
	f.requestOrder = f.requestOrder[n:]
}

func sameFile(a, b *tandemv1.FloorFile) bool { return proto.Equal(a, b) }

func (f *Floor) mustJob(id string) *Job {
	if j, ok := f.byJob[id]; ok {
		return j
	}
	panic(fmt.Sprintf("floor: revision %d is about job %q, which is not there", f.Revision, id))
}

func (f *Floor) mustPanel(job, id string) *Panel {
	if p, ok := f.mustJob(job).Panel(id); ok {
		return p
	}
	panic(fmt.Sprintf("floor: revision %d is about panel %q of %q, which is not there", f.Revision, id, job))
}

func (f *Floor) mustStep(job, id string) *Step {
	if s, ok := f.mustJob(job).Step(id); ok {
		return s
	}
	panic(fmt.Sprintf("floor: revision %d is about step %q of %q, which is not there", f.Revision, id, job))
}

func (f *Floor) mustRun(id string) *Run {
	if r, ok := f.runs[id]; ok {
		return r
	}
	panic(fmt.Sprintf("floor: revision %d is about run %q, which is not there", f.Revision, id))
}

func (f *Floor) mustDevice(id string) *Device {
	if d, ok := f.byDevice[id]; ok {
		return d
	}
	panic(fmt.Sprintf("floor: revision %d is about device %q, which is not there", f.Revision, id))
}

func (f *Floor) touchJob(j *Job) {
	j.changed(f.Revision)
	for _, s := range j.Steps {
		if s.Open() && s.Waiting == 0 {
			f.touchStep(s)
		}
	}
	f.touchGang(j)
}

func (f *Floor) touchRun(r *Run) {
	r.Step.Job.changed(f.Revision)
	r.Device.Revision = f.Revision
	f.touchStep(r.Step)
	f.touchDevice(r.Device)
	f.touchGang(r.Step.Job)
}
