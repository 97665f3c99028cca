package floor

import (
	"bytes"
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// withoutAPerson are acts that happen by themselves: the dispatcher grants, drivers work, report, fall silent and start anew.
var withoutAPerson = []string{"time", "grant", "grant", "grant", "orders", "orders", "work", "work", "report", "report", "reboot", "lose"}

// A ledger is set back to a backup while the machines go on from where they are. Without a person's word nothing that may have been done
// is begun again, and nothing is counted that the ledger did not grant; whatever people say then, the floor keeps its rules.
func TestARestoredFloorDoesNothingTwice(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(anyFloor(t))
		w.open()
		for _, a := range anyActs(60).Draw(t, "acts before the backup") {
			w.play(a)
		}
		backup, last := marshal(t, w.floor.Snapshot()), w.floor.LastFence()
		for _, a := range anyActs(60).Draw(t, "acts after the backup") {
			w.play(a)
		}
		b := w.on(restoredFrom(t, backup))
		nothingDone := rapid.Bool().Draw(t, "nothing was done, somebody says")
		b.now = b.floor.CommitTime
		b.do(Meta{Actor: "mira"}, RestoreLedger{Made: b.now, Restored: b.now, NothingDone: nothingDone})
		b.now = w.now
		beyond := b.floor.LastFence()
		b.do(Meta{}, BeginTerm{})
		counted := countsOf(b.floor)
		named := rapid.Bool().Draw(t, "drivers tell of which step a run is")
		must, inHand := map[string]bool{}, map[string]bool{} // steps that have to wait; runs that drivers have
		for _, d := range b.floor.Devices {
			for _, r := range b.drivers[d.ID].runs {
				inHand[d.ID+" "+r.grant.GetRun()] = true
				if j, ok := b.floor.Job(r.grant.GetJob()); ok && named && r.grant.GetFence() > last {
					mustWait(must, j, r.grant.GetStep())
				}
			}
		}
		for _, d := range b.floor.Devices {
			if driver := b.drivers[d.ID]; driver != nil {
				b.do(Meta{}, Greet{Device: d.ID, Status: tell(driver, named)})
			}
		}
		waits := map[string]bool{} // steps that must not begin
		b.step(0, func(s *Step) bool {
			if s.Review && s.Open() {
				waits[s.Job.ID+"/"+s.ID()] = true
			}
			return false
		})
		for key := range must {
			if !waits[key] {
				t.Fatalf("%s was done after the backup, or had to be before what was, and does not wait", key)
			}
		}
		b.watch = func(c Command, _ Meta, _ Decision, err error) {
			g, ok := c.(Grant)
			if !ok || err != nil {
				return
			}
			for _, r := range b.drivers[g.Device.ID].runs {
				if u := b.floor.unrecordedRun(g.Device.ID, r.grant.GetRun()); u != nil && !ended(u.State) && u.State != pendingState {
					t.Fatalf("%s is given %s while it is at %s", g.Device.ID, g.Step.ID(), u.Run)
				}
			}
		}
		for _, a := range actsOf(withoutAPerson, 80).Draw(t, "acts without a person") {
			b.play(a)
		}
		for _, j := range b.floor.Jobs {
			for _, s := range j.Steps {
				key := j.ID + "/" + s.ID()
				for _, r := range s.Runs {
					if r.Fence > beyond && (waits[key] || !nothingDone && !s.Drying()) {
						t.Fatalf("%s was granted again as %s without anybody's word", key, r.ID)
					}
				}
				if was, idle := counted[key]; idle && s.Good != was && (waits[key] || !nothingDone && !s.Drying()) {
					t.Fatalf("%s counted %d pieces and counts %d without anybody's word", key, was, s.Good)
				}
			}
		}
		b.watch = nil
		for _, d := range b.floor.Devices {
			for _, r := range b.drivers[d.ID].runs {
				key := r.grant.GetJob() + "/" + r.grant.GetStep()
				again := !r.start.IsZero() && !r.start.Before(w.now) && !inHand[d.ID+" "+r.grant.GetRun()]
				if again && !d.Manual() && (waits[key] || !nothingDone) {
					t.Fatalf("%s began on %s as %s, which it did not have in hand, without anybody's word", key, d.ID, r.grant.GetRun())
				}
			}
		}
		keepsItsRules(t, b.floor)

		for i, a := range anyActs(60).Draw(t, "acts with people") {
			if i%2 == 0 {
				b.review(a)
			} else {
				b.play(a)
			}
			keepsItsRules(t, b.floor)
		}
		// The records, from the backup on, give the same floor again, and so does a snapshot of it.
		again := restoredFrom(t, backup)
		for _, rec := range b.records {
			again.ApplyRecord(proto.CloneOf(rec))
		}
		want := marshal(t, b.floor.Snapshot())
		if got := marshal(t, again.Snapshot()); !bytes.Equal(got, want) {
			t.Fatalf("the records give another floor:\n%v\nwant\n%v", again.Snapshot(), b.floor.Snapshot())
		}
		if got := marshal(t, restoredFrom(t, want).Snapshot()); !bytes.Equal(got, want) {
			t.Fatal("the snapshot of the restored floor gives another floor")
		}
		if got := marshal(t, b.floor.Clone().Snapshot()); !bytes.Equal(got, want) {
			t.Fatal("a clone of the restored floor is another floor")
		}
	})
}

