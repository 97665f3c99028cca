package floor

import (
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// However a day went, people and drivers who do what the floor asks of them bring every job to its end: nothing is stuck
// for good.
func TestAnyDayCanBeBroughtToItsEnd(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(anyFloor(t))
		w.open()
		for _, a := range anyActs(100).Draw(t, "acts") {
			w.play(a)
		}
		const rounds = 500
		for range rounds {
			if w.allEnded() {
				return
			}
			w.helpOn()
			if err := w.floor.Check(); err != nil {
				t.Fatal(err)
			}
		}
		for _, j := range w.floor.Jobs {
			if j.open > 0 {
				t.Errorf("%v", j.View(w.now))
				for _, s := range j.Steps {
					t.Error(s.Explain(w.now, w.floor.Devices).GetSummary())
				}
			}
		}
		for _, d := range w.floor.Devices {
			t.Errorf("%v", d.View(w.now))
		}
		t.Fatalf("jobs are open after %d rounds of help", rounds)
	})
}

func (w *world) allEnded() bool {
	for _, j := range w.floor.Jobs {
		if j.open > 0 {
			return false
		}
	}
	return true
}

// helpOn is ten minutes of a good day: everybody is there, tells the truth and does what is called for.
func (w *world) helpOn() {
	mira := Meta{Actor: "mira"}
	w.now = w.now.Add(10 * time.Minute)
	w.do(mira, Configure{File: proto.CloneOf(w.file)})
	for _, d := range append([]*Device(nil), w.floor.Devices...) {
		w.do(mira, UnlockDevice{Device: d.ID})
		w.do(mira, ResumeDevice{Device: d.ID})
		driver := w.drivers[d.ID]
		for driver.epoch < d.Epoch { // somebody has spoken in its name
			driver.reboot(false)
		}
		w.hear(d, driver.status())
	}
	for _, j := range w.floor.Jobs {
		if j.Held && j.open > 0 {
			w.do(mira, ReleaseJob{Job: j.ID})
		}
		for _, s := range append([]*Step(nil), j.Steps...) {
			w.helpStep(mira, s)
		}
	}
	for _, d := range append([]*Device(nil), w.floor.Devices...) {
		driver := w.drivers[d.ID]
		for _, o := range w.floor.Orders(d, driver.last, w.now) {
			if s := o.GetStop(); !driver.take(o, w.now) && s != nil {
				w.do(Meta{}, StopRefused{Run: s.GetRun()})
			}
		}
		driver.work(w.now, 7)
		w.hear(d, driver.status())
	}
}

func (w *world) helpStep(m Meta, s *Step) {
	const (
		pending = tandemv1.JobState_JOB_STATE_PENDING
		stopped = tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
	)
	switch r := s.Live; {
	case !s.Open() || s.Waiting > 0:
	case r != nil && r.State == pending && r.NeedsLoad():
		w.do(m, LoadMedia{Device: r.Device.ID, Media: s.Supply()})
		w.do(m, StartRun{Run: r.ID})
	case r != nil && r.State == pending:
		w.do(m, StartRun{Run: r.ID})
	case r != nil && r.Device.Manual() && r.State != stopped:
		w.do(m, FinishRun{Run: r.ID})
	case r != nil:
		if r.Device.Retired || w.drivers[r.Device.ID].find(r.ID, r.Fence) == nil {
			w.do(m, ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
		}
	case s.Blocked != "":
		w.do(m, ResolveRun{Run: s.Runs[len(s.Runs)-1].ID, Outcome: ledgerv1.RunResolved_OUTCOME_AGAIN})
	case s.Left() == 0:
		w.makeAgain(m, s)
	default:
		for _, d := range s.Class.Fits {
			if s.Grantable() {
				w.do(Meta{Actor: "dispatch"}, Grant{Step: s, Device: d, Expected: d.Estimate(s, w.now)})
			}
		}
	}
}

// makeAgain does what a step without good pieces asks for: they are made again where they were made, or the job is given up.
func (w *world) makeAgain(m Meta, s *Step) {
	for _, p := range s.Panels {
		for _, t := range s.Job.Steps {
			if n := p.Spoiled - p.remade(); n > 0 && t.begun() {
				w.do(m, RemakePieces{Job: s.Job.ID, Step: t.ID(), Panel: p.ID, Pieces: n, AlreadySpoiled: true})
			}
		}
	}
	if s.Open() && s.Left() == 0 {
		w.do(m, CancelJob{Job: s.Job.ID})
	}
}
