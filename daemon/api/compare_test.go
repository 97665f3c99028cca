package api_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

// compared asks for a comparison and returns all its messages.
func (d *daemon) compared(ctx context.Context, req *tandemv1.CompareFloorsRequest) ([]*tandemv1.CompareFloorsResponse, error) {
	d.tb.Helper()
	stream, err := tandemv1.NewPlanServiceClient(d.conn).CompareFloors(ctx, req)
	if err != nil {
		return nil, err
	}
	var out []*tandemv1.CompareFloorsResponse
	for {
		m, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return out, nil
		case err != nil:
			return out, err
		}
		out = append(out, m)
	}
}

// shopWith is a floor file with a printer and so many cutters.
func shopWith(cutters int) *tandemv1.FloorFile {
	f := &tandemv1.FloorFile{Devices: []*tandemv1.Device{machine("printer-1", "print")}}
	for i := range cutters {
		c := machine(fmt.Sprintf("cutter-%d", i+1), "cut")
		c.Abilities[0].PerPiece = durationpb.New(10 * time.Second)
		f.Devices = append(f.Devices, c)
	}
	return f
}

func compareRequest(jobs int) *tandemv1.CompareFloorsRequest {
	req := &tandemv1.CompareFloorsRequest{
		Floors: []*tandemv1.FloorVariant{{Name: "one", Floor: shopWith(1)}, {Name: "two", Floor: shopWith(2)}},
		Seed:   7,
	}
	for i := range jobs {
		req.Jobs = append(req.Jobs, &tandemv1.HandedIn{Job: &tandemv1.Job{Id: fmt.Sprintf("job-%d", i), Pieces: 60, Steps: []*tandemv1.Step{
			{Id: "print", Operation: "print"}, {Id: "cut", Operation: "cut", After: []string{"print"}},
		}}})
	}
	return req
}

func TestCompareFloors(t *testing.T) {
	d := newDaemon(t)
	before := d.revision()
	got, err := d.compared(d.ctx(), compareRequest(12))
	if err != nil {
		t.Fatal(err)
	}
	first, last := got[0], got[len(got)-1]
	if first.GetDone() != 0 || first.GetTotal() != 40 || first.GetComparison() != nil {
		t.Errorf("begins with %v", first)
	}
	for i := 1; i < len(got); i++ {
		if got[i].GetDone() < got[i-1].GetDone() || (got[i].GetComparison() != nil) != (i == len(got)-1) {
			t.Errorf("message %d says %d of %d", i, got[i].GetDone(), got[i].GetTotal())
		}
	}
	c := last.GetComparison()
	if last.GetDone() != 40 || len(c.GetFloors()) != 2 || len(c.GetConclusion()) == 0 || len(c.GetNotes()) == 0 {
		t.Fatalf("ends with %v", last)
	}
	one, two := c.GetFloors()[0].GetMakespan().GetMean(), c.GetFloors()[1].GetMakespan().GetMean()
	if one < 7200 || two > 0.65*one {
		t.Errorf("12 jobs of 60 pieces, 10 s each to cut, take %.0f s on one cutter and %.0f s on two", one, two)
	}
	if after := d.revision(); after != before {
		t.Errorf("comparing changed the floor: revision %d, was %d", after, before)
	}
	again, err := d.compared(d.ctx(), compareRequest(12))
	if err != nil || !sameFigures(again[len(again)-1].GetComparison(), c) {
		t.Errorf("the same seed gives other figures: %v", err)
	}
}

// sameFigures compares all but the pictures, whose times follow the clock where no start is given.
func sameFigures(a, b *tandemv1.Comparison) bool {
	a, b = proto.CloneOf(a), proto.CloneOf(b)
	for _, c := range []*tandemv1.Comparison{a, b} {
		for _, f := range c.GetFloors() {
			f.Example = nil
		}
	}
	return proto.Equal(a, b)
}

// A floor that is not given is the one in force.
func TestCompareWithTheFloorInForce(t *testing.T) {
	d := newDaemon(t)
	req := &tandemv1.CompareFloorsRequest{Floors: []*tandemv1.FloorVariant{{}}, Exact: true}
	req.Jobs = append(req.Jobs, &tandemv1.HandedIn{Job: ticket("x")})
	got, err := d.compared(d.ctx(), req)
	if err != nil {
		t.Fatal(err)
	}
	floor := got[len(got)-1].GetComparison().GetFloors()[0]
	var names []string
	for _, device := range floor.GetDevices() {
		names = append(names, device.GetDevice())
	}
	if !slices.Contains(names, "cutter-1") || floor.GetUnfinished() != 0 {
		t.Errorf("played on %v", names)
	}
}

