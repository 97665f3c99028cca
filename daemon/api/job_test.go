package api_test

import (
	"context"
	"encoding/base64"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

func TestARequestIsDoneOnce(t *testing.T) {
	d := newDaemon(t)
	var wg sync.WaitGroup
	answers := make([]*tandemv1.Job, 100)
	for i := range answers {
		wg.Go(func() {
			var err error
			if answers[i], err = d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: ticket("a"), RequestId: "r1", Actor: "rip"}); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	before := d.revision()
	d.reopen() // what has been answered outlives the daemon
	again, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: ticket("a"), RequestId: "r1", Actor: "rip"})
	if err != nil || !proto.Equal(again, answers[0]) {
		t.Errorf("after a restart: %v %v", again, err)
	}
	for i, a := range answers {
		if !proto.Equal(a, answers[0]) {
			t.Errorf("copy %d is answered with %v, copy 0 with %v", i, a, answers[0])
		}
	}
	list, err := d.jobs.ListJobs(t.Context(), &tandemv1.ListJobsRequest{})
	if err != nil || len(list.GetJobs()) != 1 {
		t.Errorf("%d jobs, %v", len(list.GetJobs()), err)
	}
	if after := d.revision(); after != before+1 { // the new term
		t.Errorf("the ledger grew from %d to %d", before, after)
	}
}

func TestARequestIDIsForOneRequest(t *testing.T) {
	d := newDaemon(t)
	if _, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: ticket("a"), RequestId: "r1"}); err != nil {
		t.Fatal(err)
	}
	before := d.revision()
	for name, call := range map[string]func() error{
		"another job": func() error {
			_, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: ticket("b"), RequestId: "r1"})
			return err
		},
		"another method": func() error {
			_, err := d.jobs.HoldJob(t.Context(), &tandemv1.HoldJobRequest{Id: "a", RequestId: "r1"})
			return err
		},
		"a device": func() error {
			_, err := d.devices.PauseDevice(t.Context(), &tandemv1.PauseDeviceRequest{Id: "bench", RequestId: "r1"})
			return err
		},
	} {
		if got := reason(call()); got != "AlreadyExists REQUEST_ID_REUSED" {
			t.Errorf("%s: %s", name, got)
		}
	}
	if got := reason(func() error {
		_, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: ticket("a"), RequestId: "r2"})
		return err
	}()); got != "AlreadyExists JOB_EXISTS" {
		t.Errorf("the same job under another request id: %s", got)
	}
	if after := d.revision(); after != before {
		t.Errorf("the ledger grew from %d to %d", before, after)
	}
}

func TestValidateOnlyStoresNothing(t *testing.T) {
	d := newDaemon(t)
	before := d.revision()
	j := ticket("a")
	j.Steps[1].Operation = "emboss"
	req := &tandemv1.CreateJobRequest{Job: j, ValidateOnly: true, RequestId: "r1"}
	got, err := d.jobs.CreateJob(t.Context(), req)
	if err != nil || got.GetId() != "a" || len(got.GetPanels()) != 1 || len(got.GetSteps()[0].GetStateReasons()) != 0 {
		t.Errorf("%v %v", got, err)
	}
	if why := got.GetSteps()[1].GetStateReasons(); !slices.Equal(why, []string{"resources-are-not-supported"}) {
		t.Errorf("a step that no device can do: %v", why)
	}
	req.Job.Pieces = -1
	if _, err := d.jobs.CreateJob(t.Context(), req); len(fieldsOf(err)) != 1 || !strings.HasPrefix(fieldsOf(err)[0], "job.pieces: ") {
		t.Errorf("a bad job: %v", err)
	}
	if after := d.revision(); after != before {
		t.Errorf("the ledger grew from %d to %d", before, after)
	}
	if _, err := d.jobs.GetJob(t.Context(), &tandemv1.GetJobRequest{Id: "a"}); reason(err) != "NotFound JOB_NOT_FOUND" {
		t.Errorf("the job that was only checked: %v", err)
	}
	if _, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: ticket("a"), RequestId: "r1"}); err != nil {
		t.Errorf("the request id of a check is not used up: %v", err)
	}
}

