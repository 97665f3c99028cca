package floor

import (
	"testing"
	"time"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// A start that a run has begun with is used up: a driver that has lost its memory says that the run waits for its start, and is not
// given it a second time.
func TestAStartIsGivenOnce(t *testing.T) {
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	waits := &driverv1.RunStatus{State: tandemv1.JobState_JOB_STATE_PENDING, StateReasons: []string{ReasonAwaitingStart}}
	for _, c := range []struct {
		name           string
		begun, allowed time.Duration // after at; below 0: never
		now            time.Duration
		want           bool
	}{
		{"not begun", -1, 0, time.Second, true},
		{"begun with this start", time.Second, 0, 2 * time.Second, false},
		{"begun by a person on a manual device", time.Second, 0, 2 * time.Second, true},
		{"begun at that moment", 0, 0, time.Second, false},
		{"begun with the start before", 0, time.Second, 2 * time.Second, true},
		{"too late", -1, 0, StartWindow + time.Second, false},
		{"not let begin", -1, -1, 0, false},
	} {
		driver := &tandemv1.Driver{Manual: c.name == "begun by a person on a manual device"}
		r := &Run{ID: "run-1", MayStart: c.allowed >= 0, Device: &Device{Spec: &tandemv1.Device{Driver: driver}}}
		if c.allowed >= 0 {
			r.StartBefore = at.Add(c.allowed + StartWindow)
		}
		if c.begun >= 0 {
			r.Start = at.Add(c.begun)
		}
		if got := r.startUntold(waits, at.Add(c.now)); got != c.want {
			t.Errorf("%s: the start is given again: %t, want %t", c.name, got, c.want)
		}
	}
}

// A start comes to nothing: the cutter was switched off, its file was not there. Its driver waits for another one, which whoever stands
// there may give as soon as the device has had its time; until then, and once it has begun, the same start given twice is one.
func TestAStartThatCameToNothingIsGivenAgain(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: &tandemv1.Job{Id: "decals", Pieces: 5, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}})
	s.do(Grant{Step: s.step("cut"), Device: s.floor.byDevice["cutter"]})
	r := s.step("cut").Live
	given := func(want time.Time) {
		t.Helper()
		s.do(StartRun{Run: r.ID})
		if r.StartBefore != want.Add(StartWindow) {
			t.Errorf("at %v the start is good until %v, want until %v", s.now, r.StartBefore, want.Add(StartWindow))
		}
	}
	first := s.now
	given(first)
	s.now = first.Add(startAgainAfter - time.Millisecond)
	given(first)
	s.now = first.Add(startAgainAfter)
	s.do(Report{Device: "cutter", Status: func() *driverv1.Status {
		st := report(1, runIs(r, tandemv1.JobState_JOB_STATE_PENDING, 0, ReasonAwaitingStart))
		st.State, st.StateReasons = tandemv1.DeviceState_DEVICE_STATE_STOPPED, []string{"x-document-error"}
		return st
	}()})
	s.refused("mira", "NOT_READY", StartRun{Run: r.ID})
	s.do(Report{Device: "cutter", Status: report(1, runIs(r, tandemv1.JobState_JOB_STATE_PENDING, 0, ReasonAwaitingStart))})
	given(s.now)
	second := s.now
	s.now = second.Add(time.Second)
	s.do(Report{Device: "cutter", Status: report(1, runIs(r, tandemv1.JobState_JOB_STATE_PROCESSING, 0))})
	s.now = second.Add(time.Minute)
	given(second)
}
