package main

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// lineShop is a shop that prints, dries, laminates, cuts and packs; its cutter spoils pieces 7, 8 and 9 of its first run.
func lineShop() *tandemv1.FloorFile {
	laminator := cutter("laminator-1", false, "")
	laminator.Abilities = []*tandemv1.Ability{{Operation: "laminate", PerPiece: durationpb.New(time.Second)}}
	return shopOf(printer("printer-1", false, ""), laminator, cutter("cutter-1", false, "spoil@7:3"),
		&tandemv1.Device{Id: "rack-1", Capacity: 10, Driver: &tandemv1.Driver{Kind: "rack", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "dry"}}},
		&tandemv1.Device{Id: "bench-1", Capacity: 4, Driver: &tandemv1.Driver{Kind: "operator", Manual: true}, Abilities: []*tandemv1.Ability{{Operation: "pack"}}},
	)
}

// packed is a job of sixty that go through the whole line.
func packed() *tandemv1.Job {
	return &tandemv1.Job{Id: "decals", Pieces: 60, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print"},
		{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(2 * time.Minute)},
		{Id: "laminate", Operation: "laminate", After: []string{"dry"}},
		{Id: "cut", Operation: "cut", After: []string{"laminate"}},
		{Id: "pack", Operation: "pack", After: []string{"cut"}},
	}}
}

// attend starts what waits for a person and finishes what is done by hand, of the steps named, until the last of them is completed.
func (s *scene) attend(job string, steps ...string) *tandemv1.Step {
	s.Helper()
	var last *tandemv1.Step
	for _, id := range steps {
		given := func(t *tandemv1.Step) bool {
			return isCompleted(t) || len(t.GetRuns()) > 0 && t.GetRuns()[len(t.GetRuns())-1].GetEndTime() == nil
		}
		last = s.stepUntil(id+" is given out", job, id, given)
		if !isCompleted(last) && last.GetOperation() != "dry" && last.GetOperation() != "print" {
			run := last.GetRuns()[len(last.GetRuns())-1]
			s.begin(run.GetId())
			if last.GetOperation() == "pack" {
				s.finish(run.GetId())
			}
		}
		last = s.stepUntil(id+" is done", job, id, isCompleted)
	}
	return last
}

// finish ends work by hand.
func (s *scene) finish(run string) {
	s.Helper()
	if _, err := s.devices.FinishRun(s.Context(), &tandemv1.FinishRunRequest{Run: run, RequestId: s.next(), Actor: "marit"}); err != nil {
		s.Fatal(err)
	}
}

// remake has three pieces made again that were spoiled at the cutter, and returns the job.
func (s *scene) remake() *tandemv1.Job {
	s.Helper()
	j, err := s.jobs.RemakePieces(s.Context(), &tandemv1.RemakePiecesRequest{
		Id: "decals", Step: "cut", Pieces: 3, AlreadySpoiled: true, Note: "the blade was dull", RequestId: s.next(), Actor: "marit",
	})
	if err != nil {
		s.Fatal(err)
	}
	return j
}

// sums adds up what the steps of an operation have made.
func sums(j *tandemv1.Job, operation string) (good, spoiled int32) {
	for _, t := range j.GetSteps() {
		if t.GetOperation() == operation {
			good, spoiled = good+t.GetPiecesGood(), spoiled+t.GetPiecesSpoiled()
		}
	}
	return good, spoiled
}

