package floor

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/durationpb"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// memberJob is a job with items as it is handed in: pieces of item "x" on one panel "p1", printed, dried, laminated, cut and
// packed.
func memberJob(id string, pieces int32) *tandemv1.Job {
	return &tandemv1.Job{
		Id: id, Items: []*tandemv1.Item{{Id: "x", Quantity: pieces}},
		Panels: []*tandemv1.Panel{{Id: "p1", Pieces: pieces, Contents: []*tandemv1.Content{{Item: "x", Pieces: pieces}}}},
		Steps: []*tandemv1.Step{
			{Id: "print", Operation: "print", Media: "white", LengthUm: int64(pieces) * 100_000},
			{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(time.Hour)},
			{Id: "laminate", Operation: "laminate", After: []string{"dry"}},
			{Id: "cut", Operation: "cut", After: []string{"laminate"}},
			{Id: "pack", Operation: "pack", After: []string{"cut"}},
		},
	}
}

// gangOf returns a gang run of the jobs' x pieces, in the given stretches, that prints, dries, laminates and cuts them.
func gangOf(id string, stretches ...*tandemv1.Content) GangJobs {
	job := memberJob(id, 0)
	job.Items, job.Steps = nil, job.GetSteps()[:4]
	p := &tandemv1.Panel{Id: "s1", Contents: stretches}
	job.Panels = []*tandemv1.Panel{p}
	var members []string
	for _, c := range stretches {
		p.Pieces += c.GetPieces()
		if !slices.Contains(members, c.GetJob()) {
			members = append(members, c.GetJob())
		}
	}
	g := GangJobs{Job: job}
	for _, s := range job.GetSteps() {
		for _, m := range members {
			g.Carries = append(g.Carries, &ledgerv1.Carry{Step: s.GetId(), Member: m, MemberStep: s.GetId()})
		}
	}
	return g
}

func of(job string, pieces int32) *tandemv1.Content {
	return &tandemv1.Content{Job: job, Item: "x", Pieces: pieces}
}

// gangStory is a floor with members a (5 pieces) and b (7) that share a panel in gang run "g": a a a b b b b b b b a a.
func gangStory(t *testing.T) *story {
	s := newStory(t)
	s.do(CreateJob{Job: memberJob("a", 5)})
	s.do(CreateJob{Job: memberJob("b", 7)})
	s.do(gangOf("g", of("a", 3), of("b", 7), of("a", 2)))
	return s
}

func (s *story) at(job, step string) *Step { return s.floor.byJob[job].byStep[step] }

func (s *story) panel(job string) *Panel { return s.floor.byJob[job].Panels[0] }

// begin grants a step and lets its device begin.
func (s *story) begin(st *Step, device string) *Run {
	s.t.Helper()
	d := s.floor.byDevice[device]
	s.do(Grant{Step: st, Device: d, Expected: d.Estimate(st, s.now)})
	r := st.Live
	s.do(StartRun{Run: r.ID})
	if !d.Manual() {
		s.do(Report{Device: device, Status: report(d.Epoch, runIs(r, stRuns, 0))})
	}
	return r
}

// through brings a gang run's or a job's steps to their ends, one after the other.
func (s *story) through(job string, steps ...string) {
	s.t.Helper()
	devices := map[string]string{"print": "printer-1", "dry": "rack", "laminate": "laminator", "cut": "cutter", "pack": "bench"}
	for _, id := range steps {
		st := s.at(job, id)
		r := s.begin(st, devices[st.Operation()])
		if st.Drying() {
			s.now = s.now.Add(time.Hour)
		}
		s.finish(r)
	}
}

func (s *story) counts(r *Run, state tandemv1.JobState, good, bad int32) []*ledgerv1.Event {
	s.t.Helper()
	rs := runIs(r, state, good)
	rs.PiecesSpoiled = bad
	return s.do(Report{Device: r.Device.ID, Status: report(r.Device.Epoch, rs)})
}

func (s *story) is(job, step string, want tandemv1.JobState, reason string) {
	s.t.Helper()
	got, reasons := s.at(job, step).State(s.now)
	if got != want || (reason != "" && !slices.Contains(reasons, reason)) {
		s.t.Fatalf("%s of %s is %s %v, want %s with %q", step, job, Keyword(got), reasons, Keyword(want), reason)
	}
}

func (s *story) pieces(job string, good, spoiled int32) {
	s.t.Helper()
	if p := s.panel(job); p.Good != good || p.Spoiled != spoiled {
		s.t.Fatalf("%s has %d good and %d spoiled pieces, want %d and %d", job, p.Good, p.Spoiled, good, spoiled)
	}
}

const (
	stHeld    = tandemv1.JobState_JOB_STATE_PENDING_HELD
	stAborted = tandemv1.JobState_JOB_STATE_ABORTED
)