func restoredFrom(t *rapid.T, snapshot []byte) *Floor {
	snap := &ledgerv1.Snapshot{}
	if err := proto.Unmarshal(snapshot, snap); err != nil {
		t.Fatal(err)
	}
	f, err := Restore(snap)
	if err != nil {
		t.Fatal(err)
	}
	return f
}

func keepsItsRules(t *rapid.T, f *Floor) {
	if err := f.Check(); err != nil {
		t.Fatal(err)
	}
}

// tell is a driver's status; named: it says of which step each run is, as the drivers of this module do.
func tell(d *fakeDriver, named bool) *driverv1.Status {
	st := d.status()
	for _, rs := range st.GetRuns() {
		if r := d.find(rs.GetRun(), rs.GetFence()); r != nil && named {
			rs.Job, rs.Step = r.grant.GetJob(), r.grant.GetStep()
		}
	}
	return st
}

// countsOf returns the good pieces of the steps that nobody is at, by job and step.
func countsOf(f *Floor) map[string]int32 {
	out := map[string]int32{}
	for _, j := range f.Jobs {
		for _, s := range j.Steps {
			if s.Live == nil && s.Carrier == nil {
				out[j.ID+"/"+s.ID()] = s.Good
			}
		}
	}
	return out
}

// review lets a person say what was done, right or wrong.
func (w *world) review(a act) {
	m := Meta{Actor: "mira"}
	if u := w.floor.Unrecorded(); len(u) > 0 && a.A%4 == 0 {
		w.do(m, NoteUnrecorded{Run: u[a.B%len(u)].Run})
		return
	}
	s := w.step(a.A, func(s *Step) bool { return s.Review })
	if s == nil {
		return
	}
	c := ReviewStep{Job: s.Job.ID, Step: s.ID(), Outcome: ReviewOutcome(a.B % 5), Good: int32(a.C % 9), Device: w.device(a.D).ID}
	if a.C%3 == 0 {
		c.Device = ""
	}
	if a.D%5 == 0 {
		c.Step = ""
	}
	w.do(m, c)
}

