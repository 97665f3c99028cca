package main

import (
	"context"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/credentials/insecure"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

// shopWith runs a daemon and its drivers in this process, with the ledger on disk and the bus between them. Its clock runs
// a hundred times as fast as the wall's.
func shopWith(t *testing.T, file *tandemv1.FloorFile) clients {
	t.Helper()
	ctx, cancel := context.WithCancel(context.Background())
	at, ended := make(chan address, 1), make(chan error, 1)
	cfg := daemonConfig{DataDir: t.TempDir(), Listen: "127.0.0.1:0", TimeScale: 100, File: file, Log: zap.NewNop()}
	go func() { ended <- serveUntilStopped(ctx, cfg, func(a address) { at <- a }) }()
	t.Cleanup(func() {
		cancel()
		if err := <-ended; err != nil {
			t.Error(err)
		}
	})
	select {
	case a := <-at:
		conn, err := grpc.NewClient(a.API, grpc.WithTransportCredentials(insecure.NewCredentials()))
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = conn.Close() })
		return clientsOf(conn)
	case err := <-ended:
		ended <- nil
		t.Fatal(err)
		return clients{}
	}
}

// In the place of the second panel lies another one. The cutter reads its marks, the daemon sees that it cannot be the right
// one and asks for a stop before the knife is down; a person puts the right one there and keeps what is good.
func TestAWrongPanelIsNotCut(t *testing.T) {
	c := shopWith(t, &tandemv1.FloorFile{
		Devices: []*tandemv1.Device{{
			Id: "cutter-1", Capacity: 1,
			Driver: &tandemv1.Driver{Kind: "sim", Settings: map[string]string{"faults": "wrong-panel@1/4", "mark-wait": "95s"}},
			Abilities: []*tandemv1.Ability{{
				Operation: "cut", Setup: durationpb.New(5 * time.Second), PerPiece: durationpb.New(100 * time.Second), MarkTime: durationpb.New(time.Second),
			}},
		}},
		People: []*tandemv1.Person{{Id: "marit", Supervisor: true}},
	})
	job := &tandemv1.Job{Id: "numbers", Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}
	for _, id := range []string{"a", "b"} {
		job.Panels = append(job.Panels, &tandemv1.Panel{Id: id, Pieces: 3, WidthUm: 500_000, LengthUm: 300_000})
	}
	made, err := c.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: job, RequestId: "r1"})
	if err != nil {
		t.Fatal(err)
	}
	wait := func(what string, ok func(*tandemv1.Step) bool) *tandemv1.Step {
		t.Helper()
		for deadline := time.Now().Add(60 * time.Second); ; time.Sleep(10 * time.Millisecond) {
			j, err := c.jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: "numbers"})
			if err != nil {
				t.Fatal(err)
			}
			s := j.GetSteps()[0]
			if ok(s) {
				return s
			}
			if time.Now().After(deadline) {
				t.Fatalf("%s: not within a minute; the step is %v", what, s)
			}
		}
	}
	start := func(n int) {
		t.Helper()
		run := wait("granted", func(s *tandemv1.Step) bool { return len(s.GetRuns()) == n }).GetRuns()[n-1].GetId()
		for deadline := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
			_, err := c.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: run, RequestId: fmt.Sprintf("start-%d", n), Actor: "marit"})
			if err == nil {
				return
			}
			if status.Code(err) != codes.FailedPrecondition || time.Now().After(deadline) {
				t.Fatal(err)
			}
		}
	}
	start(1)
	s := wait("stopped", func(s *tandemv1.Step) bool {
		return slices.Contains(s.GetStateReasons(), "x-registration-failed") && s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	})
	fits := s.GetRuns()[0].GetRegistrations()
	if len(fits) != 2 || !fits[0].GetAccepted() || fits[1].GetAccepted() || fits[1].GetPanelCode() != made.GetPanels()[1].GetCode() || !strings.Contains(fits[1].GetReason(), "its scale along x is") {
		t.Fatalf("the marks say %v", fits)
	}
	// A stop that is late, on a machine with much else to do, comes after one piece; drivers/sim holds that one in time cuts none.
	if n := s.GetPiecesGood(); n < 3 || n > 4 || s.GetPiecesLeft() != 6-n {
		t.Errorf("%d pieces are good and %d left, want the three of the first panel", s.GetPiecesGood(), s.GetPiecesLeft())
	}
	why, err := c.jobs.ExplainStep(t.Context(), &tandemv1.ExplainStepRequest{Id: "numbers", Step: "cut"})
	if err != nil || !strings.Contains(why.GetSummary(), "scan its code") || !strings.Contains(why.GetSummary(), made.GetPanels()[1].GetCode()) {
		t.Errorf("why: %q, %v", why.GetSummary(), err)
	}
	_, err = c.devices.ResolveRun(t.Context(), &tandemv1.ResolveRunRequest{
		Run: s.GetRuns()[0].GetId(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_KEEP, PiecesGood: 3, Note: "the right one lay beside it", RequestId: "r3", Actor: "marit",
	})
	if err != nil {
		t.Fatal(err)
	}
	start(2)
	s = wait("completed", func(s *tandemv1.Step) bool { return s.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED })
	if last := s.GetRuns()[1]; s.GetPiecesGood() != 6 || last.GetPieces() != 3 || len(last.GetRegistrations()) != 2 || !last.GetRegistrations()[1].GetAccepted() {
		t.Errorf("in the end %v", s)
	}
	events, err := c.events.ListEvents(t.Context(), &tandemv1.ListEventsRequest{Job: "numbers"})
	if err != nil {
		t.Fatal(err)
	}
	var refused []string
	for _, m := range events.GetCommits() {
		var types []string
		for _, e := range m.GetCommit().GetEvents() {
			types = append(types, e.GetType())
		}
		if slices.Contains(types, "panel.refused") {
			refused = append(refused, strings.Join(types, " "))
		}
	}
	if len(refused) != 1 || !strings.HasPrefix(refused[0], "panel.refused run.stopping") {
		t.Errorf("refusals: %q, want one, and the stop in the same record", refused)
	}
}
