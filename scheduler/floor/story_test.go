package floor

import (
	"errors"
	"fmt"
	"slices"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// story is a floor on which one thing happens after another.
type story struct {
	t     *testing.T
	floor *Floor
	now   time.Time
}

func newStory(t *testing.T) *story {
	s := &story{t: t, floor: New(), now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	s.do(BeginTerm{})
	s.do(Configure{File: randomFile})
	for _, d := range s.floor.Devices {
		s.do(Greet{Device: d.ID, Status: report(1)})
	}
	return s
}

func report(epoch uint64, runs ...*driverv1.RunStatus) *driverv1.Status {
	return &driverv1.Status{Epoch: epoch, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE, Runs: runs}
}

func runIs(r *Run, state tandemv1.JobState, good int32, reasons ...string) *driverv1.RunStatus {
	return &driverv1.RunStatus{Run: r.ID, Fence: r.Fence, State: state, PiecesGood: good, StateReasons: reasons}
}

func (s *story) do(c Command) []*ledgerv1.Event {
	s.t.Helper()
	return s.as("mira", c)
}

func (s *story) as(actor string, c Command) []*ledgerv1.Event {
	s.t.Helper()
	d, err := s.floor.Decide(s.now, Meta{Actor: actor}, c)
	if err != nil {
		s.t.Fatalf("%T: %v", c, err)
	}
	for _, e := range d.Events {
		s.floor.Apply(s.floor.Revision+1, s.now, e)
	}
	if err := s.floor.Check(); err != nil {
		s.t.Fatalf("after %T: %v", c, err)
	}
	return d.Events
}

func (s *story) refused(actor, reason string, c Command) {
	s.t.Helper()
	_, err := s.floor.Decide(s.now, Meta{Actor: actor}, c)
	var fe *Error
	if !errors.As(err, &fe) || fe.Reason != reason {
		s.t.Fatalf("%T: %v, want it refused with %s", c, err, reason)
	}
}

func (s *story) step(id string) *Step { return s.floor.Jobs[0].byStep[id] }

// run grants a step to a device and lets it begin.
func (s *story) run(step, device string) *Run {
	s.t.Helper()
	d := s.floor.byDevice[device]
	s.do(Grant{Step: s.step(step), Device: d, Expected: d.Estimate(s.step(step), s.now)})
	r := s.step(step).Live
	s.do(StartRun{Run: r.ID})
	if !d.Manual() {
		s.do(Report{Device: device, Status: report(d.Epoch, runIs(r, tandemv1.JobState_JOB_STATE_PROCESSING, 0))})
	}
	return r
}

func (s *story) finish(r *Run) {
	s.t.Helper()
	if r.Device.Manual() && !r.Step.Drying() {
		s.do(FinishRun{Run: r.ID})
		return
	}
	s.do(Report{Device: r.Device.ID, Status: report(r.Device.Epoch, runIs(r, tandemv1.JobState_JOB_STATE_COMPLETED, r.Pieces))})
}

func laminated(pieces int32) *tandemv1.Job {
	return &tandemv1.Job{Id: "decals", Pieces: pieces, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print", Media: "white"},
		{Id: "dry", Operation: "dry", After: []string{"print"}, Duration: durationpb.New(time.Hour)},
		{Id: "laminate", Operation: "laminate", After: []string{"dry"}},
		{Id: "cut", Operation: "cut", After: []string{"laminate"}},
		{Id: "pack", Operation: "pack", After: []string{"cut"}},
	}}
}

func (s *story) state(step string, want tandemv1.JobState, reason string) {
	s.t.Helper()
	got, reasons := s.step(step).State(s.now)
	if got != want || (reason != "" && !slices.Contains(reasons, reason)) {
		s.t.Fatalf("%s is %s %v, want %s with %q", step, Keyword(got), reasons, Keyword(want), reason)
	}
}

const (
	stPending   = tandemv1.JobState_JOB_STATE_PENDING
	stStopped   = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	stRuns      = tandemv1.JobState_JOB_STATE_PROCESSING
	stCompleted = tandemv1.JobState_JOB_STATE_COMPLETED
	stCanceled  = tandemv1.JobState_JOB_STATE_CANCELED
)

func TestDryingTimeIsAFloor(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: laminated(60)})
	s.finish(s.run("print", "printer-1"))
	dry := s.run("dry", "rack")
	s.now = s.now.Add(59 * time.Minute)
	s.do(Report{Device: "rack", Status: report(1, runIs(dry, stCompleted, 60))}) // a clock that is fast
	s.state("dry", stRuns, ReasonDrying)
	s.refused("mira", "STEP_NOT_READY", Grant{Step: s.step("laminate"), Device: s.floor.byDevice["laminator"]})
	s.refused("", "INVALID_FIELD", OverrideWait{Job: "decals", Step: "dry", Note: "touch-dry, fan was on"})
	s.refused("mira", "INVALID_FIELD", OverrideWait{Job: "decals", Step: "dry"})
	s.refused("mira", "INVALID_FIELD", OverrideWait{Job: "decals", Step: "dry", Note: " \u200b"}) // nothing that can be read
	s.refused(" ", "INVALID_FIELD", OverrideWait{Job: "decals", Step: "dry", Note: "touch-dry, fan was on"})
	s.do(OverrideWait{Job: "decals", Step: "dry", Note: "touch-dry, fan was on"})
	s.state("dry", stCompleted, "")
	s.run("laminate", "laminator")
}