// Whoever restores a backup, works on, and restores it again has a floor that knows nothing of what was granted in between: it gives no
// fence and no term of that a second time, or drivers would take neither its grants nor its word.
func TestRestoredTwice(t *testing.T) {
	made := monday(6, 0)
	first := newStory(t)
	restore := func(s *story, at time.Duration) {
		s.do(RestoreLedger{Made: made, Restored: made.Add(at), NothingDone: true})
	}
	restore(first, time.Hour)
	first.do(Greet{Device: "printer-1", Status: report(99)})
	first.do(CreateJob{Job: memberJob("a", 5)})
	first.begin(first.at("a", "print"), "printer-1")
	restore(first, time.Hour+time.Minute) // a backup of the restored ledger, in its turn
	first.do(BeginTerm{})
	again := newStory(t)
	restore(again, time.Hour+5*time.Minute)
	if again.floor.Term <= first.floor.Term || again.floor.LastFence() <= first.floor.LastFence() {
		t.Errorf("restored again in term %d with fences above %d, and was in term %d with %d before",
			again.floor.Term, again.floor.LastFence(), first.floor.Term, first.floor.LastFence())
	}
	before := again.floor.LastFence()
	restore(again, -time.Hour) // the clock is wrong
	if again.floor.LastFence() != before+FenceStep {
		t.Errorf("fences go on after %d by a clock that is behind %d", again.floor.LastFence(), before)
	}
}

// What dried when the backup was made is given to a rack anew: the driver of the one that had it may have been told since that it is over,
// and would take the same run no more. It dries no longer for that.
func TestRestoredWhileDrying(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: memberJob("a", 5)})
	s.through("a", "print")
	dry := s.at("a", "dry")
	old, until := s.begin(dry, "rack"), dry.DryUntil()
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	if dry.Live != nil || !dry.Grantable() || !dry.DryUntil().Equal(until) {
		t.Fatalf("%s is live as %v, grantable: %v, dry at %v, was at %v", dry.ID(), dry.Live, dry.Grantable(), dry.DryUntil(), until)
	}
	s.do(Greet{Device: "rack", Status: report(s.floor.byDevice["rack"].Epoch, runIs(old, stRuns, 0))})
	for _, o := range s.floor.Orders(s.floor.byDevice["rack"], report(1, runIs(old, stRuns, 0)), s.now) {
		if o.GetSettle().GetRun() != old.ID {
			t.Errorf("the rack that has it still is told %v", o)
		}
	}
	if r := s.begin(dry, "rack"); r.Fence <= FenceStep {
		t.Errorf("granted again with fence %d", r.Fence)
	}
}

// What dried is taken out of the rack's hands also if none of it is good any more: then it is made again or canceled, and the rack is free.
func TestRestoredWhileSpoiledPiecesDry(t *testing.T) {
	s := newStory(t)
	s.do(CreateJob{Job: memberJob("a", 5)})
	s.through("a", "print")
	dry := s.at("a", "dry")
	s.begin(dry, "rack")
	s.do(SpoilPieces{Job: "a", Panel: "p1", Pieces: 5})
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	if dry.Live != nil || len(s.floor.byDevice["rack"].Live) != 0 {
		t.Errorf("%s is live as %v", dry.ID(), dry.Live)
	}
}

// A run that had not begun when the backup was made, and waits on its device still, may have been given up since and its work done elsewhere:
// nobody starts it, it is taken back, and the step waits for a person's word; unless somebody has said that nothing was done.
func TestRestoredWhileARunWaits(t *testing.T) {
	for _, nothing := range []bool{false, true} {
		s := newStory(t)
		s.do(CreateJob{Job: memberJob("a", 5)})
		st, printer := s.at("a", "print"), s.floor.byDevice["printer-1"]
		s.do(Grant{Step: st, Device: printer})
		r := st.Live
		s.do(RestoreLedger{Made: s.now, Restored: s.now, NothingDone: nothing})
		s.do(Greet{Device: "printer-1", Status: report(printer.Epoch, runIs(r, tandemv1.JobState_JOB_STATE_PENDING, 0, ReasonAwaitingStart))})
		if r.Stopping == nothing {
			t.Fatalf("nothing was done: %v; it is taken back: %v", nothing, r.Stopping)
		}
		if nothing {
			continue
		}
		s.do(Report{Device: "printer-1", Status: report(printer.Epoch, runIs(r, tandemv1.JobState_JOB_STATE_CANCELED, 0))})
		if st.Live != nil || !st.waitsForReview() {
			t.Errorf("%s is live as %v, waits for a review: %v", st.ID(), st.Live, st.waitsForReview())
		}
	}
}

