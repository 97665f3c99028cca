package api_test

import (
	"slices"
	"strings"
	"testing"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

const tagFile = `<svg xmlns="http://www.w3.org/2000/svg" width="80mm" height="50mm" viewBox="0 0 80 50"><rect width="80" height="50"/></svg>`

// tags is a job handed in as items: cut from vinyl and packed.
func tags(id string) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Items: []*tandemv1.Item{{
		Id: "tag", WidthUm: 80_000, HeightUm: 50_000, Quantity: 30, Overs: 2, Media: "vinyl",
		Cut: &tandemv1.Document{Uri: "tag.svg"}, CutKind: "kiss", HandWork: []string{"pack"},
	}}}
}

func tagFiles() []*tandemv1.CutFile {
	return []*tandemv1.CutFile{{Uri: "tag.svg", Content: []byte(tagFile)}}
}

func TestJobFromItems(t *testing.T) {
	d := newDaemon(t)
	req := &tandemv1.CreateJobRequest{Job: tags("tags"), CutFiles: tagFiles(), RequestId: "r1", Actor: "mira"}
	job, err := d.jobs.CreateJob(d.ctx(), req)
	if err != nil {
		t.Fatal(err)
	}
	if len(job.GetSteps()) != 2 || job.GetPieces() != 32 || job.GetItems()[0].GetContour().GetLengthUm() != 260_000 {
		t.Errorf("taken in as %v", job)
	}
	again, err := d.jobs.CreateJob(d.ctx(), req)
	if err != nil || !proto.Equal(job, again) {
		t.Errorf("the same request again: %v, %v", again, err)
	}
	d.reopen()
	kept, err := d.jobs.GetJob(d.ctx(), &tandemv1.GetJobRequest{Id: "tags"})
	if err != nil || !proto.Equal(kept.GetItems()[0], job.GetItems()[0]) || !proto.Equal(kept.GetPanels()[0], job.GetPanels()[0]) ||
		!proto.Equal(kept.GetSteps()[0].GetDocuments()[0], job.GetSteps()[0].GetDocuments()[0]) {
		t.Errorf("after a restart: %v, %v; want %v", kept, err, job)
	}
	d.check()
}

func TestQuoteStoresNothing(t *testing.T) {
	d := newDaemon(t)
	before := d.revision()
	q, err := d.jobs.QuoteJob(d.ctx(), &tandemv1.QuoteJobRequest{Job: tags("tags"), CutFiles: tagFiles()})
	if err != nil {
		t.Fatal(err)
	}
	if len(q.GetLayouts()) != 1 || q.GetLayouts()[0].GetPieces() != 32 || len(q.GetSteps()) != 2 || q.GetAlone().AsDuration() <= 0 {
		t.Errorf("quote %v", q)
	}
	if after := d.revision(); after != before {
		t.Errorf("revision %d after a quote, %d before", after, before)
	}
	// A job that is on the floor is quoted as any other: its layout may be wanted again, or it is to be ordered once more.
	if _, err := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: tags("tags"), CutFiles: tagFiles(), RequestId: "t"}); err != nil {
		t.Fatal(err)
	}
	if again, err := d.jobs.QuoteJob(d.ctx(), &tandemv1.QuoteJobRequest{Job: tags("tags"), CutFiles: tagFiles()}); err != nil || !proto.Equal(again, q) {
		t.Errorf("a job that is on the floor: %v, %v; want %v", again, err, q)
	}
	// A job given as steps is quoted as it stands.
	steps := &tandemv1.Job{Id: "steps", Pieces: 7, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}
	if q, err = d.jobs.QuoteJob(d.ctx(), &tandemv1.QuoteJobRequest{Job: steps}); err != nil || len(q.GetSteps()) != 1 || q.GetSteps()[0].GetDevice() == "" {
		t.Errorf("a job of steps: %v, %v", q, err)
	}
}

func TestBadItemsAreNamed(t *testing.T) {
	d := newDaemon(t)
	wide := tags("wide")
	wide.Items[0].WidthUm, wide.Items[0].HeightUm = 1_400_000, 1_500_000
	hash := tags("hash")
	hash.Items[0].Cut.Sha256 = strings.Repeat("0", 64)
	latex := tags("latex")
	latex.Items[0].Ink = "latex"
	for _, tt := range []struct {
		job   *tandemv1.Job
		field string
	}{{wide, "job.items[0].width_um"}, {hash, "job.items[0].cut.sha256"}, {latex, "job.items[0].ink"}} {
		_, quote := d.jobs.QuoteJob(d.ctx(), &tandemv1.QuoteJobRequest{Job: tt.job, CutFiles: tagFiles()})
		_, create := d.jobs.CreateJob(d.ctx(), &tandemv1.CreateJobRequest{Job: tt.job, CutFiles: tagFiles(), RequestId: tt.job.GetId()})
		for _, err := range []error{quote, create} {
			if status.Code(err) != codes.InvalidArgument || !slices.ContainsFunc(fieldsOf(err), func(f string) bool { return strings.HasPrefix(f, tt.field+": ") }) {
				t.Errorf("%s: %v, want %s", tt.job.GetId(), err, tt.field)
			}
		}
	}
	if _, err := d.jobs.QuoteJob(d.ctx(), &tandemv1.QuoteJobRequest{
		Job: &tandemv1.Job{Id: "x", Pieces: 1, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}, CutFiles: tagFiles(),
	}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("cut files for a job of steps: %v", err)
	}
}

func TestDurationsOfUnknownDevice(t *testing.T) {
	d := newDaemon(t)
	if r, err := d.learned.ListDurations(d.ctx(), &tandemv1.ListDurationsRequest{}); err != nil || len(r.GetDurations()) != 0 {
		t.Errorf("before anything has run: %v, %v", r, err)
	}
	if _, err := d.learned.ListDurations(d.ctx(), &tandemv1.ListDurationsRequest{Device: "plotter"}); status.Code(err) != codes.NotFound {
		t.Errorf("a device that is not there: %v", err)
	}
	if _, err := d.learned.ResetDurations(d.ctx(), &tandemv1.ResetDurationsRequest{Device: "cutter-1", Operation: "print", RequestId: "r"}); status.Code(err) != codes.InvalidArgument {
		t.Errorf("an operation that the device does not have: %v", err)
	}
}

// A retry gets its first answer although the floor file has lost the media meanwhile; a new request is refused.
func TestRetryOfItemsAfterTheFloorChanged(t *testing.T) {
	d := newDaemon(t)
	req := &tandemv1.CreateJobRequest{Job: tags("tags"), CutFiles: tagFiles(), RequestId: "r1", Actor: "mira"}
	job, err := d.jobs.CreateJob(d.ctx(), req)
	if err != nil {
		t.Fatal(err)
	}
	file := proto.CloneOf(shopFile)
	file.Media = []*tandemv1.Media{{Id: "banner", WidthUm: 1_600_000}, {Id: "gloss"}, {Id: "matt"}}
	if _, err := d.engine.Do(d.ctx(), floor.Meta{}, floor.Configure{File: file}); err != nil {
		t.Fatal(err)
	}
	if again, err := d.jobs.CreateJob(d.ctx(), req); err != nil || again.GetCode() != job.GetCode() {
		t.Errorf("the same request again: %v, %v", again, err)
	}
	fresh := &tandemv1.CreateJobRequest{Job: tags("more"), CutFiles: tagFiles(), RequestId: "r2", Actor: "mira"}
	if _, err := d.jobs.CreateJob(d.ctx(), fresh); status.Code(err) != codes.InvalidArgument {
		t.Errorf("a new request: %v", err)
	}
}
