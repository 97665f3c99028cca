package main

import (
	"slices"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

// scan pulls the trigger at a station that stands at a device.
func (s *scene) scan(device, payload, id string) *tandemv1.RecordScanResponse {
	s.Helper()
	r, err := s.scans.RecordScan(s.Context(), &tandemv1.RecordScanRequest{Station: "at-" + device, Device: device, Payload: payload, ScanId: id})
	if err != nil {
		s.Fatal(err)
	}
	return r
}

// scanUntilStarted scans, each time anew, until the device is ready to be started, and returns the id of the scan that has done it.
func (s *scene) scanUntilStarted(device, payload string) (id string, started *tandemv1.RecordScanResponse) {
	s.Helper()
	s.until(payload+" is started on "+device, func() bool {
		id = s.next()
		started = s.scan(device, payload, id)
		return started.GetOutcome() == tandemv1.RecordScanResponse_OUTCOME_STARTED
	})
	return id, started
}

// A panel's code is scanned to start it, once more by a hand that trembles, and again ten minutes later when all is done, with a restart
// of the daemon between. The repeated message is answered as before, a new scan says that there is nothing to do, and neither changes
// anything. A reader that sends the code twice in one breath is not understood to mean it once.
func TestSameBarcodeIsScannedTwiceAndAgainTenMinutesLater(t *testing.T) {
	t.Parallel()
	slow := cutter("cutter-1", false, "")
	slow.Abilities[0].PerPiece = durationpb.New(20 * time.Second)
	s := newScene(t, shopOf(slow), func(cfg *daemonConfig) { cfg.TimeScale = 400 })
	panel := s.create(&tandemv1.Job{Id: "numbers", Pieces: 10, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}).GetPanels()[0].GetCode()
	if r := s.scan("cutter-1", panel+panel, s.next()); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE {
		t.Errorf("a doubled code before the start: %v", r)
	}
	id, started := s.scanUntilStarted("cutter-1", panel)
	if again := s.scan("cutter-1", panel, id); !proto.Equal(again, started) {
		t.Errorf("the same scan again is answered %v, before %v", again, started)
	}
	if r := s.scan("cutter-1", panel, s.next()); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_DUPLICATE {
		t.Errorf("a trembling hand: %v", r)
	}
	s.stepUntil("cut", "numbers", "cut", isCompleted)
	at := s.status().GetNow().AsTime()
	s.until("ten minutes later", func() bool { return s.status().GetNow().AsTime().Sub(at) > 10*time.Minute })
	s.reopen()
	s.until("the cutter is back", func() bool { return s.device("cutter-1").GetLink() == tandemv1.Link_LINK_ONLINE })
	before, events := s.job("numbers"), s.types("numbers", "")
	if again := s.scan("cutter-1", panel, id); !proto.Equal(again, started) {
		t.Errorf("the same scan ten minutes later is answered %v, before %v", again, started)
	}
	if r := s.scan("cutter-1", panel, s.next()); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_DUPLICATE {
		t.Errorf("a new scan of what is done: %v", r)
	}
	for _, doubled := range []string{panel + panel, panel + "\r" + panel, panel + "0"} {
		if r := s.scan("cutter-1", doubled, s.next()); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE {
			t.Errorf("%q: %v", doubled, r)
		}
	}
	if after := s.job("numbers"); !proto.Equal(after, before) || !slices.Equal(s.types("numbers", ""), events) {
		t.Errorf("the scans have changed the job from %v to %v", before, after)
	}
}

// The right panel comes to the wrong cutter: nothing starts, and the display names the right one. That one is out; somebody who may says
// so, with a name and a reason to it on record, and then the panel is started where it is.
func TestRightPanelAtTheWrongCutter(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(cutter("cutter-1", true, ""), cutter("cutter-2", true, "")))
	panel := s.create(&tandemv1.Job{Id: "numbers", Pieces: 20, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}).GetPanels()[0].GetCode()
	run := s.stepUntil("it is given out", "numbers", "cut", func(c *tandemv1.Step) bool { return len(c.GetRuns()) > 0 }).GetRuns()[0]
	right, wrong := run.GetDevice(), "cutter-1"
	if right == wrong {
		wrong = "cutter-2"
	}
	for range 2 {
		if r := s.scan(wrong, panel, s.next()); r.GetOutcome() != tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION || !strings.Contains(r.GetMessage(), right) {
			t.Errorf("at %s: %v, want the way to %s", wrong, r, right)
		}
	}
	c := s.step("numbers", "cut")
	if len(c.GetRuns()) != 1 || c.GetRuns()[0].GetMayStart() || len(s.machines[right].started())+len(s.machines[wrong].started()) > 0 {
		t.Fatalf("a scan at the wrong cutter has started something: %v", c)
	}
	if _, err := s.devices.PauseDevice(t.Context(), &tandemv1.PauseDeviceRequest{Id: right, Note: "its bearing is hot", RequestId: s.next(), Actor: "marit"}); err != nil {
		t.Fatal(err)
	}
	s.scanUntilStarted(wrong, panel)
	c = s.stepUntil("it is cut", "numbers", "cut", isCompleted)
	if last := c.GetRuns()[len(c.GetRuns())-1]; last.GetDevice() != wrong || len(s.machines[right].started()) > 0 {
		t.Errorf("cut by %v; %s has worked on %v", last, right, s.machines[right].started())
	}
	if d := s.device(right); !d.GetPaused() || d.GetPauseNote() != "its bearing is hot" {
		t.Errorf("on record is %v", d)
	}
	if !slices.Contains(s.types("", right), "device.paused") {
		t.Errorf("events of %s: %q", right, s.types("", right))
	}
}
