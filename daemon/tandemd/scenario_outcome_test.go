package main

import (
	"fmt"
	"slices"
	"testing"

	"google.golang.org/protobuf/proto"

	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// The daemon dies in the middle of a print, and the machine finishes without it. The daemon that comes back takes nothing for granted,
// hears of the end with the run it gave out, gives out the next step once, and nothing is printed twice.
func TestDaemonDiesMidPrintAndDriverFinishesMeanwhile(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, ""), printer("printer-2", true, ""), cutter("cutter-1", true, "")))
	s.create(decals())
	at, _ := s.midway(10, "printer-1", "printer-2")
	run := s.step("decals", "print").GetRuns()[0]
	s.stop()
	s.until("the machine finishes alone", func() bool {
		return slices.ContainsFunc(at.runs(), func(r *driverv1.RunStatus) bool {
			return r.GetRun() == run.GetId() && r.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED
		})
	})
	s.open()
	after := s.stepUntil("the daemon has heard of the end", "decals", "print", isCompleted)
	if len(after.GetRuns()) != 1 || after.GetPiecesGood() != 60 {
		t.Fatalf("printed in the end: %v, want 60 in the one run %s", after, run.GetId())
	}
	end := after.GetRuns()[0].GetEndTime().AsTime()
	if end.Before(after.GetRuns()[0].GetStartTime().AsTime()) || end.After(s.status().GetNow().AsTime()) {
		t.Errorf("it ended at %v, want between %v and now", end, after.GetRuns()[0].GetStartTime().AsTime())
	}
	cut := s.stepUntil("cutting is given out", "decals", "cut", func(c *tandemv1.Step) bool { return len(c.GetRuns()) > 0 })
	s.begin(cut.GetRuns()[0].GetId())
	if cut = s.stepUntil("all is cut", "decals", "cut", isCompleted); len(cut.GetRuns()) != 1 {
		t.Errorf("cutting was given out %d times", len(cut.GetRuns()))
	}
	for _, id := range []string{"printer-1", "printer-2"} {
		want := []string{}
		if id == run.GetDevice() {
			want = []string{run.GetId()}
		}
		if got := s.machines[id].started(); !slices.Equal(got, want) {
			t.Errorf("%s has worked on %v, want %v", id, got, want)
		}
	}
}

// A machine is taken out of the floor file in the middle of a print. It prints to the end, the pieces count, and it gets no more.
func TestAMachineLeavesTheFloorFileMidPrint(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, ""), printer("printer-2", true, "")))
	s.create(decals())
	s.midway(10, "printer-1", "printer-2")
	run := s.step("decals", "print").GetRuns()[0]
	s.stop()
	s.cfg.File = proto.CloneOf(s.cfg.File)
	s.cfg.File.Devices = slices.DeleteFunc(s.cfg.File.GetDevices(), func(d *tandemv1.Device) bool { return d.GetId() == run.GetDevice() })
	s.open()
	after := s.stepUntil("all is printed", "decals", "print", isCompleted)
	if len(after.GetRuns()) != 1 || after.GetPiecesGood() != 60 {
		t.Errorf("printed in the end: %v, want 60 in the one run %s", after, run.GetId())
	}
	next := decals()
	next.Id = "next"
	s.create(next)
	if at := s.stepUntil("the next job is given out", "next", "print", func(p *tandemv1.Step) bool { return len(p.GetRuns()) > 0 }).GetRuns()[0].GetDevice(); at == run.GetDevice() {
		t.Errorf("the next job is given to %s, which is not in the floor file", at)
	}
}

