package floor

import (
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
)

// goodJob is a job with nothing wrong; every case below spoils one thing.
func goodJob() *tandemv1.Job {
	return &tandemv1.Job{
		Id: "decals", Pieces: 60,
		Steps: []*tandemv1.Step{
			{Id: "print", Operation: "print", Media: "white-vinyl", WidthUm: 1_370_000, LengthUm: 5_000_000},
			{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(30 * time.Minute)},
			{Id: "laminate", Operation: "laminate", After: []string{"dry"}, Film: "gloss"},
			{Id: "cut", Operation: "cut", After: []string{"laminate"}, Documents: []*tandemv1.Document{
				{Role: "cut", Uri: "file:///cut/decals.svg", Sha256: emptySum},
			}},
		},
	}
}

// emptySum is the SHA-256 of no bytes at all (FIPS 180-4; the value is in NIST's example collection).
const emptySum = "e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855"

type badJob struct {
	name  string
	spoil func(*tandemv1.Job)
	want  []string // "field: part of the problem", exactly these violations in this order
}

func TestJobsThatCannotBeTakenIn(t *testing.T) {
	for _, tt := range slices.Concat(badIDs(), badShapes(), badValues()) {
		t.Run(tt.name, func(t *testing.T) {
			j := goodJob()
			tt.spoil(j)
			_, err := New().Decide(time.Unix(1e9, 0), Meta{}, CreateJob{Job: j})
			var e *Error
			if !errors.As(err, &e) {
				t.Fatalf("error %v, want one of type *Error", err)
			}
			if e.Kind != Invalid || e.Reason != "INVALID_JOB" {
				t.Errorf("kind %d, reason %s; want %d, INVALID_JOB", e.Kind, e.Reason, Invalid)
			}
			for i, v := range e.Violations {
				if i >= len(tt.want) {
					t.Fatalf("one violation too many: %s: %s", v.Field, v.Problem)
				}
				field, problem, _ := strings.Cut(tt.want[i], ": ")
				if v.Field != field || !strings.Contains(v.Problem, problem) {
					t.Errorf("violation %d is %q: %q\nwant %q: %q", i, v.Field, v.Problem, field, problem)
				}
				if !strings.Contains(e.Error(), v.Field) {
					t.Errorf("the message %q does not name %s", e.Error(), v.Field)
				}
				if strings.ContainsFunc(v.Problem, func(r rune) bool { return r < ' ' || r == 0x7f }) || len(v.Problem) > 400 {
					t.Errorf("the problem passes foreign text on: %q", v.Problem)
				}
			}
			if len(e.Violations) < len(tt.want) {
				t.Errorf("violations %v, want %q", e.Violations, tt.want)
			}
		})
	}
}

func TestNoJob(t *testing.T) {
	_, err := New().Decide(time.Unix(1e9, 0), Meta{}, CreateJob{})
	if want := "the request has a bad field: job: is missing"; err == nil || err.Error() != want {
		t.Errorf("error %v, want %s", err, want)
	}
}

func TestABadTicketCannotFloodItsSender(t *testing.T) {
	j := goodJob()
	for i := range 900 {
		j.Steps = append(j.Steps, &tandemv1.Step{Id: fmt.Sprintf("S%d", i)})
	}
	_, err := normalise(j)
	var e *Error
	if !errors.As(err, &e) || len(e.Violations) != 50 {
		t.Fatalf("%d violations, want the first 50", len(e.Violations))
	}
}

func TestDefaultsAreFilledInAndOutputsDropped(t *testing.T) {
	clean := goodJob()
	want := proto.CloneOf(clean)
	want.Priority, want.Pieces = 50, 0
	want.Panels = []*tandemv1.Panel{{Id: "p1", Pieces: 60}}
	for _, s := range want.GetSteps() {
		s.Panels = []string{"p1"}
	}
	dirty := proto.CloneOf(clean)
	dirty.Code, dirty.State, dirty.StateReasons, dirty.Revision = "J00000", 9, []string{"x"}, 7
	dirty.CreateTime, dirty.EndTime = timestamppb.Now(), timestamppb.Now()
	for _, s := range dirty.GetSteps() {
		s.State, s.StateReasons, s.PiecesGood, s.PiecesSpoiled, s.PiecesLeft = 9, []string{"x"}, 1, 2, 3
		s.ReadyTime, s.StartTime, s.EndTime = timestamppb.Now(), timestamppb.Now(), timestamppb.Now()
		s.RemakeOf, s.Runs = "print", []*tandemv1.Run{{Id: "run-1"}}
	}
	panels := proto.CloneOf(dirty)
	panels.Panels = []*tandemv1.Panel{{Id: "p1", Pieces: 60, Code: "P0", PiecesGood: 3, PiecesSpoiled: 4, Place: "x", PlaceTime: timestamppb.Now(), RemakeOf: "p0"}}
	for name, in := range map[string]*tandemv1.Job{"inputs only": clean, "with outputs": dirty, "with panels": panels} {
		before := proto.CloneOf(in)
		got, err := normalise(in)
		if err != nil {
			t.Fatalf("%s: %v", name, err)
		}
		if !proto.Equal(got, want) {
			t.Errorf("%s: taken in as\n%v\nwant\n%v", name, got, want)
		}
		if !proto.Equal(in, before) {
			t.Errorf("%s: the caller's job was changed", name)
		}
	}
}