// Work that names no job may have been of any that is handed in before somebody has taken note of it.
func TestHandedInAfterUnnamedWork(t *testing.T) {
	s := newStory(t)
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	s.do(Greet{Device: "laminator", Status: report(9, &driverv1.RunStatus{Run: "run-7", Fence: 7, State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 5})})
	s.do(CreateJob{Job: memberJob("a", 5)})
	s.do(NoteUnrecorded{Run: "run-7"})
	s.do(CreateJob{Job: memberJob("b", 5)})
	for step, want := range map[string]bool{"print": true, "laminate": true, "cut": false, "pack": false} {
		if s.at("a", step).Review != want || s.at("b", step).Review {
			t.Errorf("%s waits for a review: %v in the job handed in before, %v in the one after", step, s.at("a", step).Review, s.at("b", step).Review)
		}
	}
}

// A job that was handed in after the backup, and begun, is handed in again: what its device tells of waits for a person's word, and what
// had to be done before that.
func TestHandedInAgain(t *testing.T) {
	s := newStory(t)
	s.do(RestoreLedger{Made: s.now, Restored: s.now})
	laminates := &driverv1.RunStatus{Run: "run-7", Fence: 7, State: tandemv1.JobState_JOB_STATE_PROCESSING, PiecesGood: 2, Job: "a", Step: "laminate"}
	s.do(Greet{Device: "laminator", Status: report(9, laminates)})
	s.do(Greet{Device: "printer-1", Status: report(9)})
	s.do(CreateJob{Job: memberJob("a", 5)})
	s.do(CreateJob{Job: memberJob("b", 5)})
	for step, want := range map[string]bool{"print": true, "laminate": true, "cut": false, "pack": false} {
		if s.at("a", step).Review != want || s.at("b", step).Review {
			t.Errorf("%s waits for a review: %v in the job that was begun, %v in another", step, s.at("a", step).Review, s.at("b", step).Review)
		}
	}
	s.refused("mira", "UNRECORDED_WORK", Grant{Step: s.at("a", "print"), Device: s.floor.byDevice["printer-1"]})
	s.do(ReviewStep{Job: "a", Step: "print", Outcome: ReviewDone, Device: "printer-1"})
	if s.at("a", "print").Ended != tandemv1.JobState_JOB_STATE_COMPLETED {
		t.Errorf("print is %v once somebody has said that it was done", s.at("a", "print").Ended)
	}
}

// Work that a device was at, and does not know of any more, is over when a person says so: it keeps the device no longer. A device that has
// not started anew may have been told that it is over before another backup was restored.
func TestUnrecordedWorkThatIsForgotten(t *testing.T) {
	stopped := []*driverv1.RunStatus{{Run: "run-7", Fence: 7, State: tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED}}
	over := []*driverv1.RunStatus{{Run: "run-7", Fence: 7, State: tandemv1.JobState_JOB_STATE_CANCELED}}
	for name, c := range map[string]struct {
		again bool // another backup is restored
		epoch uint64
		told  []*driverv1.RunStatus
		late  bool // a hello from before comes after that
	}{"started anew": {epoch: 10}, "stopped": {epoch: 10, told: stopped}, "restored again": {again: true, epoch: 9}, "late hello": {epoch: 9, told: over, late: true}} {
		s := newStory(t)
		s.do(RestoreLedger{Made: s.now, Restored: s.now})
		s.do(Greet{Device: "printer-1", Status: report(9, &driverv1.RunStatus{Run: "run-7", Fence: 7, State: tandemv1.JobState_JOB_STATE_PROCESSING})})
		s.refused("mira", "STILL_AT_WORK", NoteUnrecorded{Run: "run-7"})
		if c.again {
			s.do(RestoreLedger{Made: s.now, Restored: s.now})
			s.refused("mira", "STILL_AT_WORK", NoteUnrecorded{Run: "run-7"}) // it has not been heard since
		}
		s.do(Greet{Device: "printer-1", Status: report(c.epoch, c.told...)})
		if c.late {
			s.do(Greet{Device: "printer-1", Status: report(9, &driverv1.RunStatus{Run: "run-7", Fence: 7, State: tandemv1.JobState_JOB_STATE_PROCESSING})})
		}
		s.do(NoteUnrecorded{Run: "run-7"})
		if ok, why := s.floor.byDevice["printer-1"].Available(); !ok {
			t.Errorf("%s: printer-1 %s", name, why)
		}
	}
}