func TestGangCompletionFansOut(t *testing.T) {
	s := gangStory(t)
	s.is("a", "print", stHeld, ReasonInGangRun)
	s.refused("mira", "IN_GANG_RUN", Grant{Step: s.at("a", "print"), Device: s.floor.byDevice["printer-1"]})
	s.refused("mira", "IN_GANG_RUN", StartHere{Step: s.at("a", "print"), Device: s.floor.byDevice["printer-1"]})
	r := s.begin(s.at("g", "print"), "printer-1")
	if r.Pieces != 12 {
		t.Fatalf("the gang run prints %d pieces, want 12", r.Pieces)
	}
	s.is("a", "print", stRuns, ReasonInGangRun)
	s.is("b", "print", stRuns, ReasonPrinting)
	s.counts(r, stStopped, 5, 0) // a a a b b
	s.is("b", "print", stStopped, ReasonInGangRun)
	if a, b := s.at("a", "print"), s.at("b", "print"); a.Good != 3 || b.Good != 2 || a.Left() != 2 || b.Left() != 5 {
		t.Fatalf("at piece 5: a has %d done and %d left, b %d and %d", a.Good, a.Left(), b.Good, b.Left())
	}
	s.finish(r)
	s.is("a", "print", stCompleted, "")
	if a, b := s.at("a", "print"), s.at("b", "print"); a.Good != 5 || b.Good != 7 || !a.End.Equal(s.now) || a.Start.IsZero() {
		t.Fatalf("printed: a %d, b %d, from %v to %v", a.Good, b.Good, a.Start, a.End)
	}
	if place := s.panel("b").Place; place != "printer-1" {
		t.Errorf("b's panel lies at %q", place)
	}
	s.refused("mira", "IN_GANG_RUN", OverrideWait{Job: "a", Step: "dry", Note: "dry to the touch"})
	s.through("g", "dry", "laminate", "cut")
	if state, _ := s.floor.byJob["g"].State(s.now); state != stCompleted {
		t.Fatalf("the gang run is %s", Keyword(state))
	}
	for _, id := range []string{"a", "b"} {
		s.is(id, "cut", stCompleted, "")
		s.through(id, "pack")
		if state, why := s.floor.byJob[id].State(s.now); state != stCompleted || why[0] != ReasonCompletedOK {
			t.Errorf("%s is %s %v", id, Keyword(state), why)
		}
	}
	if v := s.floor.byJob["a"].View(s.now); v.GetSteps()[0].GetCarriedBy() != "g/print" || v.GetSteps()[4].GetCarriedBy() != "" {
		t.Errorf("print of a is carried by %q, pack by %q", v.GetSteps()[0].GetCarriedBy(), v.GetSteps()[4].GetCarriedBy())
	}
	if m := s.floor.byJob["g"].View(s.now).GetMembers(); !slices.Equal(m, []string{"a", "b"}) {
		t.Errorf("members %v", m)
	}
}

// An override of the gang run's drying time holds for its members; one late start of the day holds for all.
func TestGangDriesOnceForAll(t *testing.T) {
	s := gangStory(t)
	s.through("g", "print")
	s.begin(s.at("g", "dry"), "rack")
	s.is("a", "dry", stRuns, ReasonDrying)
	s.refused("mira", "STEP_NOT_READY", Grant{Step: s.at("g", "laminate"), Device: s.floor.byDevice["laminator"]})
	s.do(OverrideWait{Job: "g", Step: "dry", Note: "touch dry"})
	s.is("a", "dry", stCompleted, "")
	s.is("b", "dry", stCompleted, "")
	s.through("g", "laminate")
}

// A device counts: after 4 good pieces one is spoiled, and after 8 another two. They belong to those whose pieces lie there.
func TestGangSpoiledByPosition(t *testing.T) {
	s := gangStory(t)
	r := s.begin(s.at("g", "print"), "printer-1")
	if e := s.counts(r, stRuns, 4, 0); len(e) != 0 {
		t.Fatalf("progress alone is in the ledger: %v", e)
	}
	s.counts(r, stRuns, 4, 1) // a a a b B
	s.pieces("a", 5, 0)
	s.pieces("b", 6, 1)
	s.counts(r, stRuns, 8, 2) // ... b b b b B
	s.pieces("b", 5, 2)
	s.counts(r, stRuns, 8, 3) // ... A
	s.pieces("a", 4, 1)
	s.pieces("g", 9, 3)
	s.counts(r, stCompleted, 9, 3)
	if a, b := s.at("a", "print"), s.at("b", "print"); a.Good != 4 || a.Spoiled != 1 || b.Good != 5 || b.Spoiled != 2 {
		t.Fatalf("a has %d good and %d spoiled, b %d and %d", a.Good, a.Spoiled, b.Good, b.Spoiled)
	}
	v := s.floor.byJob["g"].View(s.now).GetPanels()[0].GetContents()
	if v[0].GetPiecesSpoiled() != 0 || v[1].GetPiecesSpoiled() != 2 || v[2].GetPiecesSpoiled() != 1 {
		t.Errorf("contents %v", v)
	}
	if v := s.floor.byJob["a"].View(s.now).GetPanels()[0].GetContents(); v[0].GetPiecesSpoiled() != 1 {
		t.Errorf("contents of a %v", v)
	}
	s.through("g", "dry")
	if r := s.begin(s.at("g", "laminate"), "laminator"); r.Pieces != 9 {
		t.Errorf("%d pieces are laminated, want 9", r.Pieces)
	}
}