func TestBadRequestsNameTheFieldAndStoreNothing(t *testing.T) {
	d := newDaemon(t)
	d.create("a")
	before := d.revision()
	long := strings.Repeat("n", 2001)
	create := func(change func(*tandemv1.CreateJobRequest)) func() error {
		return func() error {
			req := &tandemv1.CreateJobRequest{Job: ticket("bad")}
			change(req)
			_, err := d.jobs.CreateJob(t.Context(), req)
			return err
		}
	}
	for _, tt := range []struct {
		field string
		call  func() error
	}{
		{"job", create(func(r *tandemv1.CreateJobRequest) { r.Job = nil })},
		{"job.id", create(func(r *tandemv1.CreateJobRequest) { r.Job.Id = "tandem.*" })},
		{"job.display_name", create(func(r *tandemv1.CreateJobRequest) { r.Job.DisplayName = "a\x1b[31m" })},
		{"job.pieces", create(func(r *tandemv1.CreateJobRequest) { r.Job.Pieces = -1 })},
		{"job.steps[1].after[0]", create(func(r *tandemv1.CreateJobRequest) { r.Job.Steps[1].After[0] = "nowhere" })},
		{"request_id", create(func(r *tandemv1.CreateJobRequest) { r.RequestId = strings.Repeat("r", 129) })},
		{"request_id", create(func(r *tandemv1.CreateJobRequest) { r.RequestId = "a\nb" })},
		{"actor", create(func(r *tandemv1.CreateJobRequest) { r.Actor = strings.Repeat("r", 129) })},
		{"actor", create(func(r *tandemv1.CreateJobRequest) { r.Actor, r.ValidateOnly = "\x1b[31m", true })},
		{"note", func() error {
			_, err := d.jobs.HoldJob(t.Context(), &tandemv1.HoldJobRequest{Id: "a", Note: long})
			return err
		}},
		{"note", func() error {
			_, err := d.jobs.CancelJob(t.Context(), &tandemv1.CancelJobRequest{Id: "a", Note: "\x07"})
			return err
		}},
		{"note", func() error {
			_, err := d.jobs.RemakePieces(t.Context(), &tandemv1.RemakePiecesRequest{Id: "a", Note: long})
			return err
		}},
		{"note", func() error {
			_, err := d.jobs.OverrideWait(t.Context(), &tandemv1.OverrideWaitRequest{Id: "a", Step: "cut", Actor: "mira"})
			return err
		}},
		{"note", func() error {
			_, err := d.jobs.OverrideWait(t.Context(), &tandemv1.OverrideWaitRequest{Id: "a", Step: "cut", Actor: "mira", Note: " \u00a0 "})
			return err
		}},
		{"actor", func() error {
			_, err := d.jobs.OverrideWait(t.Context(), &tandemv1.OverrideWaitRequest{Id: "a", Step: "cut", Actor: "  ", Note: "dry"})
			return err
		}},
		{"actor", func() error { // a zero width space starts no machine
			_, err := d.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: "run-1", Actor: "\u200b"})
			return err
		}},
		{"actor", func() error {
			_, err := d.devices.LockDevice(t.Context(), &tandemv1.LockDeviceRequest{Id: "bench"})
			return err
		}},
		{"note", func() error {
			_, err := d.devices.LockDevice(t.Context(), &tandemv1.LockDeviceRequest{Id: "bench", Actor: "mira", Note: long})
			return err
		}},
		{"note", func() error {
			_, err := d.devices.PauseDevice(t.Context(), &tandemv1.PauseDeviceRequest{Id: "bench", Note: long})
			return err
		}},
		{"media", func() error {
			_, err := d.devices.LoadMedia(t.Context(), &tandemv1.LoadMediaRequest{Id: "bench", Media: strings.Repeat("m", 64)})
			return err
		}},
		{"media", func() error {
			_, err := d.devices.LoadMedia(t.Context(), &tandemv1.LoadMediaRequest{Id: "bench"})
			return err
		}},
		{"note", func() error {
			_, err := d.devices.ResolveRun(t.Context(), &tandemv1.ResolveRunRequest{Run: "run-1", Note: long})
			return err
		}},
		{"page_token", func() error {
			_, err := d.devices.ListDevices(t.Context(), &tandemv1.ListDevicesRequest{PageToken: "!"})
			return err
		}},
	} {
		err := tt.call()
		if !slices.ContainsFunc(fieldsOf(err), func(f string) bool { return strings.HasPrefix(f, tt.field+": ") }) {
			t.Errorf("want a violation of %s, got %v %v", tt.field, err, fieldsOf(err))
		}
	}
	if after := d.revision(); after != before {
		t.Errorf("the ledger grew from %d to %d", before, after)
	}
}

