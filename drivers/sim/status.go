package sim

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// status is the whole truth about the machine.
func (m *machine) status() *driverv1.Status {
	s := &driverv1.Status{Link: tandemv1.Link_LINK_ONLINE}
	s.State, s.Phase = m.doing()
	if m.Trouble != "" {
		s.StateReasons = []string{m.Trouble}
	}
	switch {
	case m.lacking != nil && m.Job != nil:
		s.StateReasons = append(s.StateReasons, drivers.ReasonNotStored+"-warning")
	case m.lacking != nil:
		s.StateReasons = append(s.StateReasons, drivers.ReasonNotStored+"-error")
	}
	for i := range m.Ended {
		s.Runs = append(s.Runs, m.runStatus(&m.Ended[i]))
	}
	if m.Job != nil && !m.Job.Forgotten {
		s.Runs = append(s.Runs, m.runStatus(m.Job))
	}
	if m.Loaded != nil {
		s.Runs = append(s.Runs, m.runStatus(m.Loaded))
	}
	return s
}

func (m *machine) doing() (tandemv1.DeviceState, tandemv1.DevicePhase) {
	switch {
	case m.Trouble != "":
		return tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
	case m.Job != nil && m.Job.Done < 0:
		return tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_SETUP
	case m.Job != nil:
		return tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
	case m.lacking != nil:
		return tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
	case !m.CleanEnd.IsZero():
		return tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_CLEANUP
	}
	return tandemv1.DeviceState_DEVICE_STATE_IDLE, tandemv1.DevicePhase_DEVICE_PHASE_IDLE
}

func (m *machine) runStatus(j *job) *driverv1.RunStatus {
	r := &driverv1.RunStatus{
		Run: j.Run, Fence: j.Fence, State: j.State, PiecesSpoiled: j.Spoiled, PiecesGood: j.made() - j.Spoiled,
		Fraction: float64(max(j.Done, 0)) / float64(j.Units), StartTime: stamp(j.Start), EndTime: stamp(j.End),
		MarkReadings: markReadings(j),
	}
	switch {
	case j == m.Job && m.Trouble != "":
		r.State = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
		r.StateReasons = []string{"printer-stopped"}
	case j == m.Job && j.Stop:
		r.StateReasons = []string{"processing-to-stop-point"}
	default:
		r.StateReasons = reasons(j)
	}
	return r
}

// reasons are job-state-reasons of RFC 8011 section 5.3.8, and the contract's own.
func reasons(j *job) []string {
	switch j.State {
	case tandemv1.JobState_JOB_STATE_PENDING:
		if j.MayStart {
			return []string{"queued-in-device"}
		}
		return []string{"x-awaiting-start"}
	case tandemv1.JobState_JOB_STATE_ABORTED:
		return []string{"aborted-by-system", j.Why}
	case tandemv1.JobState_JOB_STATE_CANCELED:
		return []string{"job-canceled-by-operator"}
	case tandemv1.JobState_JOB_STATE_COMPLETED:
		if j.Spoiled > 0 {
			return []string{"job-completed-with-errors"}
		}
		return []string{"job-completed-successfully"}
	default:
		return nil
	}
}

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