func TestAJobKeepsItsOwnChoices(t *testing.T) {
	j := goodJob()
	j.Priority, j.Hold, j.Labels = 90, true, map[string]string{"po": "4711\tline\nline"}
	j.Panels = []*tandemv1.Panel{{Id: "a", Pieces: 40}, {Id: "b", Pieces: 20}}
	j.Steps[0].Panels = []string{"b"}
	got, err := normalise(j)
	if err != nil {
		t.Fatal(err)
	}
	if got.GetPriority() != 90 || !got.GetHold() || got.GetLabels()["po"] != "4711\tline\nline" {
		t.Errorf("taken in as %v", got)
	}
	if p := got.GetSteps()[0].GetPanels(); !slices.Equal(p, []string{"b"}) {
		t.Errorf("print works on %v, want b alone", p)
	}
	if p := got.GetSteps()[1].GetPanels(); !slices.Equal(p, []string{"a", "b"}) {
		t.Errorf("dry works on %v, want both", p)
	}
}

func TestTheLargestJobIsTakenIn(t *testing.T) {
	j := &tandemv1.Job{Id: strings.Repeat("a", 63)}
	for i := range 1000 {
		j.Panels = append(j.Panels, &tandemv1.Panel{Id: fmt.Sprintf("p%d", i), Pieces: 1000})
		s := &tandemv1.Step{Id: fmt.Sprintf("s%d", i), Operation: "print", Panels: []string{fmt.Sprintf("p%d", i)}}
		if i > 0 {
			s.After = []string{fmt.Sprintf("s%d", i-1)}
		}
		j.Steps = append(j.Steps, s)
	}
	slices.Reverse(j.GetSteps()) // every reference leads forward
	if _, err := normalise(j); err != nil {
		t.Fatal(err)
	}
}

// A shop may take a job in before it buys the device: it waits and says why.
func TestAJobThatNoDeviceCanDoWaits(t *testing.T) {
	f := New()
	now := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for _, c := range []Command{Configure{File: randomFile}, CreateJob{Job: &tandemv1.Job{Id: "neon", Pieces: 1, Steps: []*tandemv1.Step{
		{Id: "bend", Operation: "bend"},
		{Id: "pack", Operation: "pack", After: []string{"bend"}},
	}}}} {
		d, err := f.Decide(now, Meta{}, c)
		if err != nil {
			t.Fatalf("%T: %v", c, err)
		}
		for _, e := range d.Events {
			f.Apply(f.Revision+1, now, e)
		}
	}
	j, _ := f.Job("neon")
	bend, pack := j.Steps[0], j.Steps[1]
	for _, tt := range []struct {
		step   *Step
		state  tandemv1.JobState
		reason string
	}{
		{bend, tandemv1.JobState_JOB_STATE_PENDING, ReasonNotSupported},
		{pack, tandemv1.JobState_JOB_STATE_PENDING_HELD, ReasonWaitingPredecessor},
	} {
		if state, reasons := tt.step.State(now); state != tt.state || !slices.Equal(reasons, []string{tt.reason}) {
			t.Errorf("%s is %s %v, want %s %s", tt.step.ID(), Keyword(state), reasons, Keyword(tt.state), tt.reason)
		}
	}
	if state, reasons := j.State(now); state != tandemv1.JobState_JOB_STATE_PENDING || !slices.Equal(reasons, []string{ReasonNotSupported}) {
		t.Errorf("the job is %s %v, want pending %s", Keyword(state), reasons, ReasonNotSupported)
	}
}
