package station_test

import (
	"strings"
	"testing"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// share puts ten pieces each of two jobs, cut and packed, on a panel of the gang run "gang".
func (s *shop) share(members ...string) {
	s.t.Helper()
	run := &tandemv1.Job{Id: "gang", Panels: []*tandemv1.Panel{{Id: "s1"}}, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}
	g := floor.GangJobs{Job: run}
	for _, id := range members {
		own := &tandemv1.Panel{Id: "p1", Pieces: 10, Contents: []*tandemv1.Content{{Item: "x", Pieces: 10}}}
		s.do(floor.CreateJob{Job: &tandemv1.Job{Id: id, Panels: []*tandemv1.Panel{own}, Steps: []*tandemv1.Step{
			{Id: "cut", Operation: "cut"}, {Id: "weed", Operation: "weed", After: []string{"cut"}},
		}}})
		run.Panels[0].Pieces += 10
		run.Panels[0].Contents = append(run.Panels[0].Contents, &tandemv1.Content{Job: id, Item: "x", Pieces: 10})
		g.Carries = append(g.Carries, &ledgerv1.Carry{Step: "cut", Member: id, MemberStep: "cut"})
	}
	s.do(g)
}

// A member's panel brought to the cutter names the shared one; spoiled pieces are booked by the member's.
func TestScansOfSharedPanels(t *testing.T) {
	s := open(t)
	s.share("a", "b")
	shared, own := s.job("gang").Panels[0], s.job("a").Panels[0]
	s.scan(own.Code)
	if a := s.scan(s.payload("device cutter-1")); a.Outcome != tandemv1.RecordScanResponse_OUTCOME_NOT_READY || !strings.Contains(a.Message, shared.Code) {
		t.Errorf("a member's panel at the cutter: %v %q, want it to name %s", a.Outcome, a.Message, shared.Code)
	}
	s.scan(s.payload("card clear"))
	s.scan(shared.Code)
	if a := s.scan(s.payload("device cutter-1")); a.Outcome != tandemv1.RecordScanResponse_OUTCOME_STARTED {
		t.Fatalf("the shared panel at the cutter: %v %q", a.Outcome, a.Message)
	}
	s.report(s.job("gang").Steps[0].Live, processing, 3)
	spoil := func(panel string) {
		s.scan(s.payload("card spoiled"))
		s.scan("2")
		s.scan(panel)
	}
	if spoil(shared.Code); s.refused == nil || !strings.Contains(s.refused.Error(), own.Code+" of a") {
		t.Errorf("spoiled, by the shared panel: %v, want it refused with the panels of its jobs", s.refused)
	}
	if spoil(own.Code); s.refused != nil || own.Good != 8 || shared.Good != 18 {
		t.Errorf("spoiled, by the member's panel: %v; %d good, %d on the shared panel", s.refused, own.Good, shared.Good)
	}
	s.report(s.job("gang").Steps[0].Live, completed, 20)
	s.scan(own.Code)
	if a := s.scan(s.payload("device bench")); a.Outcome != tandemv1.RecordScanResponse_OUTCOME_STARTED {
		t.Errorf("the member's panel at the bench: %v %q", a.Outcome, a.Message)
	}
}
