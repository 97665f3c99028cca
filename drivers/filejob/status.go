package filejob

import (
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// mostShown is the greatest share shown of a job that has not ended.
const mostShown = 0.99

// Timing is how long a file takes, and how that is shown.
type Timing struct {
	// Factor of what the daemon expects.
	Factor float64
	// Rate is how fast the device works, in bytes a second; 0: what the daemon expects counts.
	Rate float64
	// ByBytes shows the share of bytes only; else the lesser of that and the share of time.
	ByBytes bool
	// Overdue is how much longer than expected a job may take until a person is asked; 0: for ever.
	Overdue time.Duration
}

// TimingSettings are the settings that ReadTiming reads.
func TimingSettings() []drivers.Setting {
	return []drivers.Setting{
		{Name: "factor", Default: "1", Help: "how long a run takes, as a factor of what the daemon expects: 0.01 to 100"},
		{Name: "work-rate", Default: "0", Help: "how fast the device works, in bytes of the file a second; 0: as long as the daemon expects"},
		{Name: "overdue", Default: "0s", Help: "how much longer than expected a run may take without a word until its outcome counts as unknown; 0s: for ever"},
	}
}

// ReadTiming reads TimingSettings.
func ReadTiming(v *drivers.Values) Timing {
	return Timing{Factor: v.Float("factor", 0.01, 100), Rate: v.Float("work-rate", 0, 1e9), Overdue: v.Duration("overdue", 0, 7*24*time.Hour)}
}

func (t Timing) takes(g *driverv1.Grant, size int64) time.Duration {
	const most = 365 * 24 * time.Hour
	takes := float64(g.GetExpectedSetup().AsDuration()+g.GetExpectedWork().AsDuration()) * t.Factor
	if t.Rate > 0 {
		takes = float64(size) / t.Rate * float64(time.Second)
	}
	return time.Duration(min(max(takes, 0), float64(most)))
}

// overdue asks for a person where a device has said nothing for too long.
func (d *Desk) overdue() {
	if d.Job.Live() && d.timing.Overdue > 0 && d.Job.Elapsed > d.Job.Takes+d.timing.Overdue && !d.Job.Done {
		d.Unknown()
	}
}

// Over says whether the time that a job takes has passed.
func (j *Job) Over() bool { return j.Elapsed >= j.Takes }

// share is how much of a job is done, as far as can be told.
func (d *Desk) share(j *Job) float64 {
	bytes, span := 1.0, 1.0
	if j.Size > 0 {
		bytes = float64(j.Sent) / float64(j.Size)
	}
	if j.Takes > 0 {
		span = float64(j.Elapsed) / float64(j.Takes)
	}
	switch {
	case d.timing.ByBytes:
	case j.Takes > 0:
		bytes = min(bytes, span)
	}
	return min(bytes, mostShown)
}

// status is the whole truth about the device.
func (d *Desk) status() *driverv1.Status {
	s := &driverv1.Status{State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Phase: tandemv1.DevicePhase_DEVICE_PHASE_IDLE}
	stopped := func(reason string) {
		s.State, s.Phase = tandemv1.DeviceState_DEVICE_STATE_STOPPED, tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
		s.StateReasons = []string{reason}
	}
	if d.grant != nil {
		s.Runs = append(s.Runs, d.waiting())
		if d.trouble != "" {
			stopped(d.trouble)
		}
	}
	j := d.Job
	if j == nil {
		return s
	}
	switch {
	case !j.Live(), j.Starting:
	case j.State == tandemv1.JobState_JOB_STATE_PROCESSING:
		s.State, s.Phase = tandemv1.DeviceState_DEVICE_STATE_PROCESSING, tandemv1.DevicePhase_DEVICE_PHASE_PRODUCTION
		s.StateReasons = nil
	default:
		stopped(j.Reasons[0])
	}
	if j.Settled {
		return s
	}
	r := &driverv1.RunStatus{
		Run: j.Run, Fence: j.Fence, State: j.State, StateReasons: j.Reasons, Fraction: d.share(j), StartTime: stamp(j.Start), EndTime: stamp(j.End),
	}
	switch {
	case j.Starting:
		r.State, r.StateReasons, r.Fraction = tandemv1.JobState_JOB_STATE_PENDING, []string{"queued-in-device"}, 0
	case j.State == tandemv1.JobState_JOB_STATE_COMPLETED:
		r.Fraction, r.PiecesGood = 1, j.Pieces // nobody has counted; what is spoiled, people say
	case j.State == tandemv1.JobState_JOB_STATE_PROCESSING && j.Stopping:
		r.StateReasons = []string{"processing-to-stop-point"}
	}
	s.Runs = append(s.Runs, r)
	return s
}

// waiting is the status of the run in hand that has not begun.
func (d *Desk) waiting() *driverv1.RunStatus {
	r := &driverv1.RunStatus{Run: d.grant.GetRun(), Fence: d.grant.GetFence(), State: tandemv1.JobState_JOB_STATE_PENDING}
	if d.start != nil {
		r.StateReasons = []string{"queued-in-device"}
		return r
	}
	r.StateReasons = []string{drivers.ReasonAwaitingStart}
	if d.trouble != "" {
		r.StateReasons = append(r.StateReasons, d.trouble)
	}
	return r
}

func stamp(t time.Time) *timestamppb.Timestamp {
	if t.IsZero() {
		return nil
	}
	return timestamppb.New(t)
}