// Jobs that come in between two pages neither repeat nor hide others.
func TestPagesOfJobsStandStill(t *testing.T) {
	d := newDaemon(t)
	for i := range 25 {
		d.create(fmt.Sprintf("job-%d", i))
	}
	var got []string
	token := ""
	for page := 0; ; page++ {
		list, err := d.jobs.ListJobs(t.Context(), &tandemv1.ListJobsRequest{PageSize: 10, PageToken: token})
		if err != nil || len(list.GetJobs()) > 10 {
			t.Fatalf("page %d: %d jobs, %v", page, len(list.GetJobs()), err)
		}
		for _, j := range list.GetJobs() {
			got = append(got, j.GetId())
		}
		if page < 2 {
			d.create(fmt.Sprintf("late-%d", page))
			if _, err := d.jobs.CancelJob(t.Context(), &tandemv1.CancelJobRequest{Id: fmt.Sprintf("job-%d", page)}); err != nil {
				t.Fatal(err)
			}
		}
		if token = list.GetNextPageToken(); token == "" {
			break
		}
	}
	var want []string
	for i := range 25 {
		want = append(want, fmt.Sprintf("job-%d", i))
	}
	if want = append(want, "late-0", "late-1"); !slices.Equal(got, want) {
		t.Errorf("got %v", got)
	}
	list, err := d.jobs.ListJobs(t.Context(), &tandemv1.ListJobsRequest{States: []tandemv1.JobState{tandemv1.JobState_JOB_STATE_CANCELED}, PageSize: 2})
	if err != nil || len(list.GetJobs()) != 2 || list.GetNextPageToken() != "" || list.GetRevision() != d.revision() {
		t.Errorf("canceled jobs: %d, next %q, %v", len(list.GetJobs()), list.GetNextPageToken(), err)
	}
	for _, token := range []string{"!", "garbage", base64.RawURLEncoding.EncodeToString([]byte("v1:")), base64.RawURLEncoding.EncodeToString([]byte("v1:-1")), base64.RawURLEncoding.EncodeToString([]byte("v2:0"))} {
		if _, err := d.jobs.ListJobs(t.Context(), &tandemv1.ListJobsRequest{PageToken: token}); len(fieldsOf(err)) != 1 || !strings.HasPrefix(fieldsOf(err)[0], "page_token: ") {
			t.Errorf("page token %q: %v", token, err)
		}
	}
	if _, err := d.jobs.ListJobs(t.Context(), &tandemv1.ListJobsRequest{PageSize: -1}); err != nil {
		t.Errorf("a negative page size means the standard one: %v", err)
	}
}

