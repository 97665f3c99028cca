package ticket

import (
	"errors"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/encoding/protojson"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// FuzzMake hands in whatever job and cut file: it is made into something that the floor takes, or refused as invalid.
func FuzzMake(f *testing.F) {
	seed := func(j *tandemv1.Job, svg string) {
		data, err := protojson.Marshal(j)
		if err != nil {
			f.Fatal(err)
		}
		f.Add(data, []byte(svg))
	}
	withCut := decals()
	withCut.Cut = &tandemv1.Document{Uri: "gull.svg"}
	seed(order(decals()), "")
	seed(order(withCut), `<svg width="100mm" height="50mm" viewBox="0 0 100 50"><rect width="9" height="9"/></svg>`)
	huge := decals()
	huge.Quantity, huge.WidthUm, huge.HeightUm = 1_000_000, 1, 1
	seed(order(huge), "")
	f.Fuzz(func(t *testing.T, job, svg []byte) {
		in := &tandemv1.Job{}
		if protojson.Unmarshal(job, in) != nil {
			return
		}
		var files []*tandemv1.CutFile
		if len(svg) > 0 {
			files = append(files, &tandemv1.CutFile{Uri: "gull.svg", Content: svg})
		}
		made, err := Make(shop(), in, files)
		var e *floor.Error
		if err != nil {
			if !errors.As(err, &e) || len(e.Violations) == 0 {
				t.Fatalf("refused without a bad field: %v", err)
			}
			return
		}
		_, err = floor.New().Decide(time.Time{}, floor.Meta{}, floor.CreateJob{Job: made.Job})
		if !errors.As(err, &e) {
			return
		}
		for _, v := range e.Violations { // what Make leaves to the floor: the rest of the job, and what items say of documents
			made := strings.HasPrefix(v.Field, "job.steps") || strings.HasPrefix(v.Field, "job.panels")
			if made && !strings.Contains(v.Field, "documents") {
				t.Fatalf("the floor does not take what was made: %s: %s", v.Field, v.Problem)
			}
		}
	})
}
