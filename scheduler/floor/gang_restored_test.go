package floor

import (
	"strings"
	"testing"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// A gang run may have been given up after the backup was made, and its members' work done by each of them. When it is given up anew, the
// members' steps wait for a person's word; the gang run's step asks for one first, and tells what to look for.
func TestRestoredGangGivenUp(t *testing.T) {
	s := gangStory(t)
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	s.do(Greet{Device: "printer-1", Status: report(1)})
	s.refused("mira", "NOTHING_TO_REVIEW", ReviewStep{Job: "a", Step: "print", Outcome: ReviewNotDone})
	if say := s.at("g", "print").Explain(s.now, nil).GetSummary(); !strings.Contains(say, "print may have been done already, together or for one of a, b alone:") {
		t.Errorf("the gang run's step says %q", say)
	}
	s.do(ReviewStep{Job: "g", Step: "print", Outcome: ReviewNotDone})
	if s.at("a", "print").waitsForReview() || !s.at("g", "print").Grantable() {
		t.Errorf("once it is looked at, the gang run's step cannot be granted, or its members' wait beside it")
	}
	s.do(CancelJob{Job: "g"})
	s.refused("mira", "UNRECORDED_WORK", Grant{Step: s.at("a", "print"), Device: s.floor.byDevice["printer-1"]})
	s.do(ReviewStep{Job: "a", Step: "print", Outcome: ReviewDone, Device: "printer-2"})
	s.is("a", "print", stCompleted, "")
	s.do(ReviewStep{Job: "b", Step: "print", Outcome: ReviewNotDone})
	s.through("b", "print")
}

// A gang run that waited on its device when the backup was made may have been begun since. Its device no longer knows of it, and a person
// gives it up: then its pieces are lost with it, as if its start were on record, and nobody makes them a second time by themselves.
func TestRestoredGangAbandoned(t *testing.T) {
	s := gangStory(t)
	s.do(Grant{Step: s.at("g", "print"), Device: s.floor.byDevice["printer-2"]})
	r := s.at("g", "print").Live
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	s.do(Greet{Device: "printer-2", Status: report(s.floor.byDevice["printer-2"].Epoch)})
	s.refused("mira", "GANG_BEGUN", CancelJob{Job: "g"})
	s.do(ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_ABANDON})
	for id, pieces := range map[string]int32{"a": 5, "b": 7} {
		s.pieces(id, 0, pieces)
		s.is(id, "print", stStopped, ReasonNoPieces)
	}
	s.do(RemakePieces{Job: "a", Step: "print", Pieces: 5, AlreadySpoiled: true})
	s.do(Greet{Device: "printer-1", Status: report(1)})
	s.through("a", "print-r1")
}

// A device is at the work of a gang run that no record grants, or of one of its members alone. Nobody says meanwhile that it was not done, and
// the gang run is not taken apart while a device is at it: its members' work would be given to others.
func TestRestoredGangWorkedOn(t *testing.T) {
	for _, of := range []string{"g", "a"} {
		s := gangStory(t)
		s.do(RestoreLedger{Made: s.now, Restored: s.now, NothingDone: true})
		s.do(Greet{Device: "printer-2", Status: report(1)})
		prints := &driverv1.RunStatus{Run: "run-7", Fence: 7, State: stRuns, Job: of, Step: "print"}
		s.do(Greet{Device: "printer-1", Status: report(1, prints)})
		s.refused("mira", "STILL_AT_WORK", ReviewStep{Job: "g", Step: "print", Outcome: ReviewNotDone})
		s.refused("mira", "STILL_AT_WORK", ReviewStep{Job: "g", Outcome: ReviewNotDone})
		if of == "g" {
			s.refused("mira", "STILL_AT_WORK", CancelJob{Job: "g"})
		}
		prints.State, prints.PiecesGood = stCompleted, s.at(of, "print").Left()
		s.do(Report{Device: "printer-1", Status: report(1, prints)})
		s.do(CancelJob{Job: "g"})
		for _, id := range []string{"a", "b"} {
			s.refused("mira", "UNRECORDED_WORK", Grant{Step: s.at(id, "print"), Device: s.floor.byDevice["printer-2"]})
		}
		s.do(ReviewStep{Job: "a", Step: "print", Outcome: ReviewDone, Device: "printer-1"})
		s.do(ReviewStep{Job: "b", Step: "print", Outcome: ReviewNotDone})
		s.through("b", "print")
	}
}