// A corrected count, and a run that a person says to keep in part, go back in the order of the layout.
func TestGangCountsGoBack(t *testing.T) {
	s := gangStory(t)
	r := s.begin(s.at("g", "print"), "printer-1")
	s.counts(r, stStopped, 11, 0)
	s.counts(r, stStopped, 11, 1) // the last one after all
	s.pieces("a", 4, 1)
	s.do(ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_KEEP, Good: 6, Note: "head strike"})
	if a, b, g := s.at("a", "print"), s.at("b", "print"), s.at("g", "print"); a.Good != 3 || b.Good != 3 || g.Left() != 5 {
		t.Fatalf("6 kept: a has %d, b %d, %d are left", a.Good, b.Good, g.Left())
	}
	s.is("a", "print", stHeld, ReasonInGangRun)
	second := s.begin(s.at("g", "print"), "printer-1")
	s.counts(second, stStopped, 4, 1)
	s.pieces("b", 7, 0)
	s.pieces("a", 3, 2) // b b b b, then A
	s.counts(second, stCompleted, 4, 1)
	s.is("a", "print", stCompleted, "")
	if a, b := s.at("a", "print"), s.at("b", "print"); a.Good != 3 || b.Good != 7 {
		t.Fatalf("a has %d, b %d", a.Good, b.Good)
	}
}

func TestGangSpoiledByAPerson(t *testing.T) {
	s := gangStory(t)
	s.through("g", "print")
	s.refused("mira", "SHARED_PANEL", SpoilPieces{Job: "g", Panel: "s1", Pieces: 1})
	r := s.begin(s.at("g", "dry"), "rack")
	s.do(SpoilPieces{Job: "b", Panel: "p1", Step: "dry", Pieces: 2, Note: "scratched"})
	s.pieces("b", 5, 2)
	s.pieces("a", 5, 0)
	s.pieces("g", 10, 2)
	s.now = s.now.Add(time.Hour)
	s.finish(r)
	s.through("g", "laminate")
	cut := s.begin(s.at("g", "cut"), "cutter")
	if cut.Pieces != 10 {
		t.Fatalf("%d pieces are cut, want 10", cut.Pieces)
	}
	s.counts(cut, stStopped, 6, 0) // a a a b b b
	s.do(SpoilPieces{Job: "b", Panel: "p1", Step: "cut", Pieces: 1})
	if b := s.at("b", "cut"); b.Good != 2 || s.at("g", "cut").Good != 5 {
		t.Fatalf("one of the cut ones is spoiled: b has %d done, all %d", b.Good, s.at("g", "cut").Good)
	}
	s.do(SpoilPieces{Job: "a", Panel: "p1", Pieces: 1}) // nobody knows when: one that is not cut yet
	if a := s.at("a", "cut"); a.Good != 3 || a.Left() != 1 {
		t.Fatalf("a has %d done and %d left", a.Good, a.Left())
	}
	s.counts(cut, stCompleted, 10, 0)
	if a, b := s.at("a", "cut"), s.at("b", "cut"); a.Good != 4 || b.Good != 4 {
		t.Fatalf("cut: a %d, b %d", a.Good, b.Good)
	}
	s.through("b", "pack")
	s.do(SpoilPieces{Job: "a", Panel: "p1", Pieces: 1}) // no longer on the shared panel
	s.pieces("g", 8, 4)
}

// A person books what is spoiled on a hand-fed gang run by the job it belongs to, not by a mere number at its end.
func TestGangFinishedByHand(t *testing.T) {
	s := newStory(t)
	for id, n := range map[string]int32{"a": 5, "b": 7} {
		j := memberJob(id, n)
		j.Steps = []*tandemv1.Step{{Id: "mount", Operation: "pack"}}
		s.do(CreateJob{Job: j})
	}
	g := gangOf("g", of("a", 5), of("b", 7))
	g.Job.Steps = []*tandemv1.Step{{Id: "mount", Operation: "pack"}}
	g.Carries = []*ledgerv1.Carry{{Step: "mount", Member: "a", MemberStep: "mount"}, {Step: "mount", Member: "b", MemberStep: "mount"}}
	s.do(g)
	r := s.begin(s.at("g", "mount"), "bench")
	s.refused("mira", "SHARED_PANEL", FinishRun{Run: r.ID, Spoiled: 1})
	s.do(SpoilPieces{Job: "b", Panel: "p1", Step: "mount", Pieces: 1})
	s.do(FinishRun{Run: r.ID})
	s.pieces("b", 6, 1)
	if b := s.at("b", "mount"); b.Good != 6 || b.Ended != stCompleted {
		t.Fatalf("b has mounted %d, ended %s", b.Good, Keyword(b.Ended))
	}
}

