package floor

import "testing"

// Nobody starts a run again of which nobody knows how far it got: a person looks and resolves it.
func TestARunOfUnknownOutcomeIsNotStarted(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: memberJob("a", 5)})
	r := s.begin(s.at("a", "print"), "printer-1")
	s.do(LoseDevice{Device: "printer-1"})
	if !r.Unknown() {
		t.Fatalf("the run is %s %v", Keyword(r.State), r.Reasons)
	}
	s.refused("mira", "OUTCOME_UNKNOWN", StartRun{Run: r.ID})
}