// A machine cannot be reached for some minutes in the middle of a run. Nobody knows how far it is, nothing is given to the other printer,
// and when it is back and prints on, it is still the same run.
func TestDeviceIsOfflineMidStepAndPrintsOn(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, "offline@20:2m"), printer("printer-2", true, "offline@20:2m")), func(cfg *daemonConfig) { cfg.TimeScale = 50 })
	s.create(decals())
	away := s.stepUntil("the outcome is unknown", "decals", "print", unknown)
	at := away.GetRuns()[0].GetDevice()
	if away.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED || len(away.GetRuns()) != 1 {
		t.Errorf("while it is away: %v", away)
	}
	if now := s.status(); now.GetDevicesNotOnline() != 1 || !has(now.GetReasons(), "outcome on "+at+" unknown") {
		t.Errorf("the daemon tells of no step that needs a person: %v", now)
	}
	done := s.stepUntil("all is printed", "decals", "print", isCompleted)
	if len(done.GetRuns()) != 1 || done.GetRuns()[0].GetId() != away.GetRuns()[0].GetId() || done.GetPiecesGood() != 60 {
		t.Errorf("in the end %v", done)
	}
	events := s.types("decals", "")
	stood := slices.Index(events, "run.processing-stopped")
	if stood < 0 || !slices.Contains(events[stood:], "run.processing") || slices.Contains(events[stood:], "run.granted") {
		t.Errorf("events %q: want the same run to stand still and to go on", events)
	}
}

// A machine restarts in the middle of a run and has never heard of it. That waits for a person, whatever other printer stands idle, and
// whatever the machine's new life says.
func TestDeviceRebootsMidStepAndAPersonDecides(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, "reboot@20"), printer("printer-2", true, "reboot@20")))
	s.create(decals())
	lost := s.stepUntil("the outcome is unknown", "decals", "print", unknown)
	run := lost.GetRuns()[0]
	s.until("the machine is back", func() bool { return s.device(run.GetDevice()).GetLink() == tandemv1.Link_LINK_ONLINE })
	s.reopen() // nor does a daemon that starts anew do anything by itself
	s.until("both are back", func() bool { return s.status().GetDevicesOnline() == 2 })
	if still := s.step("decals", "print"); !unknown(still) || len(still.GetRuns()) != 1 {
		t.Fatalf("with nobody's word: %v", still)
	}
	if _, err := s.devices.ResolveRun(t.Context(), &tandemv1.ResolveRunRequest{
		Run: run.GetId(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_AGAIN, Note: "nothing usable", RequestId: s.next(), Actor: "marit",
	}); err != nil {
		t.Fatal(err)
	}
	again := s.stepUntil("it is given out again", "decals", "print", func(p *tandemv1.Step) bool { return len(p.GetRuns()) == 2 }).GetRuns()[1]
	if again.GetFence() <= run.GetFence() || again.GetPieces() != 60 {
		t.Errorf("given out again as %v after %v", again, run)
	}
}

