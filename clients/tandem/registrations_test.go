package main

import (
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

// A job shows what was read of the marks of its panels, and in words why a panel was refused.
func TestJobShowsMarks(t *testing.T) {
	f := newFake(t)
	f.jobs = append(f.jobs, &tandemv1.Job{
		Id: "van-set", Code: "J2091", State: tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, StateReasons: []string{"x-registration-failed"},
		CreateTime: after(-60),
		Panels:     []*tandemv1.Panel{{Id: "p1", Code: "P0015", Pieces: 20, PiecesGood: 20}, {Id: "p2", Code: "P0023", Pieces: 20, PiecesGood: 20}},
		Steps: []*tandemv1.Step{{
			Id: "cut", Operation: "cut", State: tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, StateReasons: []string{"x-registration-failed"},
			PiecesGood: 20, PiecesLeft: 20,
			Runs: []*tandemv1.Run{{
				Id: "r21", Device: "cutter-1", Step: "cut", Pieces: 40, PiecesGood: 20, State: tandemv1.JobState_JOB_STATE_CANCELED,
				StateReasons: []string{"x-registration-failed"}, StartTime: after(-30), EndTime: after(-8),
				Registrations: []*tandemv1.Registration{
					{PanelCode: "P0015", Accepted: true, ResidualUm: 56, ScaleX: 1.000912, ScaleY: 0.999347, RotationDegrees: 0.2862, SkewDegrees: -0.01},
					{PanelCode: "P0023", Reason: "cannot be the right panel: its scale along x is 0.9600, off by -4.00 %, at most 1 % is allowed", ScaleX: 0.96, ScaleY: 1},
					{PanelCode: "P0023\x1b[2J", Reason: "cannot be told from another panel: \x1b[31m"},
				},
			}},
		}},
	})
	code, stdout, stderr := f.tandem(t, "jobs", "van-set")
	if code != exitOK || stderr != "" {
		t.Fatalf("exit %d: %s", code, stderr)
	}
	if strings.Contains(stdout, "\x1b") {
		t.Errorf("a driver's words reach the terminal: %q", stdout)
	}
	golden(t, "jobs-marks", stdout)
}
