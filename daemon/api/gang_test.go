package api_test

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/api"
	"tandem/daemon/engine"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// createTags takes in jobs of tags, one for each id.
func (d *daemon) createTags(ids ...string) {
	d.tb.Helper()
	for _, id := range ids {
		if _, err := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: tags(id), CutFiles: tagFiles()}); err != nil {
			d.tb.Fatal(err)
		}
	}
}

func TestGangThroughTheEngine(t *testing.T) {
	d := newDaemon(t)
	d.createTags("a", "b")
	req := &tandemv1.GangJobsRequest{Id: "g", Jobs: []string{"a", "b"}, RequestId: "r1", Actor: "mira"}
	before := d.revision()
	would, err := d.jobs.GangJobs(d.ctx(), &tandemv1.GangJobsRequest{Id: "g", Jobs: req.GetJobs(), ValidateOnly: true, RequestId: "r1"})
	if err != nil || !slices.Equal(would.GetMembers(), req.GetJobs()) || d.revision() != before {
		t.Fatalf("check only: %v, %v; revision %d after %d", would, err, d.revision(), before)
	}
	g, err := d.jobs.GangJobs(d.ctx(), req)
	if err != nil {
		t.Fatal(err)
	}
	if !slices.Equal(g.GetMembers(), []string{"a", "b"}) || g.GetPieces() != 64 || len(g.GetSteps()) != 1 {
		t.Fatalf("gang run %v", g)
	}
	d.greet("cutter-1")
	if _, err := d.devices.LoadMedia(d.ctx(), &tandemv1.LoadMediaRequest{Id: "cutter-1", Media: "vinyl", Actor: "mira"}); err != nil {
		t.Fatal(err)
	}
	again, err := d.jobs.GangJobs(d.ctx(), req) // its members cannot be ganged again, and need not be
	if err != nil || again.GetId() != "g" {
		t.Fatalf("the same request again: %v, %v", again, err)
	}
	run := d.job("g").GetSteps()[0].GetRuns()[0]
	if len(d.job("a").GetSteps()[0].GetRuns()) != 0 || d.job("a").GetSteps()[0].GetCarriedBy() != "g/cut" {
		t.Fatalf("member %v", d.job("a").GetSteps()[0])
	}
	if _, err := d.devices.StartRun(d.ctx(), &tandemv1.StartRunRequest{Run: run.GetId(), Actor: "mira"}); err != nil {
		t.Fatal(err)
	}
	report := func(sequence uint64, state tandemv1.JobState, good, bad int32) {
		t.Helper()
		err := d.engine.Status(d.ctx(), "cutter-1", &driverv1.Status{
			Epoch: 1, Sequence: sequence, State: tandemv1.DeviceState_DEVICE_STATE_PROCESSING, Link: tandemv1.Link_LINK_ONLINE,
			Runs: []*driverv1.RunStatus{{Run: run.GetId(), Fence: run.GetFence(), State: state, PiecesGood: good, PiecesSpoiled: bad}},
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	first := g.GetPanels()[0].GetContents()[0]
	report(1, tandemv1.JobState_JOB_STATE_PROCESSING, 0, 0)
	report(2, tandemv1.JobState_JOB_STATE_PROCESSING, first.GetPieces()-1, 1) // the last piece of the first stretch
	d.reopen()
	d.greet("cutter-1", &driverv1.RunStatus{Run: run.GetId(), Fence: run.GetFence(), State: tandemv1.JobState_JOB_STATE_PROCESSING, PiecesGood: first.GetPieces() - 1, PiecesSpoiled: 1})
	report(3, tandemv1.JobState_JOB_STATE_COMPLETED, 63, 1)
	for _, id := range []string{"a", "b"} {
		want := int32(32)
		if id == first.GetJob() {
			want = 31
		}
		if s := d.job(id).GetSteps()[0]; s.GetState() != tandemv1.JobState_JOB_STATE_COMPLETED || s.GetPiecesGood() != want || s.GetPiecesSpoiled() != 32-want {
			t.Errorf("%s after the gang run: %v", id, s)
		}
	}
	list, err := d.events.ListEvents(d.ctx(), &tandemv1.ListEventsRequest{Job: "b"})
	if err != nil {
		t.Fatal(err)
	}
	var types []string
	for _, c := range list.GetCommits() {
		for _, e := range c.GetCommit().GetEvents() {
			types = append(types, e.GetJob()+" "+e.GetType())
		}
	}
	if want := "b job.created, g job.created, g jobs.ganged, g run.granted, g run.allowed, g run.processing, g run.processing, g run.completed"; strings.Join(types, ", ") != want {
		t.Errorf("events about b: %v\nwant %s", types, want)
	}
	d.check()
}

// A gang run whose panel is given up leaves its jobs steps that wait for a person. The report of what waits names them, and a job that has
// no date says what became of its own step, not of the gang run's.
func TestGangGivenUpIsTold(t *testing.T) {
	d := newDaemon(t)
	d.createTags("a", "b")
	if _, err := d.jobs.GangJobs(d.ctx(), &tandemv1.GangJobsRequest{Id: "g", Jobs: []string{"a", "b"}, RequestId: "r1", Actor: "mira"}); err != nil {
		t.Fatal(err)
	}
	dates := d.withForecasts()
	if _, err := d.devices.LoadMedia(d.ctx(), &tandemv1.LoadMediaRequest{Id: "cutter-1", Media: "vinyl", Actor: "mira"}); err != nil {
		t.Fatal(err)
	}
	run := d.job("g").GetSteps()[0].GetRuns()[0]
	if _, err := d.devices.StartRun(d.ctx(), &tandemv1.StartRunRequest{Run: run.GetId(), Actor: "mira"}); err != nil {
		t.Fatal(err)
	}
	d.greet("cutter-1", &driverv1.RunStatus{Run: run.GetId(), Fence: run.GetFence(), State: tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED})
	waiting := func() (out []string) {
		t.Helper()
		err := d.engine.View(d.ctx(), func(st engine.State) {
			for _, w := range api.WaitingWork(st, nil) {
				if w.GetJob() != "" {
					out = append(out, w.GetJob()+"/"+w.GetStep()+": "+w.GetWhat())
				}
			}
		})
		if err != nil {
			t.Fatal(err)
		}
		return out
	}
	if w := waiting(); len(w) != 0 {
		t.Errorf("while the gang run is at it: %q", w)
	}
	if _, err := d.devices.ResolveRun(d.ctx(), &tandemv1.ResolveRunRequest{Run: run.GetId(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_ABANDON, Actor: "mira"}); err != nil {
		t.Fatal(err)
	}
	const lost = "cut has lost all its pieces with gang run g: make them again or cancel the job"
	if w := waiting(); !slices.Equal(w, []string{"a/cut: " + lost, "b/cut: " + lost}) {
		t.Errorf("waits for a person: %q", w)
	}
	stream, err := dates.WatchForecasts(d.ctx(), &tandemv1.WatchForecastsRequest{})
	if err != nil {
		t.Fatal(err)
	}
	for told := ""; told != lost; {
		m, err := stream.Recv()
		if err != nil {
			t.Fatalf("job a has no date because %q: %v", told, err)
		}
		for _, j := range m.GetForecasts() {
			if j.GetJob() == "a" && j.GetForecast().GetStuck() != "" {
				told = j.GetForecast().GetStuck()
			}
		}
		if strings.Contains(told, "aborted") {
			t.Fatalf("job a has no date because %q", told)
		}
	}
}

func TestGangRefusals(t *testing.T) {
	d := newDaemon(t)
	d.createTags("a", "b", "c")
	film := tags("film")
	film.Items[0].Media = "other"
	d.create("steps")
	for _, tt := range []struct {
		jobs         []string
		reason, says string
	}{
		{[]string{"a"}, "InvalidArgument INVALID_JOB", "at least two"},
		{[]string{"a", "a"}, "InvalidArgument INVALID_FIELD", "named twice"},
		{[]string{"a", "z"}, "NotFound JOB_NOT_FOUND", "no job"},
		{[]string{"a", "steps"}, "FailedPrecondition CANNOT_GANG", "handed in as"},
		{make([]string, 101), "InvalidArgument INVALID_FIELD", "at most 100"},
	} {
		_, err := d.jobs.GangJobs(d.ctx(), &tandemv1.GangJobsRequest{Id: "g", Jobs: tt.jobs, Actor: "mira"})
		if text := strings.Join(append(fieldsOf(err), err.Error()), " "); reason(err) != tt.reason || !strings.Contains(text, tt.says) {
			t.Errorf("%v: %v", tt.jobs, err)
		}
	}
	if _, err := d.jobs.GangJobs(d.ctx(), &tandemv1.GangJobsRequest{Id: "a", Jobs: []string{"b", "c"}}); reason(err) != "AlreadyExists JOB_EXISTS" {
		t.Errorf("an id that is taken: %v", err)
	}
	if _, err := d.jobs.GangJobs(d.ctx(), &tandemv1.GangJobsRequest{Id: "g", Jobs: []string{"b", "c"}}); err != nil {
		t.Fatal(err)
	}
	if _, err := d.jobs.GangJobs(d.ctx(), &tandemv1.GangJobsRequest{Id: "h", Jobs: []string{"a", "c"}}); reason(err) != "FailedPrecondition CANNOT_GANG" {
		t.Errorf("a member of another: %v", err)
	}
	canceled, err := d.jobs.CancelJob(d.ctx(), &tandemv1.CancelJobRequest{Id: "g", Actor: "mira"})
	if err != nil || len(canceled.GetMembers()) != 0 {
		t.Fatalf("dissolved: %v, %v", canceled, err)
	}
	if s := d.job("b").GetSteps()[0]; s.GetCarriedBy() != "" || s.GetState() != tandemv1.JobState_JOB_STATE_PENDING {
		t.Errorf("b after that: %v", s)
	}
	d.check()
}

func TestGangProposals(t *testing.T) {
	d := newDaemon(t)
	day := func(n int) *timestamppb.Timestamp { return timestamppb.New(time.Now().AddDate(0, 0, n)) }
	for id, due := range map[string]*timestamppb.Timestamp{"a": day(2), "b": day(3), "late": day(30), "any": nil} {
		j := tags(id)
		j.DueTime = due
		j.Items[0].Quantity, j.Items[0].Overs = 2, 0 // short of a row
		if _, err := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: j, CutFiles: tagFiles()}); err != nil {
			t.Fatal(err)
		}
	}
	held := tags("held")
	held.Hold = true
	if _, err := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: held, CutFiles: tagFiles()}); err != nil {
		t.Fatal(err)
	}
	d.create("steps")
	list, err := d.jobs.ProposeGangs(d.ctx(), &tandemv1.ProposeGangsRequest{})
	if err != nil || len(list.GetProposals()) != 2 {
		t.Fatalf("proposals %v, %v", list, err)
	}
	for i, want := range [][]string{{"a", "b"}, {"late", "any"}} {
		p := list.GetProposals()[i]
		if !slices.Equal(p.GetJobs(), want) || p.GetMedia() != "vinyl" || p.GetLengthTogetherUm() >= p.GetLengthApartUm() {
			t.Errorf("proposal %d: %v, want %v", i, p, want)
		}
	}
	g, err := d.jobs.GangJobs(d.ctx(), &tandemv1.GangJobsRequest{Id: "g", Jobs: list.GetProposals()[0].GetJobs()})
	if err != nil || g.GetSteps()[0].GetLengthUm() != list.GetProposals()[0].GetLengthTogetherUm() {
		t.Fatalf("as proposed: %v, %v", g, err)
	}
	after, err := d.jobs.ProposeGangs(d.ctx(), &tandemv1.ProposeGangsRequest{})
	if err != nil || len(after.GetProposals()) != 1 || proto.Equal(after.GetProposals()[0], list.GetProposals()[0]) {
		t.Errorf("proposals after that: %v, %v", after, err)
	}
}
