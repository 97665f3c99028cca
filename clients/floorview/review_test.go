package floorview

import (
	"strings"
	"testing"

	tandemv1 "tandem/proto/tandem/v1"
)

// A floor that comes from a backup stands still until somebody has said what was done since: it says so, once for all steps, and marks
// those whose turn it would be. What a gang run does is asked of the gang run.
func TestARestoredFloorNeedsAWord(t *testing.T) {
	step := func(id, after string, why ...string) *tandemv1.Step {
		s := &tandemv1.Step{Id: id, State: held, StateReasons: why}
		if after != "" {
			s.After, s.StateReasons = []string{after}, append(s.GetStateReasons(), "x-waiting-predecessor")
		}
		return s
	}
	member := step("print", "", "x-in-gang-run")
	member.CarriedBy = "together/print"
	jobs := []*tandemv1.Job{
		{Id: "tags", State: held, Steps: []*tandemv1.Step{member, step("pack", "print", "x-unrecorded-work", "x-in-gang-run")}},
		{Id: "together", State: held, Steps: []*tandemv1.Step{step("print", "", "x-unrecorded-work")}},
	}
	got := Render(jobs, nil, Options{Now: noon, Zone: zone, Width: 120})
	for _, want := range []string{
		" ! look, and say with `tandem review` what was done since the backup (together / print and 1 more step)\n",
		"print in gang run together > pack\n", "print done already?\n",
	} {
		if !strings.Contains(got, want) {
			t.Errorf("does not say %q:\n%s", want, got)
		}
	}
	if n := strings.Count(got, "tandem review"); n != 1 {
		t.Errorf("asks %d times:\n%s", n, got)
	}
	needs := New(jobs[1:], nil, Options{Now: noon}).Needs()
	if len(needs) != 1 || !needs[0].Grave || needs[0].Job != "together" || needs[0].Step != "print" || needs[0].More != "together / print" {
		t.Errorf("one step: %+v", needs)
	}
	jobs[1].GetSteps()[0].StateReasons = nil
	if needs := New(jobs[1:], nil, Options{Now: noon}).Needs(); len(needs) != 0 {
		t.Errorf("once it is said: %+v", needs)
	}
}