// Pieces spoiled at printing are made again by their job alone, while the gang run goes on.
func TestGangRemakeDuring(t *testing.T) {
	s := gangStory(t)
	s.refused("mira", "STEP_NOT_BEGUN", RemakePieces{Job: "a", Step: "print", Pieces: 1})
	s.through("g", "print")
	s.refused("mira", "SHARED_PANEL", RemakePieces{Job: "g", Step: "print", Pieces: 1})
	s.do(RemakePieces{Job: "a", Step: "print", Pieces: 2, Note: "banding"})
	s.pieces("g", 10, 2)
	if again := s.at("a", "print-r1"); again == nil || again.Carrier != nil || again.Spec.GetLengthUm() != 200_000 {
		t.Fatalf("the remake is %v", again)
	}
	for _, id := range []string{"dry-r1", "laminate-r1", "cut-r1"} {
		if s.at("a", id) == nil {
			t.Fatalf("%s is missing: the gang run cuts its own panel only", id)
		}
	}
	if pack := s.at("a", "pack"); pack.Waiting != 2 {
		t.Fatalf("packing waits for %d steps, want the gang run's cut and the remake's", pack.Waiting)
	}
	s.through("g", "dry", "laminate", "cut")
	s.through("a", "print-r1", "dry-r1", "laminate-r1", "cut-r1", "pack")
	if pack := s.at("a", "pack"); pack.Good != 5 {
		t.Fatalf("%d packed, want 5", pack.Good)
	}
	s.through("b", "pack")
}

func TestGangRemakeAfter(t *testing.T) {
	s := gangStory(t)
	s.through("g", "print", "dry", "laminate", "cut")
	s.do(RemakePieces{Job: "b", Step: "cut", Pieces: 3, Note: "blade dull"})
	s.pieces("g", 12, 0) // they are off its panel
	s.through("b", "print-r1", "dry-r1", "laminate-r1", "cut-r1", "pack")
	if pack := s.at("b", "pack"); pack.Good != 7 {
		t.Fatalf("%d packed, want 7", pack.Good)
	}
}

// All pieces of a member are spoiled: the others go on, and it waits for a person.
func TestGangWithoutPiecesOfAMember(t *testing.T) {
	s := gangStory(t)
	s.through("g", "print")
	s.do(SpoilPieces{Job: "a", Panel: "p1", Step: "print", Pieces: 5, Note: "blocked nozzle"})
	s.through("g", "dry", "laminate", "cut")
	s.is("b", "cut", stCompleted, "")
	s.is("a", "print", stCompleted, "") // it was done before
	s.is("a", "dry", stStopped, ReasonNoPieces)
	s.is("a", "laminate", stHeld, ReasonWaitingPredecessor)
	s.refused("mira", "NO_PIECES", OverrideWait{Job: "a", Step: "dry", Note: "go on"})
	s.do(RemakePieces{Job: "a", Step: "print", Pieces: 5, AlreadySpoiled: true})
	s.is("a", "cut", stCompleted, "") // its remake does it
	s.through("a", "print-r1", "dry-r1", "laminate-r1", "cut-r1")
	s.do(RemakePieces{Job: "a", Step: "cut-r1", Pieces: 1})
	s.through("b", "pack")
}

// Nothing is left on a shared panel: the gang run ends by itself, since only its members can make anything again.
func TestGangWithoutPieces(t *testing.T) {
	s := gangStory(t)
	s.through("g", "print")
	for _, id := range []string{"a", "b"} {
		s.do(SpoilPieces{Job: id, Panel: "p1", Step: "print", Pieces: s.panel(id).Good})
	}
	if g := s.floor.byJob["g"]; g.open != 0 {
		t.Fatalf("the gang run has %d open steps and no piece", g.open)
	}
	s.is("a", "dry", stStopped, ReasonNoPieces)
	s.do(CancelJob{Job: "a"})
	s.do(RemakePieces{Job: "b", Step: "print", Pieces: 7, AlreadySpoiled: true})
	s.through("b", "print-r1", "dry-r1", "laminate-r1", "cut-r1", "pack")
}

func TestGangMemberCanceled(t *testing.T) {
	s := gangStory(t)
	s.through("g", "print")
	s.do(CancelJob{Job: "a", Note: "customer withdrew"})
	if state, _ := s.floor.byJob["a"].State(s.now); state != stCanceled {
		t.Fatalf("a is %s", Keyword(state))
	}
	s.pieces("g", 7, 5)
	s.through("g", "dry", "laminate", "cut")
	s.is("b", "cut", stCompleted, "")
	s.is("a", "cut", stCanceled, "")
	s.through("b", "pack")
}