// Fences that lie side by side are one gap, and what is remembered of gaps and of unrecorded work is bounded.
func TestReviewIsBounded(t *testing.T) {
	s := newStory(t)
	device := s.floor.Devices[0].ID
	s.do(RestoreLedger{Made: s.now, Restored: s.now, NothingDone: true})
	first := s.floor.LastFence()
	if len(s.floor.gaps) != 1 || s.floor.gaps[0] != (fenceGap{0, first}) {
		t.Errorf("gaps are %v", s.floor.gaps)
	}
	s.do(RestoreLedger{Made: s.now, Restored: s.now.Add(time.Hour), NothingDone: true})
	if second := s.floor.LastFence(); len(s.floor.gaps) != 1 || s.floor.gaps[0] != (fenceGap{0, second}) || second < first+FenceStep {
		t.Errorf("gaps are %v, want one", s.floor.gaps)
	}
	for n := range 3 * mostUnrecorded {
		fence := s.floor.LastFence() + 1
		s.do(Greet{Device: device, Status: report(uint64(2+n), &driverv1.RunStatus{Run: runID(fence), Fence: fence, State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: 1})})
	}
	if n := len(s.floor.unrecorded); n != mostUnrecorded {
		t.Errorf("%d pieces of unrecorded work are kept, want %d", n, mostUnrecorded)
	}
	for _, u := range s.floor.Unrecorded()[:10] {
		s.do(NoteUnrecorded{Run: u.Run})
	}
	fence := s.floor.LastFence() + 1
	s.do(Greet{Device: device, Status: report(9999, &driverv1.RunStatus{Run: runID(fence), Fence: fence, State: tandemv1.JobState_JOB_STATE_COMPLETED})})
	if n := len(s.floor.unrecorded); n != mostUnrecorded || s.floor.unrecorded[n-1].Fence != fence {
		t.Errorf("%d are kept, and the newest is not among them", n)
	}
	// Beyond any step nobody can have granted, and a fence counter that is driven there would be of no use any more.
	before := s.floor.LastFence()
	s.do(Greet{Device: device, Status: report(10000, &driverv1.RunStatus{Run: "far", Fence: before + FenceStep + 1, State: tandemv1.JobState_JOB_STATE_COMPLETED})})
	s.do(Greet{Device: device, Status: report(10001, &driverv1.RunStatus{Run: "last", Fence: 1<<64 - 1, State: tandemv1.JobState_JOB_STATE_COMPLETED})})
	if s.floor.LastFence() != before {
		t.Errorf("a device drove the fences from %d to %d", before, s.floor.LastFence())
	}
}

func runID(fence uint64) string { return fmt.Sprintf("run-%d", fence) }

const pendingState = tandemv1.JobState_JOB_STATE_PENDING

// mustWait notes a step, and all before it, that are open here: one of them was done without a record.
func mustWait(must map[string]bool, j *Job, id string) {
	s, ok := j.Step(id)
	if !ok {
		return
	}
	if s.Open() && !s.Drying() {
		must[j.ID+"/"+id] = true
	}
	for _, b := range s.Before {
		mustWait(must, j, b.ID())
	}
}
