package floor

import (
	"fmt"
	"maps"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

// Schema is the version of the ledger's records and snapshots that this program writes, and the newest it reads. It reads all
// older ones as they are:
//
//	1  the first
//	2  ledger_restored, work_unrecorded and work_reviewed; a snapshot tells what is to be reviewed, and which starts are void
//	3  jobs_archived and spoil_withdrawn; a snapshot tells whose driver has said hello, what has left the floor, and which booking can be taken back
//
// It grows with every kind of event that an older program would not know, so that such a program refuses the ledger before it has
// applied half of it.
const Schema = 3

// Snapshot returns the whole state. Two floors that applied the same records have equal snapshots.
func (f *Floor) Snapshot() *ledgerv1.Snapshot {
	out := &ledgerv1.Snapshot{
		Revision: f.Revision, Term: f.Term, CommitTime: stamp(f.CommitTime), Schema: Schema,
		Floor: f.file, Counters: proto.CloneOf(&f.counters),
		PersonNumbers: maps.Clone(f.personNumbers), DeviceNumbers: maps.Clone(f.deviceNumbers), SlotNumbers: maps.Clone(f.slotNumbers), ArchivedJobs: f.archive.ids(),
	}
	for _, j := range f.Jobs {
		js := &ledgerv1.JobSnapshot{Job: j.view(f.CommitTime, (*Step).view), Held: j.Held, HoldNote: j.HoldNote, Ending: j.Ending}
		js.Job.Hold, js.Job.Pieces = j.Spec.GetHold(), j.Spec.GetPieces()
		js.Job.Priority, js.Job.ReleaseTime, js.Job.DueTime = j.Spec.GetPriority(), j.Spec.GetReleaseTime(), j.Spec.GetDueTime()
		js.Booking = j.booking.snapshot()
		for _, h := range j.shares {
			js.Shares = append(js.Shares, h.snapshot())
		}
		for i, s := range j.Steps {
			js.Job.Steps[i].StateReasons = nil // derived
			for k, r := range s.Runs {
				js.Job.Steps[i].Runs[k].StateReasons = r.Reasons
			}
			js.Steps = append(js.Steps, s.snapshot())
		}
		out.Jobs = append(out.Jobs, js)
	}
	for _, d := range f.Devices {
		ds := &ledgerv1.DeviceSnapshot{Device: d.View(f.CommitTime), Mode: d.Mode, Strays: d.strays, Retired: d.Retired, IdleSince: stamp(d.Idle)}
		ds.Device.StateReasons, ds.Device.BladeUsedUm, ds.FreshLot, ds.Greeted = d.Reasons, d.BladeUsed, d.fresh, d.Greeted
		ds.Device.UnloadUntilTime = nil // derived
		if !d.full.IsZero() {
			ds.FullSince, ds.Unload = stamp(d.full), durationpb.New(d.unload)
		}
		if d.LastRun != nil {
			ds.LastRun = d.LastRun.ID
		}
		out.Devices = append(out.Devices, ds)
	}
	for _, l := range f.stock.lots {
		out.Lots = append(out.Lots, &ledgerv1.LotSnapshot{Lot: l.View(), UsedUm: l.Used, CorrectedUm: l.Corrected, ArchivedUm: l.archived})
	}
	out.Learned = f.snapshotLearned()
	out.Attendance = f.people.snapshot()
	f.snapshotReview(out)
	for _, a := range f.requestOrder {
		out.Requests = append(out.Requests, &ledgerv1.RequestSnapshot{Request: a.event, CommitTime: stamp(a.time), Revision: a.revision})
	}
	return out
}

func (s *Step) snapshot() *ledgerv1.StepSnapshot {
	out := &ledgerv1.StepSnapshot{Ended: s.Ended, Blocked: s.Blocked, Review: s.Review, WaitWaived: s.WaitWaived, FreeTime: stamp(s.Free), ShareDone: s.done, ShareGiven: s.given}
	for id, until := range s.refused {
		if out.RefusedUntil == nil {
			out.RefusedUntil = map[string]*timestamppb.Timestamp{}
		}
		out.RefusedUntil[id] = stamp(until)
	}
	if r := s.Live; r != nil {
		out.Stopping, out.Withdraw, out.StartBefore = r.Stopping, r.Withdraw, stamp(r.StartBefore)
		out.StoppedSince, out.StartVoid = stamp(r.stoppedSince), r.startVoid
	}
	return out
}

// Restore returns the floor of a snapshot.
func Restore(snap *ledgerv1.Snapshot) (*Floor, error) {
	if err := Readable(snap.GetSchema()); err != nil {
		return nil, fmt.Errorf("restore floor: the snapshot: %w", err)
	}
	if err := readableFile(snap.GetFloor()); err != nil {
		return nil, fmt.Errorf("restore floor: the snapshot %w", err)
	}
	f := New()
	f.makeRoom(snap)
	f.Revision, f.Term, f.CommitTime = snap.GetRevision(), snap.GetTerm(), moment(snap.GetCommitTime())
	maps.Copy(f.personNumbers, snap.GetPersonNumbers())
	maps.Copy(f.deviceNumbers, snap.GetDeviceNumbers())
	maps.Copy(f.slotNumbers, snap.GetSlotNumbers())
	proto.Merge(&f.counters, snap.GetCounters())
	f.archive = f.archive.with(snap.GetArchivedJobs())
	for _, ls := range snap.GetLots() {
		f.restoreLot(ls)
	}
	for _, ds := range snap.GetDevices() {
		if ds.GetRetired() {
			f.restoreRetired(ds)
		}
	}
	f.applyFile(snap.GetFloor())
	f.people.restore(snap.GetAttendance())
	for _, ds := range snap.GetDevices() {
		f.restoreDevice(ds)
		if d := f.byDevice[ds.GetDevice().GetId()]; snap.GetSchema() < 3 { // it does not say so: a device was heard where its link was known
			d.Greeted = d.Link != tandemv1.Link_LINK_NOT_YET_REPORTED && d.Link != tandemv1.Link_LINK_UNSPECIFIED
		}
	}
	for _, js := range snap.GetJobs() {
		f.restoreJob(js)
	}
	for _, js := range snap.GetJobs() {
		if err := f.restoreGang(js); err != nil {
			return nil, err
		}
	}
	for _, ds := range snap.GetDevices() {
		d := f.byDevice[ds.GetDevice().GetId()]
		for _, live := range ds.GetDevice().GetRuns() {
			d.Live = append(d.Live, f.runs[live.GetRun()])
		}
		d.LastRun = f.runs[ds.GetLastRun()]
	}
	if err := f.restoreLearned(snap.GetLearned()); err != nil {
		return nil, err
	}
	f.restoreReview(snap)
	for _, r := range snap.GetRequests() {
		f.remember(&answered{event: r.GetRequest(), time: moment(r.GetCommitTime()), revision: r.GetRevision()})
	}
	return f, f.Check()
}

// makeRoom makes the maps as large as a snapshot will fill them: growing costs as much again as filling.
func (f *Floor) makeRoom(snap *ledgerv1.Snapshot) {
	runs, panels := 0, 0
	for _, js := range snap.GetJobs() {
		panels += len(js.GetJob().GetPanels())
		for _, s := range js.GetJob().GetSteps() {
			runs += len(s.GetRuns())
		}
	}
	jobs := len(snap.GetJobs())
	f.Jobs, f.byJob, f.runs = make([]*Job, 0, jobs), make(map[string]*Job, jobs), make(map[string]*Run, runs)
	f.codes = make(map[code.Code]subject, jobs+panels+len(snap.GetDevices())+len(snap.GetLots()))
	f.requests, f.requestOrder = make(map[string]*answered, len(snap.GetRequests())), make([]*answered, 0, len(snap.GetRequests()))
}

// restoreRetired puts a device back that has left the floor file and is kept.
func (f *Floor) restoreRetired(ds *ledgerv1.DeviceSnapshot) {
	v := ds.GetDevice()
	d := &Device{ID: v.GetId(), Code: v.GetCode(), Retired: true, stock: f.stock, people: f.people}
	d.Live = []*Run{nil} // so that applyFile keeps it
	f.byDevice[d.ID] = d
	f.Devices = append(f.Devices, d)
	f.index(d.Code, subject{device: d})
}

func (f *Floor) restoreLot(ls *ledgerv1.LotSnapshot) {
	v := ls.GetLot()
	c, _ := code.Parse(v.GetCode())
	l := &Lot{
		ID: v.GetId(), Code: v.GetCode(), Number: c.Number, Spec: lotInputs(v),
		Remaining: v.GetRemainingUm(), Used: ls.GetUsedUm(), Corrected: ls.GetCorrectedUm(), archived: ls.GetArchivedUm(),
		Receive: moment(v.GetReceiveTime()), Revision: v.GetRevision(),
	}
	f.stock.add(l)
	f.index(l.Code, subject{lot: l})
}

func (f *Floor) restoreDevice(ds *ledgerv1.DeviceSnapshot) {
	v := ds.GetDevice()
	d := f.byDevice[v.GetId()]
	d.Live = nil
	d.State, d.Reasons, d.Phase, d.Link = v.GetState(), v.GetStateReasons(), v.GetPhase(), v.GetLink()
	d.Epoch, d.Loaded, d.Mode = v.GetDriverEpoch(), v.GetLoadedMedia(), ds.GetMode()
	d.Paused, d.LockedBy, d.Note = v.GetPaused(), v.GetLockedBy(), v.GetPauseNote()
	d.Revision, d.strays, d.Idle = v.GetRevision(), ds.GetStrays(), moment(ds.GetIdleSince())
	d.Back, d.full, d.unload = moment(v.GetBackTime()), moment(ds.GetFullSince()), ds.GetUnload().AsDuration()
	d.Blade, d.BladeUsed, d.fresh, d.Greeted = v.GetBlade(), v.GetBladeUsedUm(), ds.GetFreshLot(), ds.GetGreeted()
	if l := f.stock.byID[v.GetLoadedLot()]; l != nil {
		d.Lot, l.Device = l, d
	}
	if ds.GetRetired() {
		d.Spec, d.Capacity = inputsOf(v), max(int(v.GetCapacity()), 1)
	}
}

// inputsOf returns a device's floor file entry from its view.
func inputsOf(v *tandemv1.Device) *tandemv1.Device {
	return &tandemv1.Device{
		Id: v.GetId(), DisplayName: v.GetDisplayName(), Abilities: v.GetAbilities(), Capacity: v.GetCapacity(),
		Capabilities: v.GetCapabilities(), Driver: v.GetDriver(), Price: v.GetPrice(), RunningHour: v.GetRunningHour(),
	}
}

func (f *Floor) restoreJob(js *ledgerv1.JobSnapshot) {
	v := js.GetJob()
	j := &Job{
		ID: v.GetId(), Code: v.GetCode(), byStep: map[string]*Step{},
		Held: js.GetHeld(), HoldNote: js.GetHoldNote(), Ending: js.GetEnding(),
		Create: moment(v.GetCreateTime()), End: moment(v.GetEndTime()), Revision: v.GetRevision(), booking: restoreBooking(js.GetBooking()),
	}
	c, _ := code.Parse(j.Code)
	j.Number = c.Number
	j.Spec = jobInputs(v)
	j.Spec.Pieces = v.GetPieces()
	for _, p := range v.GetPanels() {
		panel := &Panel{
			Job: j, ID: p.GetId(), Code: p.GetCode(), Pieces: p.GetPieces(), Good: p.GetPiecesGood(), Spoiled: p.GetPiecesSpoiled(),
			Place: p.GetPlace(), Slot: p.GetSlot(), PlaceTime: moment(p.GetPlaceTime()), RemakeOf: p.GetRemakeOf(), Spec: panelInputs(p),
		}
		j.Panels = append(j.Panels, panel)
		f.index(panel.Code, subject{panel: panel})
		if panel.RemakeOf == "" {
			j.Spec.Panels = append(j.Spec.Panels, panelInputs(p))
		}
	}
	for i, sv := range v.GetSteps() {
		s := f.restoreStep(j, sv, js.GetSteps()[i])
		if s.RemakeOf == "" {
			j.Spec.Steps = append(j.Spec.Steps, s.Spec)
		}
	}
	for _, s := range j.Steps {
		free := s.Free
		j.link(s)
		s.Free = free
	}
	f.byJob[j.ID] = j
	f.Jobs = append(f.Jobs, j)
	f.index(j.Code, subject{job: j})
}

func (f *Floor) restoreStep(j *Job, v *tandemv1.Step, extra *ledgerv1.StepSnapshot) *Step {
	spec := stepInputs(v)
	spec.RemakeOf = v.GetRemakeOf()
	s := f.addStep(j, spec, moment(extra.GetFreeTime()))
	s.Ended, s.Blocked, s.WaitWaived, s.Review = extra.GetEnded(), extra.GetBlocked(), extra.GetWaitWaived(), extra.GetReview()
	if !s.Open() {
		j.open--
	}
	s.Good, s.Spoiled, s.Start, s.End = v.GetPiecesGood(), v.GetPiecesSpoiled(), moment(v.GetStartTime()), moment(v.GetEndTime())
	for id, until := range extra.GetRefusedUntil() {
		if s.refused == nil {
			s.refused = map[string]time.Time{}
		}
		s.refused[id] = moment(until)
	}
	for _, rv := range v.GetRuns() {
		r := f.restoreRun(s, rv)
		if r.End.IsZero() {
			s.Live = r
			r.Stopping, r.Withdraw, r.StartBefore = extra.GetStopping(), extra.GetWithdraw(), moment(extra.GetStartBefore())
			r.stoppedSince, r.startVoid = moment(extra.GetStoppedSince()), extra.GetStartVoid()
		}
	}
	return s
}

func (f *Floor) restoreRun(s *Step, v *tandemv1.Run) *Run {
	r := &Run{
		ID: v.GetId(), Fence: v.GetFence(), Number: v.GetNumber(), Device: f.deviceOrGhost(v.GetDevice()), Step: s,
		Pieces: v.GetPieces(), State: v.GetState(), Reasons: v.GetStateReasons(), Good: v.GetPiecesGood(), Spoiled: v.GetPiecesSpoiled(),
		Grant: moment(v.GetGrantTime()), Start: moment(v.GetStartTime()), End: moment(v.GetEndTime()),
		Expected: v.GetExpectedDuration().AsDuration(), Model: v.GetModelDuration().AsDuration(), Stopped: v.GetStoppedDuration().AsDuration(), MayStart: v.GetMayStart(), StartedBy: v.GetStartedBy(), Why: v.GetReason(),
		Person: v.GetAttendedDuration() != nil, Attended: v.GetAttendedDuration().AsDuration(),
		Registrations: v.GetRegistrations(),
	}
	r.Lot, r.LotLength, r.Override, r.Earlier = f.stock.byID[v.GetLot()], v.GetLotLengthUm(), v.GetOverrideNote(), v.GetEarlierLots()
	s.Runs = append(s.Runs, r)
	f.runs[r.ID] = r
	return r
}

// deviceOrGhost returns the device, or for an ended run of a device long gone one that only has its id.
func (f *Floor) deviceOrGhost(id string) *Device {
	if d, ok := f.byDevice[id]; ok {
		return d
	}
	d := &Device{ID: id, Spec: &tandemv1.Device{Id: id}, Retired: true, Capacity: 1, stock: f.stock}
	f.byDevice[id] = d
	return d
}