// Roll out at piece 26 of 60: 26 are kept, the same run goes on with 34.
func TestRollOutInTheMiddle(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: laminated(60)})
	r := s.run("print", "printer-1")
	s.do(Report{Device: "printer-1", Status: report(1, runIs(r, stStopped, 26, "media-empty-error"))})
	s.state("print", stStopped, "media-empty-error")
	if left := s.step("print").Left(); left != 34 {
		t.Fatalf("%d left, want 34", left)
	}
	s.do(Report{Device: "printer-1", Status: report(1, runIs(r, stRuns, 27))})
	s.finish(r)
	if p := s.step("print"); len(p.Runs) != 1 || p.Good != 60 {
		t.Fatalf("%d runs, %d good", len(p.Runs), p.Good)
	}
}

// The device forgets its run: a person counts 26, the rest is made elsewhere under a higher fence, and what the old device
// claims later is heard as a stray.
func TestUnknownOutcomeIsResolvedByAPerson(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: laminated(60)})
	r := s.run("print", "printer-1")
	s.do(LoseDevice{Device: "printer-1"})
	s.state("print", stStopped, ReasonOutcomeUnknown)
	s.refused("mira", "STEP_NOT_READY", Grant{Step: s.step("print"), Device: s.floor.byDevice["printer-2"]})
	s.do(Greet{Device: "printer-1", Status: report(2)})
	s.state("print", stStopped, ReasonOutcomeUnknown)
	s.do(ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_KEEP, Good: 26})
	s.state("print", stPending, "")
	s.do(LoadMedia{Device: "printer-2", Media: "white"})
	second := s.run("print", "printer-2")
	if second.Pieces != 34 || second.Fence <= r.Fence {
		t.Fatalf("second run of %d pieces with fence %d after %d", second.Pieces, second.Fence, r.Fence)
	}
	events := s.do(Report{Device: "printer-1", Status: report(2, runIs(r, stCompleted, 60))})
	if len(events) != 1 || events[0].GetStrayReported() == nil || s.step("print").Good != 26 {
		t.Fatalf("late word of the old device: %v, %d good", events, s.step("print").Good)
	}
	if again := s.do(Report{Device: "printer-1", Status: report(2, runIs(r, stCompleted, 60))}); len(again) != 0 {
		t.Fatalf("repeated: %v", again)
	}
	old, other := s.floor.byDevice["printer-1"], s.floor.byDevice["printer-2"]
	if got := s.floor.Disputed(old); len(got) != 1 || got[0] != r || len(s.floor.Disputed(other)) != 0 {
		t.Errorf("what has been made beside the count: %v", got)
	}
	// A device that has its end confirmed and says once more that it works has only been heard in another order.
	s.do(Report{Device: "printer-2", Status: report(1, runIs(second, stCompleted, 34))})
	s.do(Report{Device: "printer-2", Status: report(1, runIs(second, stRuns, 30))})
	if got := s.floor.Disputed(other); len(got) != 0 {
		t.Errorf("a late word of the beginning is no dispute: %v", got)
	}
	s.do(Greet{Device: "printer-1", Status: report(3)})
	if got := s.floor.Disputed(old); len(got) != 0 {
		t.Errorf("after a new start of the device: %v", got)
	}
}