// Three of sixty are spoiled at cutting. They are printed, dried, laminated and cut again within the same job, and its packing waits for
// all sixty.
func TestThreeOfSixtyAreSpoiledAtCutting(t *testing.T) {
	t.Parallel()
	s := newScene(t, lineShop())
	first := s.create(packed()).GetPanels()[0].GetCode()
	cut := s.attend("decals", "print", "dry", "laminate", "cut")
	if cut.GetPiecesGood() != 57 || cut.GetPiecesSpoiled() != 3 {
		t.Fatalf("cut: %v, want 57 good and 3 spoiled", cut)
	}
	j := s.remake()
	var again []string
	for _, step := range j.GetSteps() {
		if step.GetRemakeOf() != "" {
			again = append(again, step.GetId())
			if step.GetPiecesLeft() != 3 {
				t.Errorf("%v is of %d pieces, want 3", step.GetId(), step.GetPiecesLeft())
			}
		}
	}
	if want := []string{"print-r1", "dry-r1", "laminate-r1", "cut-r1"}; !slices.Equal(again, want) {
		t.Fatalf("made again: %q, want %q", again, want)
	}
	if n := len(j.GetPanels()); n != 2 || j.GetPanels()[1].GetCode() == first || j.GetPanels()[1].GetCode() == "" || j.GetPanels()[1].GetPieces() != 3 {
		t.Errorf("panels %v, want a second one of 3 with a code of its own", j.GetPanels())
	}
	s.reopen() // the remake is on record
	s.attend("decals", "print-r1", "dry-r1", "laminate-r1")
	if pack := s.step("decals", "pack"); len(pack.GetRuns()) > 0 && pack.GetRuns()[0].GetStartTime() != nil || pack.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING {
		t.Errorf("packing has begun before all are there: %v", pack)
	}
	pack := s.attend("decals", "cut-r1", "pack")
	if pack.GetPiecesGood() != 60 {
		t.Errorf("packed: %v, want 60", pack)
	}
	s.until("the job is completed", func() bool { return s.job("decals").GetState() == tandemv1.JobState_JOB_STATE_COMPLETED })
	j = s.job("decals")
	if good, _ := sums(j, "print"); good != 63 {
		t.Errorf("%d are printed, want 63", good)
	}
	if good, spoiled := sums(j, "cut"); good != 60 || spoiled != 3 {
		t.Errorf("%d are cut well and %d spoiled, want 60 and 3", good, spoiled)
	}
}

// The same three, but nobody says so before the other 57 are being packed: the three follow as a second bundle, with a code of its own.
func TestThreeOfSixtyAreSpoiledAndTheRestHasLeft(t *testing.T) {
	t.Parallel()
	s := newScene(t, lineShop())
	s.create(packed())
	s.attend("decals", "print", "dry", "laminate", "cut")
	pack := s.stepUntil("packing is given out", "decals", "pack", func(p *tandemv1.Step) bool { return len(p.GetRuns()) > 0 })
	s.begin(pack.GetRuns()[0].GetId())
	j := s.remake()
	second := j.GetPanels()[len(j.GetPanels())-1]
	if len(j.GetPanels()) != 2 || second.GetCode() == j.GetPanels()[0].GetCode() || second.GetRemakeOf() != j.GetPanels()[0].GetId() {
		t.Fatalf("panels %v, want a second bundle", j.GetPanels())
	}
	s.finish(pack.GetRuns()[0].GetId())
	if pack = s.stepUntil("57 are packed", "decals", "pack", isCompleted); pack.GetPiecesGood() != 57 {
		t.Errorf("packed first: %v, want 57", pack)
	}
	if s.job("decals").GetState() == tandemv1.JobState_JOB_STATE_COMPLETED {
		t.Error("the job is completed with three pieces missing")
	}
	late := s.attend("decals", "print-r1", "dry-r1", "laminate-r1", "cut-r1", "pack-r1")
	if late.GetPiecesGood() != 3 || !slices.Equal(late.GetPanels(), []string{second.GetId()}) {
		t.Errorf("the second bundle is %v", late)
	}
	s.until("the job is completed", func() bool { return s.job("decals").GetState() == tandemv1.JobState_JOB_STATE_COMPLETED })
	j = s.job("decals")
	printed, _ := sums(j, "print")
	if good, _ := sums(j, "pack"); good != 60 || printed != 63 {
		t.Errorf("%d printed and %d packed, want 63 and 60", printed, good)
	}
}

