package station_test

import (
	"strings"
	"testing"
	"time"

	"tandem/scheduler/floor"
)

// The job of a panel leaves the floor between the scan of the panel and that of the device.
func TestPanelWhoseJobLeavesTheFloor(t *testing.T) {
	s := open(t)
	s.submit("old", "cut")
	s.do(floor.CancelJob{Job: "old"})
	panel, device := s.payload("panel old"), s.payload("device cutter-1")
	if a := s.scan(panel); a.Outcome != next {
		t.Fatalf("the panel: %v %s", a.Outcome, a.Message)
	}
	s.do(floor.ArchiveJobs{EndedBefore: s.now.Add(time.Minute), Most: 1})
	if a := s.scan(device); a.Outcome != unknown || a.Command != nil || !strings.Contains(a.Message, "ended long ago") {
		t.Errorf("then the device: %v %s", a.Outcome, a.Message)
	}
	if a := s.scan(panel); a.Outcome != unknown || a.Command != nil {
		t.Errorf("the panel again: %v %s", a.Outcome, a.Message)
	}
}