// Three of 60 are spoiled at cutting: print, dry, laminate and cut are repeated for those three; packing waits for 60.
func TestRemakeBeforeThePackingHasBegun(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: laminated(60)})
	for _, leg := range [][2]string{{"print", "printer-1"}, {"dry", "rack"}, {"laminate", "laminator"}, {"cut", "cutter"}} {
		r := s.run(leg[0], leg[1])
		s.now = s.now.Add(time.Hour)
		s.finish(r)
	}
	s.do(RemakePieces{Job: "decals", Step: "cut", Pieces: 3, Note: "blade dull"})
	j := s.floor.Jobs[0]
	if len(j.Steps) != 9 || s.step("print-r1") == nil || s.step("pack-r1") != nil {
		t.Fatalf("%d steps after the remake, want print, dry, laminate and cut once more", len(j.Steps))
	}
	if pack := s.step("pack"); pack.Waiting != 1 || pack.Left() != 60 {
		t.Fatalf("packing waits for %d steps and has %d pieces, want 1 and 60", pack.Waiting, pack.Left())
	}
	for _, leg := range [][2]string{{"print-r1", "printer-1"}, {"dry-r1", "rack"}, {"laminate-r1", "laminator"}, {"cut-r1", "cutter"}} {
		r := s.run(leg[0], leg[1])
		if r.Pieces != 3 {
			t.Fatalf("%s of %d pieces, want 3", leg[0], r.Pieces)
		}
		s.now = s.now.Add(time.Hour)
		s.finish(r)
	}
	s.finish(s.run("pack", "bench"))
	if state, reasons := j.State(s.now); state != stCompleted || reasons[0] != ReasonCompletedErrors {
		t.Errorf("job is %s %v", Keyword(state), reasons)
	}
	if s.step("pack").Good != 60 || j.Panels[0].Good != 57 || j.Panels[0].Spoiled != 3 || j.Panels[1].Good != 3 {
		t.Errorf("packed %d; panels %+v %+v", s.step("pack").Good, j.Panels[0], j.Panels[1])
	}
}

// Packing has been offered to the bench and nobody has begun: that is taken back, and it waits for the pieces that are made again; for those
// of a second remake, too.
func TestRemakeWhilePackingWaitsForSomebody(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: laminated(60)})
	for _, leg := range [][2]string{{"print", "printer-1"}, {"dry", "rack"}, {"laminate", "laminator"}, {"cut", "cutter"}} {
		r := s.run(leg[0], leg[1])
		s.now = s.now.Add(time.Hour)
		s.finish(r)
	}
	s.do(Grant{Step: s.step("pack"), Device: s.floor.byDevice["bench"]})
	pack := s.step("pack")
	if pack.Live == nil || pack.Live.Pieces != 60 {
		t.Fatalf("packing is not offered: %+v", pack.Live)
	}
	for i, pieces := range []int32{3, 2} {
		s.do(RemakePieces{Job: "decals", Step: "cut", Panel: "p1", Pieces: pieces, Note: "blade dull"})
		if pack.Live != nil || pack.Waiting != i+1 || pack.Left() != 60 || s.step(fmt.Sprintf("pack-r%d", i+1)) != nil {
			t.Fatalf("after remake %d packing waits for %d steps and has %d pieces: %v", i+1, pack.Waiting, pack.Left(), pack.Live)
		}
	}
	if r := pack.Runs[0]; len(pack.Runs) != 1 || r.State != stCanceled || r.Reasons[0] != ReasonWithdrawn || len(s.floor.byDevice["bench"].Live) != 0 {
		t.Errorf("what was offered is now %+v", r)
	}
	for _, n := range []string{"-r1", "-r2"} {
		for _, leg := range [][2]string{{"print", "printer-1"}, {"dry", "rack"}, {"laminate", "laminator"}, {"cut", "cutter"}} {
			r := s.run(leg[0]+n, leg[1])
			s.now = s.now.Add(time.Hour)
			s.finish(r)
		}
	}
	s.finish(s.run("pack", "bench"))
	if state, _ := s.floor.Jobs[0].State(s.now); state != stCompleted || pack.Good != 60 || len(pack.Runs) != 2 {
		t.Errorf("job is %s, packed %d in %d runs", Keyword(state), pack.Good, len(pack.Runs))
	}
}

