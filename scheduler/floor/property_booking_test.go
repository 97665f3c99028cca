package floor

import (
	"fmt"
	"testing"

	"google.golang.org/protobuf/proto"
	"pgregory.net/rapid"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// playWithdraw takes a booking back, right after it was made or whatever else may have happened since.
func (w *world) playWithdraw(a act, m Meta, s *Step) {
	p := s.Panels[a.B%len(s.Panels)]
	n := int32(1 + a.C%2)
	if a.Kind == "spoil and withdraw" {
		w.do(Meta{Actor: m.Actor}, SpoilPieces{Job: s.Job.ID, Panel: p.ID, Step: []string{"", s.ID()}[a.C%2], Pieces: n})
	}
	c := WithdrawSpoiled{Job: s.Job.ID, Panel: p.ID, Pieces: n, Booked: w.floor.Revision}
	if b, ok := s.Job.LastBooking(); ok && a.B%4 > 0 {
		c = WithdrawSpoiled{Job: s.Job.ID, Panel: b.Panel, Pieces: b.Pieces, Booked: b.Revision}
	}
	w.do(m, c)
}

// withdrawn: only what was booked is given back, and once.
func (s *shadow) withdrawn(e *ledgerv1.SpoilWithdrawn) {
	s.spoiled[e.GetJob()] -= e.GetPieces()
	booked := fmt.Sprint(e.GetBookedRevision(), e.GetJob(), e.GetPanel())
	if s.withdrew[booked] {
		s.t.Fatalf("given back twice: %v", e)
	}
	s.withdrew[booked] = true
}

// halfDone are acts after which machines have begun with much and ended little.
var halfDone = []string{
	"submit", "grant", "grant", "start", "start", "orders", "orders", "work", "report", "report", "report", "finish", "reboot", "lose", "resolve", "resolve",
	"time", "spoil", "remake", "move", "hold",
}

// Whatever has happened before, a booking that is taken back at once leaves the job as if it had never been: the books of the
// floor are the same but for the revisions and the answers kept.
func TestABookingTakenBackLeavesNothing(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		w := newWorld(anyFloor(t))
		w.open()
		for _, a := range actsOf(halfDone, 80).Draw(t, "acts") {
			w.play(a)
		}
		taken := 0
		for _, j := range w.floor.Jobs {
			for _, p := range j.Panels {
				for _, step := range append([]*Step{nil}, j.Steps...) {
					id := ""
					if step != nil {
						id = step.ID()
					}
					if half := step != nil && step.Open() && step.Good > 0; !half && (taken >= 2 || step != nil && step.Start.IsZero()) {
						continue
					}
					before := w.floor.Clone()
					before.CommitTime = w.now
					w.do(Meta{Actor: "mira"}, SpoilPieces{Job: j.ID, Panel: p.ID, Step: id, Pieces: 1})
					b, ok := j.LastBooking()
					if !ok || b.Revision == before.Revision || b.Revision != w.floor.Revision {
						continue // refused, or it ended a step
					}
					w.do(Meta{Actor: "mira"}, WithdrawSpoiled{Job: j.ID, Panel: p.ID, Pieces: 1, Booked: b.Revision})
					if _, still := j.LastBooking(); still {
						t.Fatalf("a booking of %s can be taken back twice", j.ID)
					}
					taken++
					want, got := before.Snapshot(), w.floor.Snapshot()
					for _, snap := range []*ledgerv1.Snapshot{want, got} {
						snap.Revision, snap.CommitTime = 0, nil
						for _, js := range snap.GetJobs() {
							js.Booking = nil
							js.Job.Revision = 0
						}
					}
					if !proto.Equal(want, got) {
						t.Fatalf("booked and taken back on panel %s of %s by %q: not as before:\n%v\nbefore:\n%v", p.ID, j.ID, id, got.GetJobs(), want.GetJobs())
					}
				}
			}
		}
	})
}