func TestGangOfWhichAllMembersAreCanceled(t *testing.T) {
	s := gangStory(t)
	r := s.begin(s.at("g", "print"), "printer-1")
	s.do(CancelJob{Job: "a"})
	s.is("b", "print", stRuns, "")
	events := s.do(CancelJob{Job: "b"})
	if !slices.ContainsFunc(events, func(e *ledgerv1.Event) bool { return e.GetRunStopping().GetRun() == r.ID }) {
		t.Fatalf("the gang run's device is not asked to stop: %v", events)
	}
	s.counts(r, stCanceled, 4, 0)
	if state, _ := s.floor.byJob["g"].State(s.now); state != stCanceled {
		t.Fatalf("the gang run is %s", Keyword(state))
	}
}

func TestGangDissolved(t *testing.T) {
	s := gangStory(t)
	events := s.do(CancelJob{Job: "g", Note: "b is urgent"})
	if events[0].GetGangDissolved().GetJob() != "g" {
		t.Fatalf("events %v", events)
	}
	s.is("a", "print", stPending, "")
	if v := s.floor.byJob["a"].View(s.now).GetSteps()[0]; v.GetCarriedBy() != "" {
		t.Errorf("still carried by %q", v.GetCarriedBy())
	}
	s.do(gangOf("again", of("b", 7), of("a", 5)))
	s.through("again", "print", "dry", "laminate", "cut")
	s.through("a", "pack")
}

// The gang run is with a device when it is canceled: until the device has answered nobody knows whether it began.
func TestGangDissolvedOnceItsDeviceHasAnswered(t *testing.T) {
	for _, begins := range []bool{false, true} {
		s := gangStory(t)
		d := s.floor.byDevice["printer-1"]
		s.do(Grant{Step: s.at("g", "print"), Device: d})
		r := s.at("g", "print").Live
		s.do(CancelJob{Job: "g"})
		s.refused("mira", "IN_GANG_RUN", Grant{Step: s.at("a", "print"), Device: s.floor.byDevice["printer-2"]})
		if !begins {
			s.counts(r, stCanceled, 0, 0)
			s.is("a", "print", stPending, "")
			s.pieces("a", 5, 0)
			continue
		}
		s.counts(r, stRuns, 0, 0)
		s.counts(r, stCanceled, 3, 0)
		s.is("a", "print", stStopped, ReasonNoPieces)
		s.pieces("a", 0, 5) // three were printed, and nothing more is made of them
		s.pieces("b", 0, 7)
	}
}

func TestGangThatHasBegunIsNotDissolved(t *testing.T) {
	s := gangStory(t)
	s.through("g", "print")
	s.refused("mira", "GANG_BEGUN", CancelJob{Job: "g"})
	_, err := s.floor.Decide(s.now, Meta{Actor: "mira"}, CancelJob{Job: "g"})
	if !strings.Contains(err.Error(), "a, b") || !strings.Contains(err.Error(), "make the pieces of each of them again") {
		t.Errorf("the refusal names no remedy: %v", err)
	}
	s.through("g", "dry")
	r := s.begin(s.at("g", "laminate"), "laminator")
	s.counts(r, stStopped, 0, 0)
	if _, err = s.floor.Decide(s.now, Meta{Actor: "mira"}, CancelJob{Job: "g"}); err == nil || !strings.Contains(err.Error(), "resolve "+r.ID+" with abandon") {
		t.Errorf("the refusal does not name the run that stands still: %v", err)
	}
}

// The panel is torn before somebody starts the laminator, which no run can be resolved for. Its jobs have their pieces made again, and the
// gang run, with nothing left on it, is canceled: nobody has to start a machine for nothing to be rid of it.
func TestGangWithNothingLeftIsCanceled(t *testing.T) {
	s := gangStory(t)
	s.through("g", "print", "dry")
	s.do(Grant{Step: s.at("g", "laminate"), Device: s.floor.byDevice["laminator"]})
	r := s.at("g", "laminate").Live
	s.refused("mira", "NOTHING_TO_RESOLVE", ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_ABANDON})
	s.do(RemakePieces{Job: "a", Step: "print", Pieces: 5})
	s.refused("mira", "GANG_BEGUN", CancelJob{Job: "g"})
	s.do(RemakePieces{Job: "b", Step: "print", Pieces: 7})
	s.do(CancelJob{Job: "g"})
	s.counts(r, stCanceled, 0, 0)
	if state, _ := s.floor.byJob["g"].State(s.now); state != stCanceled {
		t.Fatalf("the gang run is %s", Keyword(state))
	}
	for _, id := range []string{"a", "b"} {
		s.through(id, "print-r1", "dry-r1", "laminate-r1", "cut-r1", "pack")
		if state, _ := s.floor.byJob[id].State(s.now); state != stCompleted {
			t.Errorf("%s is %s", id, Keyword(state))
		}
	}
}

