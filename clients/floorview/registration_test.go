package floorview

import (
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

// A panel that cannot be the right one needs a person, while its cutter is being stopped and after that.
func TestAWrongPanelNeedsAPerson(t *testing.T) {
	failed := []string{"x-registration-failed"}
	step := &tandemv1.Step{Id: "cut", State: tandemv1.JobState_JOB_STATE_PROCESSING, StateReasons: failed}
	jobs := []*tandemv1.Job{{Id: "van-set", State: step.GetState(), Steps: []*tandemv1.Step{step}}}
	device := &tandemv1.Device{
		Id: "cutter-1", Link: tandemv1.Link_LINK_ONLINE, State: tandemv1.DeviceState_DEVICE_STATE_PROCESSING,
		Runs: []*tandemv1.DeviceRun{{Run: "r21", Job: "van-set", Step: "cut", State: step.GetState(), StateReasons: append(failed, "processing-to-stop-point")}},
	}
	devices := []*tandemv1.Device{device}
	o := Options{Now: noon, Zone: zone, Width: 160}
	if got := Render(jobs, devices, o); !strings.Contains(got, " ! look at cutter-1: by its marks another panel, or laid wrong (van-set / cut)") {
		t.Errorf("while it is being stopped:\n%s", got)
	}
	step.State, jobs[0].State = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	device.Runs, device.State = nil, tandemv1.DeviceState_DEVICE_STATE_IDLE
	if got := Render(jobs, devices, o); !strings.Contains(got, "laid wrong; check, scan it, then decide (van-set / cut)") {
		t.Errorf("when it has stopped:\n%s", got)
	}
	o.Width = 80
	if got := Render(jobs, devices, o); !strings.Contains(got, "laid wrong; check, scan it, then decide\n   van-set / cut\n") {
		t.Errorf("on 80 columns:\n%s", got)
	}
}
