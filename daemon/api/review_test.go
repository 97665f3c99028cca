package api_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/api"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// A device tells of work that the ledger should have granted and has not. It is listed for a person, whose word counts.
func TestReview(t *testing.T) {
	d := newDaemon(t)
	job := &tandemv1.Job{Id: "a", Pieces: 6, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}, Hold: true}
	if _, err := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: job, RequestId: "k1"}); err != nil {
		t.Fatal(err)
	}
	done := func(run, job, step string, fence uint64) *driverv1.RunStatus {
		return &driverv1.RunStatus{Run: run, Fence: fence, Job: job, Step: step, State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 6}
	}
	if _, err := d.engine.Hello(d.ctx(), "cutter-1", &driverv1.Status{
		Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
		Runs: []*driverv1.RunStatus{done("run-40", "a", "cut", 40), done("run-41", "unheard", "cut", 41)},
	}); err != nil {
		t.Fatal(err)
	}
	left, err := d.admin.GetReview(d.ctx(), &tandemv1.GetReviewRequest{})
	if err != nil || len(left.GetRuns()) != 2 || len(left.GetSteps()) != 1 {
		t.Fatalf("to review: %v, %v", left, err)
	}
	if u := left.GetRuns()[0]; u.GetRun() != "run-40" || u.GetDevice() != "cutter-1" || u.GetPiecesGood() != 6 || !u.GetStepKnown() || u.GetFirstTime() == nil {
		t.Errorf("the first is %v", u)
	}
	if left.GetRuns()[1].GetStepKnown() {
		t.Errorf("a step of a job that is not there is known: %v", left.GetRuns()[1])
	}
	if s := left.GetSteps()[0]; s.GetJob() != "a" || s.GetStep() != "cut" || s.GetPiecesLeft() != 6 {
		t.Errorf("the step is %v", s)
	}
	st, err := d.admin.GetStatus(d.ctx(), &tandemv1.GetStatusRequest{})
	if err != nil || !slices.ContainsFunc(st.GetReasons(), func(r string) bool { return strings.HasPrefix(r, "unrecorded work on cutter-1: run run-40 of a/cut") }) {
		t.Errorf("status says %q, %v", st.GetReasons(), err)
	}

	say := &tandemv1.ReviewWorkRequest{Job: "a", Step: "cut", Outcome: tandemv1.ReviewWorkRequest_OUTCOME_DONE, Note: "counted", RequestId: "k2", Actor: "mira"}
	for range 2 { // the same request again changes nothing
		if left, err = d.admin.ReviewWork(d.ctx(), say); err != nil || len(left.GetRuns()) != 1 || len(left.GetSteps()) != 0 {
			t.Fatalf("after a word on the step: %v, %v", left, err)
		}
	}
	j, err := d.jobs.GetJob(d.ctx(), &tandemv1.GetJobRequest{Id: "a"})
	if err != nil || j.GetSteps()[0].GetPiecesGood() != 6 || len(j.GetSteps()[0].GetRuns()) != 1 || j.GetSteps()[0].GetRuns()[0].GetDevice() != "cutter-1" {
		t.Errorf("the job is %v, %v", j, err)
	}
	if left, err = d.admin.ReviewWork(d.ctx(), &tandemv1.ReviewWorkRequest{Run: "run-41", RequestId: "k3", Actor: "mira"}); err != nil || len(left.GetRuns()) != 0 {
		t.Errorf("after a note of the run: %v, %v", left, err)
	}
	told := 0
	list, err := d.events.ListEvents(d.ctx(), &tandemv1.ListEventsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for _, c := range list.GetCommits() {
		for _, e := range c.GetCommit().GetEvents() {
			if e.GetType() == "work.unrecorded" || e.GetType() == "work.reviewed" && e.GetActor() == "mira" {
				told++
			}
		}
	}
	if told != 4 {
		t.Errorf("the audit trail tells of %d, want 2 reports and 2 words", told)
	}
	d.check()
}

func TestReviewRefuses(t *testing.T) {
	d := newDaemon(t)
	for name, c := range map[string]struct {
		req  *tandemv1.ReviewWorkRequest
		code codes.Code
	}{
		"run":         {&tandemv1.ReviewWorkRequest{Run: "run-1", Job: "a"}, codes.InvalidArgument},
		"outcome":     {&tandemv1.ReviewWorkRequest{Run: "run-1", Outcome: tandemv1.ReviewWorkRequest_OUTCOME_DONE}, codes.InvalidArgument},
		"job":         {&tandemv1.ReviewWorkRequest{Outcome: tandemv1.ReviewWorkRequest_OUTCOME_DONE}, codes.InvalidArgument},
		"pieces_good": {&tandemv1.ReviewWorkRequest{Job: "a", Step: "cut", Outcome: tandemv1.ReviewWorkRequest_OUTCOME_DONE, PiecesGood: 3}, codes.InvalidArgument},
		"note":        {&tandemv1.ReviewWorkRequest{Job: "a", Note: "a\x1b[2J"}, codes.InvalidArgument},
		"actor":       {&tandemv1.ReviewWorkRequest{Run: "run-1"}, codes.InvalidArgument},
		"":            {&tandemv1.ReviewWorkRequest{Run: "run-1", Actor: "mira"}, codes.NotFound},
	} {
		_, err := d.admin.ReviewWork(d.ctx(), c.req)
		if status.Code(err) != c.code || name != "" && !slices.ContainsFunc(fieldsOf(err), func(f string) bool { return strings.HasPrefix(f, name+": ") }) {
			t.Errorf("%s: %v names %v", name, err, fieldsOf(err))
		}
	}
}