// Pieces that a gang run has lost are booked as spoiled. Whoever asks for them again without saying so is told how.
func TestRemakeTellsOfThoseAlreadySpoiled(t *testing.T) {
	s := gangStory(t)
	r := s.begin(s.at("g", "print"), "printer-1")
	s.counts(r, stStopped, 0, 0)
	s.do(ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_ABANDON})
	_, err := s.floor.Decide(s.now, Meta{Actor: "mira"}, RemakePieces{Job: "a", Step: "print", Pieces: 5})
	if err == nil || !strings.Contains(err.Error(), "--already-spoiled") {
		t.Errorf("the refusal names no remedy: %v", err)
	}
	_, err = s.floor.Decide(s.now, Meta{Actor: "mira"}, RemakePieces{Job: "a", Step: "print", Pieces: 6})
	if err == nil || strings.Contains(err.Error(), "--already-spoiled") {
		t.Errorf("more than are spoiled: %v", err)
	}
	s.do(RemakePieces{Job: "a", Step: "print", Pieces: 5, AlreadySpoiled: true})
}

// The panel jams in the cutter and is given up: a's first three pieces and four of b's are cut. Nothing is lost and nothing
// silently completed.
func TestGangAbandoned(t *testing.T) {
	s := gangStory(t)
	s.through("g", "print", "dry", "laminate")
	r := s.begin(s.at("g", "cut"), "cutter")
	s.counts(r, stStopped, 7, 0)
	s.do(ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_ABANDON, Note: "jam"})
	if state, _ := s.floor.byJob["g"].State(s.now); state != stAborted {
		t.Fatalf("the gang run is %s", Keyword(state))
	}
	s.pieces("a", 3, 2)
	s.pieces("b", 4, 3)
	for _, id := range []string{"a", "b"} {
		s.is(id, "cut", stStopped, ReasonNoPieces)
		s.is(id, "pack", stHeld, ReasonWaitingPredecessor)
	}
	if cut := s.at("a", "cut"); cut.Spoiled != 2 || cut.Good != 3 {
		t.Fatalf("a's cut: %d good, %d spoiled", cut.Good, cut.Spoiled)
	}
	s.do(RemakePieces{Job: "a", Step: "cut", Pieces: 2, AlreadySpoiled: true})
	s.is("a", "cut", stCompleted, "")
	s.through("a", "print-r1", "dry-r1", "laminate-r1", "cut-r1", "pack")
	if pack := s.at("a", "pack"); pack.Good != 5 {
		t.Fatalf("%d of a packed", pack.Good)
	}
	s.do(OverrideWait{Job: "b", Step: "cut", Note: "four are enough, the customer says"})
	s.through("b", "pack")
	if pack := s.at("b", "pack"); pack.Good != 4 {
		t.Fatalf("%d of b packed", pack.Good)
	}
}

// Given up at the cutter when all of b's pieces are cut, and early, at the printer.
func TestGangAbandonedWhenAMemberIsDone(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: memberJob("a", 5)})
	s.do(CreateJob{Job: memberJob("b", 7)})
	s.do(gangOf("g", of("b", 7), of("a", 5)))
	s.through("g", "print", "dry", "laminate")
	r := s.begin(s.at("g", "cut"), "cutter")
	s.counts(r, stStopped, 8, 0)
	s.do(ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_ABANDON})
	s.is("b", "cut", stCompleted, "")
	s.through("b", "pack")
	s.is("a", "cut", stStopped, ReasonNoPieces)
	s.pieces("a", 1, 4)
}

func TestGangAbandonedAtThePrinter(t *testing.T) {
	s := gangStory(t)
	r := s.begin(s.at("g", "print"), "printer-1")
	s.counts(r, stStopped, 6, 0)
	s.do(ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_ABANDON})
	s.pieces("a", 0, 5)
	s.is("a", "print", stStopped, ReasonNoPieces)
	if s.at("a", "laminate").Carrier != nil {
		t.Fatal("a's later steps are not its own again")
	}
	s.do(RemakePieces{Job: "a", Step: "print", Pieces: 5, AlreadySpoiled: true})
	s.is("a", "print", stCompleted, "")
	s.through("a", "print-r1", "dry", "laminate", "cut", "pack")
	if pack := s.at("a", "pack"); pack.Good != 5 {
		t.Fatalf("%d packed", pack.Good)
	}
}