// A driver is gone for good, as far as anybody can tell. A person counts 26; the other 34 are made elsewhere under a higher fence. Then the
// old one comes back and says that it has made all 60: that is noted, told to people, and counted nowhere.
func TestOfflineDeviceDoesNotReturnAndIsHeardTooLate(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, ""), printer("printer-2", true, "")))
	s.create(decals())
	old, _ := s.midway(10, "printer-1", "printer-2")
	old.stop()
	run := s.step("decals", "print").GetRuns()[0]
	s.stepUntil("the outcome is unknown", "decals", "print", unknown)
	if d := s.device(run.GetDevice()); d.GetLink() != tandemv1.Link_LINK_OFFLINE || !slices.Contains(d.GetStateReasons(), "timed-out") {
		t.Errorf("a silent driver's device is %v %v", d.GetLink(), d.GetStateReasons())
	}
	if n := len(s.step("decals", "print").GetRuns()); n != 1 {
		t.Fatalf("it was given out %d times with the outcome unknown", n)
	}
	if _, err := s.devices.ResolveRun(t.Context(), &tandemv1.ResolveRunRequest{
		Run: run.GetId(), Outcome: tandemv1.ResolveRunRequest_OUTCOME_KEEP, PiecesGood: 26, Note: "counted on the take-up", RequestId: s.next(), Actor: "marit",
	}); err != nil {
		t.Fatal(err)
	}
	second := s.stepUntil("the rest is given out", "decals", "print", func(p *tandemv1.Step) bool { return len(p.GetRuns()) == 2 }).GetRuns()[1]
	if second.GetDevice() == run.GetDevice() || second.GetPieces() != 34 || second.GetFence() <= run.GetFence() {
		t.Fatalf("the rest is given out as %v after %v", second, run)
	}
	done := s.stepUntil("the rest is printed", "decals", "print", isCompleted)
	old.start()
	said := fmt.Sprintf("%s says that %s is completed", run.GetDevice(), run.GetId())
	s.until("people are told what the old one says", func() bool { return has(s.status().GetReasons(), said) })
	s.until("the old one has been told to forget it", func() bool { return len(old.runs()) == 0 })
	if now := s.step("decals", "print"); now.GetPiecesGood() != 60 || len(now.GetRuns()) != 2 || now.GetRuns()[0].GetPiecesGood() != 26 || now.GetState() != done.GetState() {
		t.Errorf("after the old one's word the step is %v, want it as before %v", now, done)
	}
	if events := s.types("", run.GetDevice()); !has(events, "run.stray") {
		t.Errorf("the old one's word is not on record: %q", events)
	}
	s.reopen()
	if got := s.status().GetReasons(); !has(got, said) {
		t.Errorf("after a restart of the daemon people are told %q", got)
	}
}

// A job is canceled while its printer's driver is away, and the machine finishes before it hears of it. The job is being canceled until
// the device has answered; then the pieces count as made, the job is canceled, nothing comes after it, and the driver has its peace.
func TestCompletionArrivesForACanceledRun(t *testing.T) {
	t.Parallel()
	s := newScene(t, shopOf(printer("printer-1", true, ""), cutter("cutter-1", true, "")))
	s.create(decals())
	m, _ := s.midway(10, "printer-1")
	m.stop()
	if _, err := s.jobs.CancelJob(t.Context(), &tandemv1.CancelJobRequest{Id: "decals", Note: "ordered twice", RequestId: s.next(), Actor: "marit"}); err != nil {
		t.Fatal(err)
	}
	if j := s.job("decals"); j.GetState() == tandemv1.JobState_JOB_STATE_CANCELED || !slices.Contains(j.GetStateReasons(), "processing-to-stop-point") {
		t.Errorf("before the device has answered the job is %v %v", j.GetState(), j.GetStateReasons())
	}
	now := s.status().GetNow().AsTime()
	s.until("the machine has had the time to finish", func() bool {
		return s.status().GetNow().AsTime().Sub(now).Minutes() > 6
	})
	m.start()
	s.until("the job is canceled", func() bool { return s.job("decals").GetState() == tandemv1.JobState_JOB_STATE_CANCELED })
	j := s.job("decals")
	if p := s.step("decals", "print"); p.GetPiecesGood() != 60 || !isCompleted(p) {
		t.Errorf("printed: %v, want the 60 that were made", p)
	}
	if c := s.step("decals", "cut"); len(c.GetRuns()) != 0 || c.GetState() != tandemv1.JobState_JOB_STATE_CANCELED {
		t.Errorf("what comes after it: %v", c)
	}
	if !slices.Contains(j.GetStateReasons(), "job-canceled-by-operator") {
		t.Errorf("canceled for %q", j.GetStateReasons())
	}
	s.until("the driver has been told to forget it", func() bool { return len(m.runs()) == 0 })
	if got := m.started(); len(got) != 1 {
		t.Errorf("the machine has worked on %v", got)
	}
	if st := s.status(); st.GetReportsDropped() != 0 || len(s.machines["cutter-1"].started()) != 0 {
		t.Errorf("dropped %d reports, cut %v", st.GetReportsDropped(), s.machines["cutter-1"].started())
	}
}
