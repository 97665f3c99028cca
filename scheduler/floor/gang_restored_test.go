package floor

import (
	"strings"
	"testing"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
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
