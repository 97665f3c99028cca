package floor

import (
	"math"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// slowCutter is a floor with one cutter whose model says 100 s for a job of ten pieces.
func slowCutter(t *testing.T) *story {
	s := &story{t: t, floor: New(), now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	s.do(BeginTerm{})
	s.do(Configure{File: &tandemv1.FloorFile{Devices: []*tandemv1.Device{{
		Id: "cutter", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"},
		Abilities: []*tandemv1.Ability{{
			Operation: "cut", PerPiece: durationpb.New(10 * time.Second), WarmUp: durationpb.New(5 * time.Minute), CoolsAfter: durationpb.New(time.Hour),
		}},
	}}}})
	s.do(Greet{Device: "cutter", Status: report(1)})
	return s
}

func cutJob(id string) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: 10, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}
}

// play cuts a job and takes as long as said, of which it stands still for a while; it returns the run.
func (s *story) play(id string, takes, stopped time.Duration) *Run {
	s.do(CreateJob{Job: cutJob(id)})
	j, _ := s.floor.Job(id)
	d, _ := s.floor.Device("cutter")
	s.do(Grant{Step: j.Steps[0], Device: d, Expected: d.Estimate(j.Steps[0], s.now)})
	r := j.Steps[0].Live
	s.do(StartRun{Run: r.ID})
	said := func(state tandemv1.JobState, good int32) {
		rs := runIs(r, state, good)
		s.do(Report{Device: "cutter", Status: &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_PROCESSING, Runs: []*driverv1.RunStatus{rs}}})
	}
	said(tandemv1.JobState_JOB_STATE_PROCESSING, 0)
	if stopped > 0 {
		s.now = s.now.Add(takes / 2)
		said(tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, 4)
		s.now = s.now.Add(stopped)
		said(tandemv1.JobState_JOB_STATE_PROCESSING, 4)
		s.now = s.now.Add(takes - takes/2)
	} else {
		s.now = s.now.Add(takes)
	}
	said(tandemv1.JobState_JOB_STATE_COMPLETED, 10)
	return r
}

func (s *story) estimate(id string) Estimate {
	s.do(CreateJob{Job: cutJob(id)})
	j, _ := s.floor.Job(id)
	d, _ := s.floor.Device("cutter")
	return d.Estimate(j.Steps[0], s.now)
}

func TestDevicesOwnPaceCountsAfterFiveRuns(t *testing.T) {
	s := slowCutter(t)
	s.play("warm", 400*time.Second, 0) // 300 s to warm up and 100 s of work: as the model says
	for i, id := range []string{"a", "b", "c"} {
		if r := s.play(id, 150*time.Second, 0); r.Expected != 100*time.Second || r.Model != 100*time.Second {
			t.Errorf("run %d is expected to take %v, the model says %v; want 100 s of both before five runs", i+2, r.Expected, r.Model)
		}
	}
	// It stands still for an hour in the fifth run: that is not its pace.
	if r := s.play("d", 150*time.Second, time.Hour); r.Stopped != time.Hour {
		t.Errorf("stood still %v, want an hour", r.Stopped)
	}
	for _, id := range []string{"e", "f", "g", "h", "i", "j", "k", "l"} {
		s.play(id, 150*time.Second, 0)
	}
	e := s.estimate("next")
	if f := e.Work.Seconds() / 100; f < 1.4 || f > 1.55 || e.Model != 100*time.Second {
		t.Errorf("the next is expected to take %v, the model says %v; want about 150 s and 100 s", e.Work, e.Model)
	}
	restored, err := Restore(s.floor.Snapshot())
	if err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(restored.Snapshot(), s.floor.Snapshot()) {
		t.Error("a restored floor has learned something else")
	}
	s.do(ResetDurations{Device: "cutter", Operation: "cut"})
	if e := s.estimate("afresh"); e.Work != 100*time.Second {
		t.Errorf("after a reset it is expected to take %v, want what the model says", e.Work)
	}
	if rows := s.floor.Durations().Rows(); len(rows) != 0 {
		t.Errorf("after a reset it still knows %v", rows)
	}
}

func TestWarmUp(t *testing.T) {
	s := slowCutter(t)
	if e := s.estimate("cold"); e.Setup != 5*time.Minute {
		t.Errorf("cold it is set up in %v, want 5 minutes", e.Setup)
	}
	s.play("first", 400*time.Second, 0)
	s.now = s.now.Add(59 * time.Minute)
	if e := s.estimate("warm"); e.Setup != 0 {
		t.Errorf("59 minutes later it is set up in %v, want it warm", e.Setup)
	}
	s.now = s.now.Add(2 * time.Minute)
	if e := s.estimate("cooled"); e.Setup != 5*time.Minute {
		t.Errorf("61 minutes later it is set up in %v, want 5 minutes", e.Setup)
	}
}

func TestAnInterruptedRunTeachesNothing(t *testing.T) {
	s := slowCutter(t)
	s.do(CreateJob{Job: cutJob("lost")})
	j, _ := s.floor.Job("lost")
	d, _ := s.floor.Device("cutter")
	s.do(Grant{Step: j.Steps[0], Device: d, Expected: d.Estimate(j.Steps[0], s.now)})
	r := j.Steps[0].Live
	s.do(StartRun{Run: r.ID})
	s.do(Report{Device: "cutter", Status: report(1, runIs(r, tandemv1.JobState_JOB_STATE_PROCESSING, 0))})
	s.now = s.now.Add(time.Minute)
	s.do(LoseDevice{Device: "cutter"})
	s.now = s.now.Add(time.Hour)
	s.do(ResolveRun{Run: r.ID, Outcome: 1, Note: "all there"})
	if rows := s.floor.Durations().Rows(); len(rows) != 0 {
		t.Errorf("learned %v from a run that nobody saw", rows)
	}
	if math.Abs(d.Factor(j.Steps[0])-1) > 0 {
		t.Errorf("factor %v", d.Factor(j.Steps[0]))
	}
}

func TestNewFiguresForgetWhatWasLearned(t *testing.T) {
	s := slowCutter(t)
	for _, id := range []string{"a", "b", "c", "d", "e", "f", "g"} {
		s.play(id, 300*time.Second, 0)
	}
	if e := s.estimate("slow"); e.Work <= 110*time.Second {
		t.Fatalf("it takes %v after seven slow runs", e.Work)
	}
	file := proto.CloneOf(s.floor.file)
	file.Devices[0].DisplayName = "Cutter by the door"
	s.do(Configure{File: file})
	if len(s.floor.Durations().Rows()) == 0 {
		t.Error("a new name made it forget what it takes")
	}
	file = proto.CloneOf(file)
	file.Devices[0].Abilities[0].PerPiece = durationpb.New(25 * time.Second)
	s.do(Configure{File: file})
	if e := s.estimate("corrected"); e.Work != 250*time.Second || len(s.floor.Durations().Rows()) != 0 {
		t.Errorf("with corrected figures it takes %v, want 250 s as they say", e.Work)
	}
}