// Packing has begun: the three follow as a second bundle.
func TestRemakeAfterThePackingHasBegun(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: &tandemv1.Job{Id: "decals", Pieces: 60, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print"}, {Id: "cut", Operation: "cut", After: []string{"print"}}, {Id: "pack", Operation: "pack", After: []string{"cut"}},
	}}})
	s.finish(s.run("print", "printer-1"))
	s.finish(s.run("cut", "cutter"))
	s.run("pack", "bench")
	s.do(RemakePieces{Job: "decals", Step: "cut", Pieces: 3})
	if s.step("pack-r1") == nil || s.step("pack").Waiting != 0 {
		t.Fatal("want a second bundle, pack-r1")
	}
}

func TestCancelWaitsForTheDevice(t *testing.T) {
	for _, completes := range []bool{false, true} {
		s := newStory(t)
		s.do(CreateJob{Job: laminated(60)})
		r := s.run("print", "printer-1")
		s.do(CancelJob{Job: "decals", Note: "customer"})
		j := s.floor.Jobs[0]
		if state, reasons := j.State(s.now); state != stRuns || reasons[0] != ReasonToStopPoint {
			t.Fatalf("while the device stops: %s %v", Keyword(state), reasons)
		}
		orders := s.floor.Orders(s.floor.byDevice["printer-1"], report(1, runIs(r, stRuns, 5)), s.now)
		if len(orders) != 1 || orders[0].GetStop().GetRun() != r.ID {
			t.Fatalf("orders: %v, want a stop", orders)
		}
		if completes { // it was done before it heard
			s.finish(r)
		} else {
			s.do(Report{Device: "printer-1", Status: report(1, runIs(r, stCanceled, 30))})
		}
		if state, _ := j.State(s.now); state != stCanceled || s.step("print").Good < 30 {
			t.Fatalf("in the end: %s, %d made", Keyword(state), s.step("print").Good)
		}
		s.refused("mira", "JOB_ENDED", HoldJob{Job: "decals"})
	}
}

func TestAttendedStartAndStaleStart(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: &tandemv1.Job{Id: "decals", Pieces: 6, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}})
	cutter := s.floor.byDevice["cutter"]
	s.do(Grant{Step: s.step("cut"), Device: cutter})
	s.state("cut", stPending, ReasonAwaitingStart)
	r := s.step("cut").Live
	grant := func(st *driverv1.Status) []*driverv1.Order { return s.floor.Orders(cutter, st, s.now) }
	if o := grant(report(1)); len(o) != 1 || o[0].GetGrant().GetMayStart() {
		t.Fatalf("orders: %v, want a grant that must wait", o)
	}
	s.refused("", "INVALID_FIELD", StartRun{Run: r.ID})
	s.do(HoldJob{Job: "decals"})
	s.refused("mira", "NOT_READY", StartRun{Run: r.ID})
	s.do(ReleaseJob{Job: "decals"})
	s.do(StartRun{Run: r.ID})
	waits := report(1, runIs(r, stPending, 0, ReasonAwaitingStart))
	if o := grant(waits); len(o) != 1 || !o[0].GetGrant().GetMayStart() {
		t.Fatalf("orders after the start: %v", o)
	}
	s.now = s.now.Add(StartWindow + time.Second)
	s.do(Report{Device: "cutter", Status: waits}) // it never heard: the start is stale
	s.state("cut", stPending, ReasonAwaitingStart)
	if r.MayStart {
		t.Fatal("a stale start still counts")
	}
}

