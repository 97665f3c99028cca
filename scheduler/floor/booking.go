package floor

import (
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// booking is what has to be known to take a booking of spoiled pieces back. It is never changed.
type booking struct {
	panel, step string
	pieces      int32
	taken       int32 // of the pieces that the step had counted as done
	revision    uint64
}

// Booking is a booking of spoiled pieces that can still be taken back.
type Booking struct {
	Panel    string
	Pieces   int32
	Revision uint64 // of the record that holds it
}

// LastBooking returns the spoiled pieces that a person has booked last, as long as nothing of the job has changed since and
// the booking itself ended no step: until then everything can be put back as it was.
func (j *Job) LastBooking() (Booking, bool) {
	if j.booking == nil {
		return Booking{}, false
	}
	return Booking{Panel: j.booking.panel, Pieces: j.booking.pieces, Revision: j.booking.revision}, true
}

// changed notes that a job, or what it does, is no longer what it was.
func (j *Job) changed(revision uint64) { j.Revision, j.booking = revision, nil }

// WithdrawSpoiled takes a booking of spoiled pieces back: they are good. It must be the last thing that happened to the job.
type WithdrawSpoiled struct {
	Job, Panel string
	Pieces     int32
	Booked     uint64 // revision of the booking
	Note       string
}

func (c WithdrawSpoiled) decide(f *Floor, _ time.Time, m Meta) (Decision, error) {
	j, err := f.needOpenJob(c.Job)
	if err != nil {
		return Decision{}, err
	}
	if err := needActor(m); err != nil {
		return Decision{}, err
	}
	p, ok := j.Panel(c.Panel)
	if !ok {
		return Decision{}, Missing("panel", c.Panel)
	}
	b := j.booking
	if b == nil || b.panel != c.Panel || b.pieces != c.Pieces || b.revision != c.Booked {
		return Decision{}, conflict("CHANGED_SINCE", "%d spoiled pieces of panel %s of %s cannot be given back: the job has changed since they were booked, or there is no such booking; have them made again instead", c.Pieces, p.ID, j.ID)
	}
	return Decision{Subject: j.subject(), Events: []*ledgerv1.Event{{Kind: &ledgerv1.Event_SpoilWithdrawn{SpoilWithdrawn: &ledgerv1.SpoilWithdrawn{
		Job: j.ID, Panel: p.ID, Step: b.step, Pieces: b.pieces, StepGood: b.taken, BookedRevision: b.revision, Note: c.Note,
	}}}}}, nil
}

func (f *Floor) applySpoilWithdrawn(e *ledgerv1.SpoilWithdrawn) {
	p := f.mustPanel(e.GetJob(), e.GetPanel())
	p.Good += e.GetPieces()
	p.Spoiled -= e.GetPieces()
	if e.GetStep() != "" {
		s := f.mustStep(e.GetJob(), e.GetStep())
		s.Spoiled -= e.GetPieces()
		s.Good += e.GetStepGood()
	}
	f.touchJob(p.Job)
}

func (b *booking) snapshot() *ledgerv1.Booking {
	if b == nil {
		return nil
	}
	return &ledgerv1.Booking{Panel: b.panel, Step: b.step, Pieces: b.pieces, StepGood: b.taken, Revision: b.revision}
}

func restoreBooking(v *ledgerv1.Booking) *booking {
	if v == nil {
		return nil
	}
	return &booking{panel: v.GetPanel(), step: v.GetStep(), pieces: v.GetPieces(), taken: v.GetStepGood(), revision: v.GetRevision()}
}