func TestChangesOfAJob(t *testing.T) {
	d := newDaemon(t)
	d.greet("cutter-1")
	code := d.create("a").GetCode()
	held, err := d.jobs.HoldJob(t.Context(), &tandemv1.HoldJobRequest{Id: code, Note: "wrong blue", Actor: "mira"})
	if err != nil || held == nil || !held.GetHold() {
		t.Fatalf("held by its code: %v %v", held, err)
	}
	if j, err := d.jobs.ReleaseJob(t.Context(), &tandemv1.ReleaseJobRequest{Id: "a"}); err != nil || j.GetHold() {
		t.Errorf("released: %v %v", j, err)
	}
	why, err := d.jobs.ExplainStep(t.Context(), &tandemv1.ExplainStepRequest{Id: "a"})
	if err != nil || why.GetStep().GetId() != "cut" || !strings.Contains(why.GetSummary(), "cutter-1") || why.GetRule() == "" || len(why.GetCandidates()) == 0 {
		t.Errorf("explained: %v %v", why, err)
	}
	if why, err = d.jobs.ExplainStep(t.Context(), &tandemv1.ExplainStepRequest{Id: "a", Step: "pack"}); err != nil || why.GetSummary() != "pack waits for cut" {
		t.Errorf("explained: %v %v", why, err)
	}
	if _, err := d.jobs.ExplainStep(t.Context(), &tandemv1.ExplainStepRequest{Id: "a", Step: "fold"}); reason(err) != "NotFound STEP_NOT_FOUND" {
		t.Errorf("explain a step that is not there: %v", err)
	}
	if _, err := d.jobs.OverrideWait(t.Context(), &tandemv1.OverrideWaitRequest{Id: "a", Step: "cut", Note: "dry", Actor: "mira"}); reason(err) != "FailedPrecondition NO_WAIT" {
		t.Errorf("a wait that is none: %v", err)
	}
	run := d.job("a").GetSteps()[0].GetRuns()[0].GetId()
	started, err := d.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: run, Actor: "mira"})
	if err != nil || !started.GetMayStart() || started.GetStartedBy() != "mira" {
		t.Errorf("started: %v %v", started, err)
	}
	remade, err := d.jobs.RemakePieces(t.Context(), &tandemv1.RemakePiecesRequest{Id: "a", Step: "cut", Pieces: 2, Note: "torn"})
	if err != nil || len(remade.GetPanels()) != 2 || remade.GetPanels()[1].GetPieces() != 2 {
		t.Errorf("remade: %v %v", remade, err)
	}
	if _, err := d.devices.FinishRun(t.Context(), &tandemv1.FinishRunRequest{Run: run}); reason(err) != "FailedPrecondition DEVICE_REPORTS" {
		t.Errorf("finish what a machine reports: %v", err)
	}
	if _, err := d.devices.ResolveRun(t.Context(), &tandemv1.ResolveRunRequest{Run: run, Actor: "mira", Outcome: 99}); reason(err) != "FailedPrecondition NOTHING_TO_RESOLVE" {
		t.Errorf("resolve what is known: %v", err)
	}
	canceled, err := d.jobs.CancelJob(t.Context(), &tandemv1.CancelJobRequest{Id: "a"})
	if err != nil || !slices.Equal(canceled.GetStateReasons(), []string{"processing-to-stop-point"}) {
		t.Errorf("canceled while it may be running: %v %v", canceled, err)
	}
	d.check()
}

func TestChangesOfADevice(t *testing.T) {
	d := newDaemon(t)
	d.greet("bench")
	get := func() *tandemv1.Device {
		t.Helper()
		v, err := d.devices.GetDevice(t.Context(), &tandemv1.GetDeviceRequest{Id: "bench"})
		if err != nil {
			t.Fatal(err)
		}
		return v
	}
	if v := get(); v.GetLastSeenTime() == nil || v.GetLink() != tandemv1.Link_LINK_ONLINE {
		t.Errorf("after its hello: %v", v)
	}
	if v, err := d.devices.PauseDevice(t.Context(), &tandemv1.PauseDeviceRequest{Id: "bench", Note: "lunch"}); err != nil || !v.GetPaused() || v.GetPauseNote() != "lunch" {
		t.Errorf("paused: %v %v", v, err)
	}
	if v, err := d.devices.ResumeDevice(t.Context(), &tandemv1.ResumeDeviceRequest{Id: "bench"}); err != nil || v.GetPaused() {
		t.Errorf("resumed: %v %v", v, err)
	}
	if v, err := d.devices.LockDevice(t.Context(), &tandemv1.LockDeviceRequest{Id: "bench", Actor: "timo", Note: "blade"}); err != nil || v.GetLockedBy() != "timo" {
		t.Errorf("locked: %v %v", v, err)
	}
	if _, err := d.devices.UnlockDevice(t.Context(), &tandemv1.UnlockDeviceRequest{Id: "bench", Actor: "paul"}); reason(err) != "PermissionDenied LOCK_OF_ANOTHER" {
		t.Errorf("unlocked by somebody else: %v", err)
	}
	if v, err := d.devices.UnlockDevice(t.Context(), &tandemv1.UnlockDeviceRequest{Id: "bench", Actor: "mira"}); err != nil || v.GetLockedBy() != "" {
		t.Errorf("unlocked by a supervisor: %v %v", v, err)
	}
	if v, err := d.devices.LoadMedia(t.Context(), &tandemv1.LoadMediaRequest{Id: "bench", Media: "matt"}); err != nil || v.GetLoadedMedia() != "matt" {
		t.Errorf("loaded: %v %v", v, err)
	}
	if byCode, err := d.devices.GetDevice(t.Context(), &tandemv1.GetDeviceRequest{Id: get().GetCode()}); err != nil || byCode.GetId() != "bench" {
		t.Errorf("by its code: %v %v", byCode, err)
	}
	if _, err := d.devices.GetDevice(t.Context(), &tandemv1.GetDeviceRequest{Id: "nowhere"}); reason(err) != "NotFound DEVICE_NOT_FOUND" {
		t.Errorf("a device that is not there: %v", err)
	}
	var ids []string
	for token := ""; ; {
		page, err := d.devices.ListDevices(t.Context(), &tandemv1.ListDevicesRequest{PageSize: 3, PageToken: token})
		if err != nil {
			t.Fatal(err)
		}
		for _, v := range page.GetDevices() {
			ids = append(ids, v.GetId())
		}
		if token = page.GetNextPageToken(); token == "" {
			break
		}
	}
	if !slices.Equal(ids, []string{"cutter-1", "cutter-2", "laminator", "bench"}) {
		t.Errorf("devices %v", ids)
	}
}