func TestMaintenanceLock(t *testing.T) {
	s := newStory(t)
	s.as("timo", LockDevice{Device: "cutter", Note: "blade change"})
	s.refused("nobody", "LOCK_OF_ANOTHER", UnlockDevice{Device: "cutter"})
	s.as("mira", UnlockDevice{Device: "cutter"}) // a supervisor
	s.as("timo", LockDevice{Device: "cutter", Note: "again"})
	s.as("timo", UnlockDevice{Device: "cutter"})
}

func TestRequestsAreRemembered(t *testing.T) {
	s := newStory(t)
	m := Meta{Actor: "rip", RequestID: "r1", Fingerprint: []byte("a")}
	ask := func() (Decision, error) { return s.floor.Decide(s.now, m, CreateJob{Job: laminated(6)}) }
	d, err := ask()
	if err != nil {
		t.Fatal(err)
	}
	for _, e := range d.Events {
		s.floor.Apply(s.floor.Revision+1, s.now, e)
	}
	s.now = s.now.Add(7*24*time.Hour + time.Hour)
	s.do(HoldJob{Job: "decals"})
	if d, err = ask(); err != nil || !d.Replayed || d.Subject != "jobs/decals" {
		t.Fatalf("after a week: %+v %v", d, err)
	}
	s.now = s.now.Add(24 * time.Hour)
	s.do(ReleaseJob{Job: "decals"})
	if _, err = ask(); err == nil {
		t.Fatal("after eight days the request id is free, and the job's id is not: want it refused")
	}
}

// leave puts a floor file in force that lacks a device.
func (s *story) leave(device string) {
	s.t.Helper()
	file := proto.CloneOf(randomFile)
	file.Devices = slices.DeleteFunc(file.GetDevices(), func(d *tandemv1.Device) bool { return d.GetId() == device })
	s.do(Configure{File: file})
}

// Whoever has locked a device may still be inside when it is taken out of the floor file and put back.
func TestALockOutlastsTheFloorFile(t *testing.T) {
	s := newStory(t)
	s.as("jon", LockDevice{Device: "cutter"})
	for range 2 {
		s.leave("cutter")
		if d, _ := s.floor.Device("cutter"); !slices.Equal(d.View(s.now).GetStateReasons(), []string{ReasonNotInFloorFile, ReasonMaintenanceLock}) {
			t.Errorf("out of the floor file it shows %q", d.View(s.now).GetStateReasons())
		}
		restored, err := Restore(s.floor.Snapshot())
		if err != nil {
			t.Fatal(err)
		}
		s.floor = restored
		s.do(Configure{File: randomFile})
		if d, _ := s.floor.Device("cutter"); d.LockedBy != "jon" || d.Retired {
			t.Fatalf("back in the floor file it is locked by %q", d.LockedBy)
		}
	}
	s.refused("timo", "LOCK_OF_ANOTHER", UnlockDevice{Device: "cutter"})
	s.leave("cutter")
	devices := len(s.floor.Devices)
	s.as("jon", UnlockDevice{Device: "cutter"})
	if len(s.floor.Devices) != devices-1 {
		t.Error("it is on the floor although it is in no floor file and not locked")
	}
	s.refused("jon", "DEVICE_NOT_FOUND", UnlockDevice{Device: "cutter"})
}