// rollShop is a printer whose roll is out after 26 pieces of its first run, with white on it.
func rollShop() *tandemv1.FloorFile {
	p := printer("printer-1", true, "media-empty@26")
	p.Abilities[0].Media, p.LoadedMedia = []string{"white", "clear"}, "white"
	file := shopOf(p)
	file.Media = []*tandemv1.Media{{Id: "white", WidthUm: 1_000_000}, {Id: "clear", WidthUm: 1_000_000}}
	return file
}

func onWhite() *tandemv1.Job {
	return &tandemv1.Job{Id: "decals", Pieces: 60, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Media: "white"}}}
}

func rollOut(s *tandemv1.Step) bool {
	return s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED && slices.Contains(s.GetStateReasons(), "media-empty-error")
}

func (s *scene) load(media string) error {
	_, err := s.devices.LoadMedia(s.Context(), &tandemv1.LoadMediaRequest{Id: "printer-1", Media: media, RequestId: s.next(), Actor: "marit"})
	return err
}

// The roll runs out at decal 26 of 60. Another material is refused with the run's own named; with the same one on, the same run goes on
// with the other 34.
func TestRollRunsOutAndOnlyTheSameMaterialGoesOn(t *testing.T) {
	t.Parallel()
	s := newScene(t, rollShop())
	s.create(onWhite())
	out := s.stepUntil("it stands still", "decals", "print", rollOut)
	if out.GetPiecesGood() != 26 || out.GetPiecesLeft() != 34 {
		t.Errorf("when the roll is out: %v, want 26 good and 34 left", out)
	}
	if err := s.load("clear"); err == nil || !strings.Contains(err.Error(), "white") {
		t.Errorf("another material for the same run: %v, want it refused and white named", err)
	}
	if d := s.device("printer-1"); d.GetLoadedMedia() != "white" {
		t.Errorf("after the refusal %s is loaded", d.GetLoadedMedia())
	}
	if err := s.load("white"); err != nil {
		t.Fatal(err)
	}
	s.machines["printer-1"].Help()
	done := s.stepUntil("all is printed", "decals", "print", isCompleted)
	if len(done.GetRuns()) != 1 || done.GetPiecesGood() != 60 || done.GetRuns()[0].GetId() != out.GetRuns()[0].GetId() {
		t.Errorf("in the end %v, want 60 in the one run", done)
	}
}

// The roll runs out in decal 26, and the person who looks at it counts 25 good ones. The other 35 are a run of their own.
func TestRollRunsOutAndTheLastPieceIsDoubtful(t *testing.T) {
	t.Parallel()
	s := newScene(t, rollShop())
	s.create(onWhite())
	out := s.stepUntil("it stands still", "decals", "print", rollOut)
	if _, err := s.devices.ResolveRun(t.Context(), &tandemv1.ResolveRunRequest{
		Run: out.GetRuns()[0].GetId(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_KEEP, PiecesGood: 25, Note: "the last is torn", RequestId: s.next(), Actor: "marit",
	}); err != nil {
		t.Fatal(err)
	}
	if err := s.load("white"); err != nil {
		t.Fatal(err)
	}
	s.until("the machine has been told to stop", func() bool {
		return !slices.ContainsFunc(s.machines["printer-1"].runs(), func(r *driverv1.RunStatus) bool { return r.GetRun() == out.GetRuns()[0].GetId() })
	})
	s.machines["printer-1"].Help()
	done := s.stepUntil("all is printed", "decals", "print", isCompleted)
	if n := len(done.GetRuns()); n != 2 || done.GetRuns()[0].GetPiecesGood() != 25 || done.GetRuns()[1].GetPieces() != 35 || done.GetPiecesGood() != 60 {
		t.Errorf("in the end %v, want 25 and 35", done)
	}
}
