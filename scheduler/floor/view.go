package floor

import (
	"slices"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

// View returns the job as clients see it, states derived for the given time.
func (j *Job) View(now time.Time) *tandemv1.Job { return j.view(now, (*Step).View) }

// view returns the job with its steps as shown by a function.
func (j *Job) view(now time.Time, show func(*Step, time.Time) *tandemv1.Step) *tandemv1.Job {
	out := jobInputs(j.Spec)
	out.Priority, out.ReleaseTime, out.DueTime, out.Hold = j.Priority(), stamp(j.Release()), stamp(j.Due()), j.Held
	out.Code, out.CreateTime, out.EndTime, out.Revision = j.Code, stamp(j.Create), stamp(j.End), j.Revision
	out.State, out.StateReasons = j.State(now)
	for _, m := range j.Members {
		out.Members = append(out.Members, m.ID)
	}
	for _, p := range j.Panels {
		out.Pieces += p.Pieces
		panel := panelInputs(p.Spec)
		panel.Code, panel.PiecesGood, panel.PiecesSpoiled = p.Code, p.Good, p.Spoiled
		panel.Place, panel.Slot, panel.PlaceTime, panel.RemakeOf = p.Place, p.Slot, stamp(p.PlaceTime), p.RemakeOf
		for _, h := range p.shares {
			of := h.content
			if h.own == p {
				of = h.ownContent
			}
			panel.Contents[of].PiecesSpoiled += h.spoiled
		}
		out.Panels = append(out.Panels, panel)
	}
	for _, s := range j.Steps {
		v := show(s, now)
		out.Steps = append(out.Steps, v)
		if v.GetState() == out.GetState() && slices.Equal(out.GetStateReasons(), []string{ReasonNotReady}) && len(v.GetStateReasons()) > 1 && v.GetStateReasons()[0] == ReasonNotReady {
			out.StateReasons = v.GetStateReasons() // the step says more exactly what the job waits for
		}
	}
	return out
}

// View returns the step as clients see it, its state derived for the given time.
func (s *Step) View(now time.Time) *tandemv1.Step {
	out := s.view(now)
	if s.waitsForDevice(now) {
		if h, ok := s.hindered(now); ok {
			out.StateReasons = append(out.GetStateReasons(), h.Reason)
		}
	}
	return out
}

// view leaves out what keeps the step from the devices: it takes longer to find out, and follows from the rest.
func (s *Step) view(now time.Time) *tandemv1.Step {
	out := stepInputs(s.Spec) // what it is made of is never changed
	out.After, out.Panels = nil, nil
	for _, b := range s.Before {
		out.After = append(out.After, b.ID())
	}
	for _, p := range s.Panels {
		out.Panels = append(out.Panels, p.ID)
	}
	out.State, out.StateReasons = s.State(now)
	out.PiecesGood, out.PiecesSpoiled, out.PiecesLeft = s.Good, s.Spoiled, s.Left()
	out.StartTime, out.EndTime, out.RemakeOf = stamp(s.Start), stamp(s.End), s.RemakeOf
	if c := s.Carrier; c != nil {
		out.CarriedBy = c.Job.ID + "/" + c.ID()
	}
	switch {
	case s.Waiting > 0 || s.Open() && s.Carrier != nil:
	case s.Drying():
		out.ReadyTime = stamp(s.DryUntil())
	default:
		out.ReadyTime = stamp(s.Ready())
	}
	for _, r := range s.Runs {
		out.Runs = append(out.Runs, r.View())
	}
	return out
}

// View returns the run as clients see it.
func (r *Run) View() *tandemv1.Run {
	out := &tandemv1.Run{
		Id: r.ID, Fence: r.Fence, Number: r.Number, Device: r.Device.ID, Job: r.Step.Job.ID, Step: r.Step.ID(),
		Pieces: r.Pieces, State: r.State, StateReasons: r.viewReasons(), PiecesGood: r.Good, PiecesSpoiled: r.Spoiled,
		GrantTime: stamp(r.Grant), StartTime: stamp(r.Start), EndTime: stamp(r.End),
		MayStart: r.MayStart, StartedBy: r.StartedBy, Reason: r.Why, ExpectedDuration: durationpb.New(r.Expected),
		ModelDuration: durationpb.New(r.Model), StoppedDuration: durationpb.New(r.Stopped),
		Lot: r.lotID(), LotLengthUm: r.LotLength, OverrideNote: r.Override, EarlierLots: r.Earlier,
		Registrations: slices.Clone(r.Registrations),
	}
	if r.Person {
		out.AttendedDuration = durationpb.New(r.Attended)
	}
	return out
}

func (r *Run) lotID() string {
	if r.Lot == nil {
		return ""
	}
	return r.Lot.ID
}

func (r *Run) viewReasons() []string {
	if r.Step.Live == r {
		return r.reasons()
	}
	return r.Reasons
}

// View returns the device as clients see it. What its driver says of progress right now is not in the ledger and is added
// by whoever hears it.
func (d *Device) View(now time.Time) *tandemv1.Device {
	out := proto.CloneOf(d.Spec)
	out.Code, out.State, out.StateReasons, out.Phase = d.Code, d.State, d.Reasons, d.Phase
	out.Link, out.DriverEpoch, out.LoadedMedia = d.Link, d.Epoch, d.Loaded
	out.Paused, out.LockedBy, out.PauseNote, out.Revision = d.Paused, d.LockedBy, d.Note, d.Revision
	out.StateReasons = append(slices.Clone(out.GetStateReasons()), d.materialReasons()...)
	out.Blade, out.BladeUsedUm = d.Blade, max(d.BladeUsed, 0)
	out.BackTime = stamp(d.Back)
	if until := d.UnloadUntil(); until.After(now) {
		out.UnloadUntilTime = stamp(until)
	}
	if d.Lot != nil {
		out.LoadedLot, out.LoadedRemainingUm, out.LoadedReservedUm = d.Lot.ID, d.Lot.Remaining, d.Lot.Reserved()
	}
	if d.LockedBy != "" {
		out.StateReasons = append([]string{ReasonMaintenanceLock}, out.GetStateReasons()...)
	}
	if d.Paused {
		out.StateReasons = append([]string{"paused"}, out.GetStateReasons()...)
	}
	if d.Retired {
		out.StateReasons = append([]string{ReasonNotInFloorFile}, out.GetStateReasons()...)
	}
	for _, r := range d.Live {
		live := &tandemv1.DeviceRun{
			Run: r.ID, Job: r.Step.Job.ID, Step: r.Step.ID(), Operation: r.Step.Operation(), State: r.State,
			StateReasons: r.reasons(), Pieces: r.Pieces, PiecesGood: r.Good, PiecesSpoiled: r.Spoiled,
			StartTime: stamp(r.Start), ExpectedEndTime: stamp(r.PlannedEnd(now)),
		}
		if late, _ := r.Overdue(now); late != "" {
			live.StateReasons = append(live.StateReasons, late)
		}
		for _, p := range r.Step.Panels {
			live.PanelCodes = append(live.PanelCodes, p.Code)
		}
		out.Runs = append(out.Runs, live)
	}
	return out
}

// File returns the floor file in force, with the codes of devices and people filled in.
func (f *Floor) File() *tandemv1.FloorFile {
	out := proto.CloneOf(f.file)
	for _, d := range out.GetDevices() {
		d.Code = f.byDevice[d.GetId()].Code
	}
	for _, p := range out.GetPeople() {
		p.Code = code.Format(code.Person, f.personNumbers[p.GetId()])
	}
	return out
}