func TestCompareRefusals(t *testing.T) {
	d := newDaemon(t)
	tests := []struct {
		name   string
		change func(*tandemv1.CompareFloorsRequest)
		want   string
	}{
		{"no floor", func(r *tandemv1.CompareFloorsRequest) { r.Floors = nil }, "floors: are 0: give 1 to 8"},
		{"too many floors", func(r *tandemv1.CompareFloorsRequest) {
			for range 8 {
				r.Floors = append(r.Floors, &tandemv1.FloorVariant{Floor: shopWith(1)})
			}
		}, "floors: are 10: give 1 to 8"},
		{"a floor without devices", func(r *tandemv1.CompareFloorsRequest) { r.Floors[1].Floor.Devices = nil }, "floors[1].floor.devices: is empty"},
		{"a device without id", func(r *tandemv1.CompareFloorsRequest) { r.Floors[1].Floor.Devices[0].Id = "Cutter!" }, "floors[1].floor.devices[0].id:"},
		{"a control character", func(r *tandemv1.CompareFloorsRequest) { r.Floors[0].Name = "\x1b[2J" }, "floors[0].name: holds control"},
		{"two names alike", func(r *tandemv1.CompareFloorsRequest) { r.Floors[1].Name = "one" }, `floors[1].name: "one" is the name of floors[0], too`},
		{"no work", func(r *tandemv1.CompareFloorsRequest) { r.Jobs = nil }, "jobs: are missing"},
		{"jobs and a mix", func(r *tandemv1.CompareFloorsRequest) { r.Mix = &tandemv1.Mix{} }, "mix: is given together with jobs"},
		{"a job twice", func(r *tandemv1.CompareFloorsRequest) { r.Jobs[1].Job.Id = r.GetJobs()[0].GetJob().GetId() }, `jobs[1].job.id: "job-0" is the id of jobs[0], too`},
		{"a job without steps", func(r *tandemv1.CompareFloorsRequest) { r.Jobs[1].Job.Steps = nil }, "jobs[1].job.steps"},
		{"too many replications", func(r *tandemv1.CompareFloorsRequest) { r.Replications = 1001 }, "replications: are 1001"},
		{"too much in all", func(r *tandemv1.CompareFloorsRequest) {
			r.Jobs, r.Mix = nil, &tandemv1.Mix{JobsPerDay: 1000, Days: 100, Entries: []*tandemv1.MixEntry{{Job: ticket("x")}}}
		}, "replications: make about 4000000 jobs"},
		{"an empty mix", func(r *tandemv1.CompareFloorsRequest) { r.Jobs, r.Mix = nil, &tandemv1.Mix{} }, "mix.entries: are missing"},
		{"a mix with a bad job", func(r *tandemv1.CompareFloorsRequest) {
			r.Jobs, r.Mix = nil, &tandemv1.Mix{JobsPerDay: 2, Days: 1, Entries: []*tandemv1.MixEntry{{Job: &tandemv1.Job{Id: "x"}}}}
		}, "mix.entries[0].job.steps"},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			req := compareRequest(2)
			tt.change(req)
			_, err := d.compared(t.Context(), req)
			if fields := fieldsOf(err); !slices.ContainsFunc(fields, func(f string) bool { return strings.HasPrefix(f, tt.want) }) {
				t.Errorf("got %v with the fields %q, want %q", err, fields, tt.want)
			}
		})
	}
}

// A caller that goes away ends its comparison: the next one need not wait for it.
func TestCompareEndsWithTheCall(t *testing.T) {
	d := newDaemon(t)
	long := compareRequest(2000)
	long.Replications = 90 // minutes of work
	ctx, cancel := context.WithCancel(d.ctx())
	stream, err := tandemv1.NewPlanServiceClient(d.conn).CompareFloors(ctx, long)
	if err != nil {
		t.Fatal(err)
	}
	for {
		m, err := stream.Recv()
		if err != nil {
			t.Fatal(err)
		}
		if m.GetDone() > 0 {
			break
		}
	}
	// Another one waits, and goes away while it waits.
	waiting, leave := context.WithCancel(d.ctx())
	second, err := tandemv1.NewPlanServiceClient(d.conn).CompareFloors(waiting, compareRequest(2))
	if err != nil {
		t.Fatal(err)
	}
	if m, err := second.Recv(); err != nil || m.GetDone() != 0 {
		t.Fatalf("the second one begins with %v, %v", m, err)
	}
	leave()
	if _, err := second.Recv(); status.Code(err) != codes.Canceled {
		t.Errorf("the second one ends with %v", err)
	}
	cancel()
	got, err := d.compared(d.ctx(), compareRequest(2))
	if err != nil || got[len(got)-1].GetComparison() == nil {
		t.Errorf("after the first one was given up: %v", err)
	}
}
