package ipp

import (
	"slices"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// reasonOther is why a printer works or waits although no run of ours is under way: somebody prints without us.
const reasonOther = "x-other-work-report"

// status is the whole truth about the printer. Its state and reasons are the printer's own (RFC 8011 section 5.4.11 and
// 5.4.12), except that a printer which waits for a person in the middle of a job is stopped here, and one that takes no
// jobs is not idle.
func (d *device) status() *driverv1.Status {
	p := d.printer
	s := &driverv1.Status{
		State: p.state, StateReasons: p.reasonsWith(d.settings.low),
		Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE,
	}
	live := d.live()
	switch {
	case p.stands():
		s.State, s.Phase = tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
	case live != nil:
		s.State, s.Phase = tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
		if p.warmsUp() || live.preparing {
			s.Phase = tandemv1.DevicePhase_DEVICE_PHASE_SETUP
		}
	case p.state == tandemv1.DeviceState_DEVICE_STATE_PROCESSING:
		s.Phase = tandemv1.DevicePhase_DEVICE_PHASE_NON_PRODUCTIVE
		if !slices.ContainsFunc(d.Runs, (*run).atPrinter) {
			s.StateReasons = append(s.StateReasons, reasonOther)
		}
	case !p.accepting:
		s.State, s.Phase = tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
		s.StateReasons = append(s.StateReasons, "x-not-accepting-jobs-error")
	}
	for _, r := range d.Runs {
		s.Runs = append(s.Runs, r.status())
	}
	return s
}

// live returns the run that the printer works on, or nil.
func (d *device) live() *run {
	i := slices.IndexFunc(d.Runs, func(r *run) bool {
		return !r.Lost && (r.State == tandemv1.JobState_JOB_STATE_PROCESSING || r.State == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED)
	})
	if i < 0 {
		return nil
	}
	return d.Runs[i]
}

func (r *run) status() *driverv1.RunStatus {
	return &driverv1.RunStatus{
		Run: r.Run, Fence: r.Fence, State: r.State, StateReasons: r.Reasons,
		PiecesGood: r.Good, Fraction: r.Share, StartTime: stamp(r.Start), EndTime: stamp(r.End),
	}
}

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