func TestGangHold(t *testing.T) {
	s := gangStory(t)
	s.do(HoldJob{Job: "b", Note: "new artwork"})
	s.is("g", "print", stHeld, ReasonHoldUntilSpecified)
	s.refused("mira", "STEP_NOT_READY", Grant{Step: s.at("g", "print"), Device: s.floor.byDevice["printer-1"]})
	if why := s.at("g", "print").Explain(s.now, nil).GetSummary(); !strings.Contains(why, "b, which shares") || !strings.Contains(why, "new artwork") {
		t.Errorf("why: %s", why)
	}
	s.do(ReleaseJob{Job: "b"})
	d := s.floor.byDevice["printer-1"]
	s.do(Grant{Step: s.at("g", "print"), Device: d}) // it starts alone
	r := s.at("g", "print").Live
	if events := s.do(HoldJob{Job: "a"}); !r.Stopping || len(events) != 2 {
		t.Fatalf("a start that has not been used is not taken back: %v", events)
	}
	s.counts(r, stCanceled, 0, 0)
	s.do(HoldJob{Job: "g"})
	s.do(ReleaseJob{Job: "a"})
	s.is("g", "print", stHeld, ReasonHoldUntilSpecified)
	s.do(ReleaseJob{Job: "g"})
	s.do(HoldJob{Job: "a"})
	s.do(CancelJob{Job: "a"}) // held, and gone: b goes on
	s.through("g", "print")
}

func TestGangWaitsForItsMembersAndHurriesForThem(t *testing.T) {
	s := newStory(t)
	a, b := memberJob("a", 5), memberJob("b", 7)
	a.Priority, b.Priority = 20, 80
	a.DueTime, b.DueTime = stamp(s.now.Add(5*time.Hour)), stamp(s.now.Add(9*time.Hour))
	b.ReleaseTime = stamp(s.now.Add(time.Hour))
	s.do(CreateJob{Job: a})
	s.do(CreateJob{Job: b})
	s.do(gangOf("g", of("a", 5), of("b", 7)))
	g := s.floor.byJob["g"]
	if g.Priority() != 80 || !g.Due().Equal(s.now.Add(5*time.Hour)) || !g.Release().Equal(s.now.Add(time.Hour)) {
		t.Fatalf("priority %d, due %v, release %v", g.Priority(), g.Due(), g.Release())
	}
	s.refused("mira", "STEP_NOT_READY", Grant{Step: s.at("g", "print"), Device: s.floor.byDevice["printer-1"]})
	s.do(CancelJob{Job: "b"})
	if g.Priority() != 20 || !g.Release().IsZero() {
		t.Errorf("after b is canceled: priority %d, release %v", g.Priority(), g.Release())
	}
}

// What follows the shared steps waits until the whole shared panel is done, even if the member has no part in its last step.
func TestPiecesLeaveTheSharedPanelTogether(t *testing.T) {
	s := newStory(t)
	a := memberJob("a", 5)
	a.Steps = append(a.GetSteps()[:3], &tandemv1.Step{Id: "pack", Operation: "pack", After: []string{"laminate"}})
	s.do(CreateJob{Job: a})
	s.do(CreateJob{Job: memberJob("b", 7)})
	g := gangOf("g", of("a", 5), of("b", 7))
	g.Carries = slices.DeleteFunc(g.Carries, func(c *ledgerv1.Carry) bool { return c.GetMember() == "a" && c.GetStep() == "cut" })
	s.do(g)
	s.through("g", "print", "dry", "laminate")
	s.is("a", "laminate", stCompleted, "")
	s.is("a", "pack", stHeld, ReasonInGangRun)
	s.refused("mira", "IN_GANG_RUN", StartHere{Step: s.at("a", "pack"), Device: s.floor.byDevice["bench"]})
	s.through("g", "cut")
	s.is("a", "pack", stPending, "")
	s.through("a", "pack")
}

// A member's step that comes neither before nor after the shared ones goes on beside them. What it spoils leaves the shared panel too.
func TestGangSpoiledBesideIt(t *testing.T) {
	s := newStory(t)
	a := memberJob("a", 5)
	a.Steps = append(a.GetSteps(), &tandemv1.Step{Id: "trim", Operation: "cut"})
	s.do(CreateJob{Job: a})
	s.do(CreateJob{Job: memberJob("b", 7)})
	s.do(gangOf("g", of("a", 5), of("b", 7)))
	trim := s.begin(s.at("a", "trim"), "cutter")
	s.through("g", "print")
	s.counts(trim, stCompleted, 3, 2)
	s.pieces("a", 3, 2)
	s.pieces("g", 10, 2)
	s.through("g", "dry", "laminate", "cut")
	if a, b := s.at("a", "cut"), s.at("b", "cut"); a.Good != 3 || b.Good != 7 {
		t.Fatalf("cut: a %d, b %d", a.Good, b.Good)
	}
	s.through("a", "pack")
}