// receive reads a backup to its end.
func receive(stream grpc.ServerStreamingClient[tandemv1.BackupResponse]) (data []byte, summary *tandemv1.BackupSummary, err error) {
	for {
		part, err := stream.Recv()
		if errors.Is(err, io.EOF) {
			return data, summary, nil
		}
		if err != nil {
			return data, summary, err
		}
		data = append(data, part.GetData()...)
		summary = part.GetSummary()
	}
}

func TestBackup(t *testing.T) {
	d := newDaemon(t)
	want := bytes.Repeat([]byte("0123456789"), 100_000) // more than a part
	d.backup = func(_ context.Context, w io.Writer) (*tandemv1.BackupSummary, error) {
		for rest := want; len(rest) > 0; {
			n := min(len(rest), 333_333)
			if _, err := w.Write(rest[:n]); err != nil {
				return nil, err
			}
			rest = rest[n:]
		}
		return &tandemv1.BackupSummary{Revision: 7, Records: 7}, nil
	}
	stream, err := d.admin.Backup(d.ctx(), &tandemv1.BackupRequest{})
	if err != nil {
		t.Fatal(err)
	}
	got, summary, err := receive(stream)
	sum := sha256.Sum256(want)
	if err != nil || !bytes.Equal(got, want) || summary.GetBytes() != int64(len(want)) || !bytes.Equal(summary.GetSha256(), sum[:]) || summary.GetRevision() != 7 {
		t.Errorf("%d bytes came, %v, %v", len(got), summary, err)
	}

	// One at a time; one whose caller has gone makes room.
	begun, unblock := make(chan struct{}), make(chan struct{})
	d.backup = func(ctx context.Context, w io.Writer) (*tandemv1.BackupSummary, error) {
		close(begun)
		<-ctx.Done()
		close(unblock)
		return nil, ctx.Err()
	}
	ctx, cancel := context.WithCancel(d.ctx())
	if _, err := d.admin.Backup(ctx, &tandemv1.BackupRequest{}); err != nil {
		t.Fatal(err)
	}
	<-begun
	second, err := d.admin.Backup(d.ctx(), &tandemv1.BackupRequest{})
	if err != nil {
		t.Fatal(err)
	}
	if _, _, err := receive(second); status.Code(err) != codes.ResourceExhausted || infoOf(err).GetReason() != "BACKUP_UNDER_WAY" {
		t.Errorf("a second one: %v", err)
	}
	cancel()
	<-unblock

	d.backup = func(context.Context, io.Writer) (*tandemv1.BackupSummary, error) {
		return nil, errors.New("ledger: damaged at revision 7")
	}
	for { // until the one before has left
		third, err := d.admin.Backup(d.ctx(), &tandemv1.BackupRequest{})
		if err != nil {
			t.Fatal(err)
		}
		_, summary, err := receive(third)
		if status.Code(err) == codes.ResourceExhausted {
			continue
		}
		if status.Code(err) != codes.Internal || summary != nil || !strings.Contains(err.Error(), "damaged at revision 7") {
			t.Errorf("one that fails: %v, %v", summary, err)
		}
		return
	}
}

// After a restore the status says by the shop's clock from when on nothing is known.
func TestReviewIsAskedFor(t *testing.T) {
	file := proto.CloneOf(shopFile)
	file.TimeZone = "Europe/Athens"
	f, now, revision := floor.New(), time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), uint64(0)
	do := func(c floor.Command) {
		t.Helper()
		d, err := f.Decide(now, floor.Meta{Actor: "mira"}, c)
		if err != nil {
			t.Fatal(err)
		}
		revision++
		f.ApplyRecord(&ledgerv1.Record{Revision: revision, CommitTime: timestamppb.New(now), Events: d.Events})
	}
	do(floor.BeginTerm{})
	do(floor.Configure{File: file})
	do(floor.CreateJob{Job: &tandemv1.Job{Id: "a", Pieces: 6, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}})
	do(floor.RestoreLedger{Made: now, Restored: now})
	want := []string{"1 step may have been done after the backup of Mon 2026-03-02 11:00 EET was made: say with `tandem review` what is true"}
	if got := api.NeedsReview(f); !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
}