// A run on a device that has left the floor file begins no more; what it has begun its driver may bring to its end.
func TestRunsOfADeviceThatLeaves(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: &tandemv1.Job{Id: "decals", Pieces: 5, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print", Media: "white"}, {Id: "cut", Operation: "cut"},
	}}})
	begun := s.run("print", "printer-1")
	d := s.floor.byDevice["cutter"]
	s.do(Grant{Step: s.step("cut"), Device: d})
	waits := s.step("cut").Live
	s.leave("printer-1")
	s.leave("cutter") // and the printer is back
	s.refused("mira", "NOT_READY", StartRun{Run: waits.ID})
	s.leave("printer-1")
	// Who says so now has looked before it moved: its driver tells how it ends.
	s.refused("mira", "NOTHING_TO_RESOLVE", ResolveRun{Run: begun.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
	s.finish(begun)
	if begun.Good != 5 || slices.Contains(s.floor.Devices, begun.Device) {
		t.Errorf("%d pieces are good; on the floor still: %v", begun.Good, slices.Contains(s.floor.Devices, begun.Device))
	}
}

// Work that waits on a device which has left the floor file begins there by nobody's word on anything else either.
func TestAReleaseStartsNothingOutsideTheFloorFile(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: &tandemv1.Job{Id: "decals", Pieces: 5, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Media: "clear"}}}})
	s.do(Grant{Step: s.step("print"), Device: s.floor.byDevice["printer-1"]})
	s.do(HoldJob{Job: "decals"})
	s.do(LoadMedia{Device: "printer-1", Media: "clear"})
	s.leave("printer-1")
	s.do(ReleaseJob{Job: "decals"})
	if s.step("print").Live.MayStart {
		t.Error("it may begin")
	}
	s.do(HoldJob{Job: "decals"})
	s.do(Configure{File: randomFile})
	s.do(ReleaseJob{Job: "decals"})
	if !s.step("print").Live.MayStart {
		t.Error("back in the floor file, where it may begin with nobody there, it does not")
	}
}

// A start lapses by its device's clock, which its driver has from the daemon that it follows: a daemon that leads since and whose clock
// is ahead must not take for lapsed what the device may still begin by the word of the one before.
func TestAStartLapsesByTheDevicesClock(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: &tandemv1.Job{Id: "decals", Pieces: 5, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}})
	s.do(Grant{Step: s.step("cut"), Device: s.floor.byDevice["cutter"]})
	r := s.step("cut").Live
	s.do(StartRun{Run: r.ID})
	began := s.now
	waits := func(at time.Time) *driverv1.Status {
		st := report(1, runIs(r, tandemv1.JobState_JOB_STATE_PENDING, 0, ReasonAwaitingStart))
		st.ObserveTime = stamp(at)
		return st
	}
	s.now = s.now.Add(StartWindow + time.Hour)
	s.do(BeginTerm{})
	s.do(Greet{Device: "cutter", Status: waits(s.now)})
	s.do(Report{Device: "cutter", Status: waits(began.Add(StartWindow))})
	if !r.MayStart {
		t.Fatal("the start has lapsed, and the device may still begin by it")
	}
	s.do(Report{Device: "cutter", Status: waits(s.now)})
	if r.MayStart {
		t.Error("the start has not lapsed, and the device says that it waits for another")
	}
}

// A roll is measured shorter while nobody knows how far a run on it has got. When its device says that the run waits, that has no claim
// to more than the roll holds.
func TestARunThatWaitsAfterAllHasNoClaimBeyondItsRoll(t *testing.T) {
	s := newStory(t)
	s.do(ReceiveLot{Lot: &tandemv1.Lot{Id: "roll", Media: "white", LengthUm: 5_000_000}})
	s.do(LoadMedia{Device: "printer-2", Lot: "roll"})
	s.do(CreateJob{Job: &tandemv1.Job{Id: "decals", Pieces: 5, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Media: "white", LengthUm: 1_000_000}}}})
	s.do(Grant{Step: s.step("print"), Device: s.floor.byDevice["printer-2"]})
	r := s.step("print").Live
	s.do(StartRun{Run: r.ID})
	s.do(LoseDevice{Device: "printer-2"})
	s.do(MeasureLot{Lot: "roll", Remaining: 100_000})
	s.now = s.now.Add(StartWindow + time.Hour)
	s.do(Greet{Device: "printer-2", Status: report(2, runIs(r, tandemv1.JobState_JOB_STATE_PENDING, 0, ReasonAwaitingStart))})
	for range 2 {
		s.do(Report{Device: "printer-2", Status: report(2, runIs(r, tandemv1.JobState_JOB_STATE_PENDING, 0, ReasonAwaitingStart))})
	}
	if r.State != tandemv1.JobState_JOB_STATE_PENDING || r.MayStart || !r.NeedsLoad() {
		t.Errorf("the run is %v, may start: %v, needs another roll: %v", r.State, r.MayStart, r.NeedsLoad())
	}
}