// Whoever takes up the list of unrecorded work finds a member's step that waits for no word of its own, and is told where to say it.
func TestRestoredGangTellsWhereToSayIt(t *testing.T) {
	s := gangStory(t)
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	s.do(Greet{Device: "printer-1", Status: report(1, &driverv1.RunStatus{Run: "run-7", Fence: 7, State: stCompleted, PiecesGood: 5, Job: "a", Step: "print"})})
	says := func(c Command, words ...string) {
		t.Helper()
		_, err := s.floor.Decide(s.now, Meta{Actor: "mira"}, c)
		for _, w := range words {
			if err == nil || !strings.Contains(err.Error(), w) {
				t.Errorf("%+v: %v, want %q", c, err, w)
			}
		}
	}
	done := ReviewStep{Job: "a", Step: "print", Outcome: ReviewDone, Device: "printer-1"}
	says(done, "it is done in gang run g, say what became of step print there", "cancel g first", "review --run run-7` takes note")
	if say := s.at("g", "print").Explain(s.now, nil).GetSummary(); !strings.HasSuffix(say, "if it was for one alone, cancel g first and say so of each job") {
		t.Errorf("the gang run's step says %q", say)
	}
	s.do(ReviewStep{Job: "g", Step: "print", Outcome: ReviewDone, Device: "printer-1"})
	says(done, "step print of a does not wait for a review; `tandem review --run run-7` takes note of what printer-1 reports")
	if _, err := s.floor.Decide(s.now, Meta{Actor: "mira"}, ReviewStep{Job: "a", Step: "dry", Outcome: ReviewDone}); err == nil || strings.Contains(err.Error(), "cancel") {
		t.Errorf("a gang run that has begun is to be canceled first: %v", err)
	}
	s.do(NoteUnrecorded{Run: "run-7"})
}

// A gang run that was made after the backup is not in it. Its device tells of it, and its members, which nobody can name, wait: those that are
// there and those that are handed in again. Jobs that can be in no gang run go on.
func TestRestoredGangThatIsNotThere(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: memberJob("a", 5)})
	s.do(CreateJob{Job: job("lone", 10, &tandemv1.Step{Id: "print", Operation: "print", Media: "white"})})
	s.do(RestoreLedger{Made: s.now, Restored: s.now, NothingDone: true})
	s.do(Greet{Device: "printer-2", Status: report(1)})
	s.do(Greet{Device: "printer-1", Status: report(1, &driverv1.RunStatus{Run: "run-7", Fence: 7, State: stCompleted, PiecesGood: 12, Job: "g", Step: "print"})})
	s.do(CreateJob{Job: memberJob("b", 7)})
	for _, id := range []string{"a", "b"} {
		s.refused("mira", "UNRECORDED_WORK", Grant{Step: s.at(id, "print"), Device: s.floor.byDevice["printer-2"]})
		if s.at(id, "laminate").Review {
			t.Errorf("%s waits with what no printer can have done", id)
		}
	}
	if !s.at("lone", "print").Grantable() {
		t.Error("a job that can be in no gang run waits")
	}
	s.do(NoteUnrecorded{Run: "run-7"})
	s.do(ReviewStep{Job: "a", Step: "print", Outcome: ReviewDone, Device: "printer-1"})
	s.do(ReviewStep{Job: "b", Step: "print", Outcome: ReviewNotDone})
	s.through("b", "print")
	s.do(CreateJob{Job: memberJob("c", 3)})
	s.through("c", "print")
}

// A device falls silent while it is at unrecorded work, and may never be heard again. Then a person says what that has come to, as of any run:
// its step does not wait for ever.
func TestRestoredWorkOfASilentDevice(t *testing.T) {
	s := gangStory(t)
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	s.do(Greet{Device: "printer-2", Status: report(1)})
	s.do(Greet{Device: "printer-1", Status: report(
		1,
		&driverv1.RunStatus{Run: "run-7", Fence: 7, State: stRuns, Job: "a", Step: "print"},
		&driverv1.RunStatus{Run: "run-8", Fence: 8, State: stRuns, Job: "gone", Step: "print"},
	)})
	s.refused("mira", "STILL_AT_WORK", ReviewStep{Job: "g", Step: "print", Outcome: ReviewNotDone})
	s.refused("mira", "STILL_AT_WORK", NoteUnrecorded{Run: "run-8"})
	s.do(LoseDevice{Device: "printer-1"})
	s.do(NoteUnrecorded{Run: "run-8"})
	s.do(CancelJob{Job: "g"})
	s.do(ReviewStep{Job: "a", Step: "print", Outcome: ReviewKeep, Good: 2, Device: "printer-1"})
	if print := s.at("a", "print"); print.Left() != 3 || !print.Grantable() {
		t.Errorf("%d pieces are left of five, two of which are kept; may be given to a device: %v", print.Left(), print.Grantable())
	}
}

// A job of which nobody has said yet what was done since the backup shares no panel: the gang run would do that again.
func TestRestoredJobIsNotGanged(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: memberJob("a", 5)})
	s.do(CreateJob{Job: memberJob("b", 7)})
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	s.do(ReviewStep{Job: "b", Outcome: ReviewNotDone})
	s.refused("mira", "CANNOT_GANG", gangOf("g", of("a", 5), of("b", 7)))
	s.do(ReviewStep{Job: "a", Outcome: ReviewNotDone})
	s.do(gangOf("g", of("a", 5), of("b", 7)))
}

// Hand work that waited when the backup was made may have been done since, and its driver have been told that it is over: that would not take
// it again, and nobody could begin or end it.
func TestRestoredHandWorkThatWaits(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: job("lone", 10, &tandemv1.Step{Id: "pack", Operation: "pack"})})
	pack := s.at("lone", "pack")
	s.do(Grant{Step: pack, Device: s.floor.byDevice["bench"]})
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	if pack.Live != nil || !pack.waitsForReview() {
		t.Errorf("it is live as %v, and waits for a word: %v", pack.Live, pack.waitsForReview())
	}
	s.do(Greet{Device: "bench", Status: report(1)})
	s.do(ReviewStep{Job: "lone", Step: "pack", Outcome: ReviewDone})
}