func TestGangRefused(t *testing.T) {
	type floorAndGang struct {
		s *story
		g GangJobs
	}
	tests := []struct {
		name, reason, says string
		spoil              func(*floorAndGang)
	}{
		{"one member", "INVALID_FIELD", "at least two", func(x *floorAndGang) { x.g = gangOf("g", of("a", 5)) }},
		{"id taken", "JOB_EXISTS", "choose another id", func(x *floorAndGang) { x.g.Job.Id = "a" }},
		{"no such job", "JOB_NOT_FOUND", "", func(x *floorAndGang) { x.g.Carries[0].Member = "z" }},
		{"no such step", "STEP_NOT_FOUND", "", func(x *floorAndGang) { x.g.Carries[0].MemberStep = "z" }},
		{"no such step of its own", "INVALID_FIELD", "no step", func(x *floorAndGang) { x.g.Carries[0].Step = "z" }},
		{"begun", "CANNOT_GANG", "has begun", func(x *floorAndGang) { x.s.begin(x.s.at("a", "print"), "printer-1") }},
		{"granted", "CANNOT_GANG", "has begun", func(x *floorAndGang) {
			x.s.do(Grant{Step: x.s.at("a", "print"), Device: x.s.floor.byDevice["printer-2"]})
		}},
		{"canceled", "CANNOT_GANG", "has ended", func(x *floorAndGang) { x.s.do(CancelJob{Job: "b"}) }},
		{"shared already", "CANNOT_GANG", "in gang run first already", func(x *floorAndGang) { x.s.do(gangOf("first", of("a", 5), of("b", 7))) }},
		{"spoiled", "CANNOT_GANG", "spoiled", func(x *floorAndGang) { x.s.do(SpoilPieces{Job: "a", Panel: "p1", Pieces: 1}) }},
		{"handed in as steps", "CANNOT_GANG", "as items", func(x *floorAndGang) {
			j := memberJob("c", 2)
			j.Panels[0].Contents = nil
			x.s.do(CreateJob{Job: j})
			x.g = gangOf("g", of("a", 5), of("c", 2))
		}},
		{"of a gang run", "CANNOT_GANG", "gang run itself", func(x *floorAndGang) {
			x.s.do(CreateJob{Job: memberJob("c", 2)})
			x.s.do(gangOf("first", of("a", 5), of("b", 7)))
			x.g = gangOf("g", of("first", 12), of("c", 2))
		}},
		{"too many pieces", "INVALID_GANG", "more pieces of item x of a", func(x *floorAndGang) { x.g = gangOf("g", of("a", 6), of("b", 7)) }},
		{"too few pieces", "INVALID_GANG", "fewer pieces of item x of b", func(x *floorAndGang) { x.g = gangOf("g", of("a", 5), of("b", 6)) }},
		{"another item", "INVALID_GANG", "item y of a", func(x *floorAndGang) { x.g.Job.Panels[0].Contents[0].Item = "y" }},
		{"a stranger's pieces", "INVALID_GANG", "not one of the jobs", func(x *floorAndGang) { x.g.Job.Panels[0].Contents[0].Job = "z" }},
		{"no contents", "INVALID_GANG", "whose pieces", func(x *floorAndGang) { x.g.Job.Panels[0].Contents = nil }},
		{"another operation", "INVALID_GANG", "operation", func(x *floorAndGang) { x.g.Carries[0].Step = "cut" }},
		{"another film", "INVALID_GANG", "film", func(x *floorAndGang) { x.g.Job.Steps[2].Film = "gloss" }},
		{"dries too short", "INVALID_GANG", "drying time of 1h0m0s", func(x *floorAndGang) { x.g.Job.Steps[1].Duration = durationpb.New(time.Minute) }},
		{"twice", "INVALID_FIELD", "already", func(x *floorAndGang) { x.g.Carries[2] = x.g.Carries[0] }},
		{"a gap", "INVALID_GANG", "stays with that job", func(x *floorAndGang) {
			x.g.Carries = slices.DeleteFunc(x.g.Carries, func(c *ledgerv1.Carry) bool { return c.GetMember() == "a" && c.GetStep() == "dry" })
		}},
		{"another order", "INVALID_GANG", "does not come after", func(x *floorAndGang) { x.g.Job.Steps[3].After = nil }},
		{"a step for nobody", "INVALID_GANG", "does no member's work", func(x *floorAndGang) {
			x.g.Job.Steps = append(x.g.Job.Steps, &tandemv1.Step{Id: "weed", Operation: "pack", After: []string{"cut"}})
		}},
		{"out of reach", "INVALID_GANG", "does not work on panel s2", func(x *floorAndGang) {
			x.g.Job.Panels = []*tandemv1.Panel{
				{Id: "s1", Pieces: 5, Contents: []*tandemv1.Content{of("a", 5)}}, {Id: "s2", Pieces: 7, Contents: []*tandemv1.Content{of("b", 7)}},
			}
			x.g.Job.Steps[3].Panels = []string{"s1"}
		}},
	}
	for _, tt := range tests {
		t.Run(tt.name, func(t *testing.T) {
			s := newStory(t)
			s.do(CreateJob{Job: memberJob("a", 5)})
			s.do(CreateJob{Job: memberJob("b", 7)})
			x := &floorAndGang{s, gangOf("g", of("a", 5), of("b", 7))}
			tt.spoil(x)
			s.refused("mira", tt.reason, x.g)
			if _, err := s.floor.Decide(s.now, Meta{}, x.g); !strings.Contains(err.Error(), tt.says) {
				t.Errorf("it says: %v", err)
			}
		})
	}
}