func TestWorkByHand(t *testing.T) {
	d := newDaemon(t)
	d.greet("bench")
	j := ticket("a")
	j.Steps = []*tandemv1.Step{{Id: "pack", Operation: "pack"}}
	created, err := d.jobs.CreateJob(t.Context(), &tandemv1.CreateJobRequest{Job: j})
	if err != nil {
		t.Fatal(err)
	}
	run := created.GetSteps()[0].GetRuns()[0].GetId()
	if _, err := d.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: run}); len(fieldsOf(err)) != 1 || !strings.HasPrefix(fieldsOf(err)[0], "actor: ") {
		t.Errorf("started by nobody: %v", err)
	}
	if r, err := d.devices.StartRun(t.Context(), &tandemv1.StartRunRequest{Run: run, Actor: "timo"}); err != nil || r.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING {
		t.Errorf("started: %v %v", r, err)
	}
	if r, err := d.devices.FinishRun(t.Context(), &tandemv1.FinishRunRequest{Run: run, PiecesSpoiled: 1, Actor: "timo"}); err != nil || r.GetPiecesGood() != 5 || r.GetPiecesSpoiled() != 1 {
		t.Errorf("finished: %v %v", r, err)
	}
	if r, err := d.devices.FinishRun(t.Context(), &tandemv1.FinishRunRequest{Run: run, PiecesSpoiled: 1, Actor: "timo"}); err != nil || r.GetPiecesSpoiled() != 1 {
		t.Errorf("finished again: %v %v", r, err)
	}
	if _, err := d.devices.FinishRun(t.Context(), &tandemv1.FinishRunRequest{Run: run, PiecesSpoiled: 3, Actor: "timo"}); reason(err) != "FailedPrecondition RUN_ENDED" || !strings.Contains(err.Error(), "have the other 2 of a / ") {
		t.Errorf("finished again with more spoiled, which nobody books: %v", err)
	}
	if got := d.job("a").GetState(); got != tandemv1.JobState_JOB_STATE_COMPLETED {
		t.Errorf("the job is %v", got)
	}
}

// A caller that gives up gets its own error, and nobody reads what the loop still writes.
func TestCallersThatGiveUp(t *testing.T) {
	d := newDaemon(t)
	var wg sync.WaitGroup
	for i := range 200 {
		wg.Go(func() {
			ctx, cancel := context.WithCancel(t.Context())
			go cancel()
			_, err := d.jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{Job: ticket(fmt.Sprint("job-", i))})
			if c := status.Code(err); c != codes.OK && c != codes.Canceled {
				t.Errorf("job %d: %v", i, err)
			}
		})
	}
	wg.Wait()
	d.check()
}
