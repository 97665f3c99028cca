package faultsim

import (
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// What a shop goes by whose ledger is older than what has been done: nothing that may have been done is done again before a person has said
// what became of it, and what a device tells of is kept for them.

func (s *rules) reviewEvent(b *books, e *ledgerv1.Event) {
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_LedgerRestored:
		s.restored(b, k.LedgerRestored.GetNothingDone())
	case *ledgerv1.Event_WorkUnrecorded:
		s.unrecorded(b, k.WorkUnrecorded)
	case *ledgerv1.Event_WorkReviewed:
		if e.GetActor() == "" {
			s.w.fail("what was done without a record was reviewed by nobody: %v", e)
		}
		s.reviewed(b, k.WorkReviewed)
	}
}

func (s *rules) restored(b *books, nothingDone bool) {
	for _, d := range s.devices {
		d.loaded = nil // something else may have been on it since
	}
	for _, st := range s.steps {
		st.review = st.review || !nothingDone && st.dries == 0
	}
	for _, r := range b.all {
		if !r.ended && !s.devices[r.device].manual {
			s.back = append(s.back, takenBack{r, "the ledger has been set back since", true})
		}
	}
}

// unrecorded takes what a device tells of: a run that it was given before the ledger was set back. That step waits for a person, and all
// that come before it.
func (s *rules) unrecorded(b *books, u *ledgerv1.WorkUnrecorded) {
	o := b.lostRuns[u.GetRun()]
	if o == nil || b.runs[u.GetRun()] != nil || o.device != u.GetDevice() || o.fence != u.GetFence() {
		s.w.fail("%s with fence %d on %s is listed as work that the ledger does not have", u.GetRun(), u.GetFence(), u.GetDevice())
	}
	if b.listed[u.GetRun()] {
		return
	}
	b.listed[u.GetRun()] = true
	s.await(o.step)
}

// handedInAgain takes a job that the ledger has lost, and that is handed in again. What devices have told of it waits for a person; what they
// no longer know of, only who hands it in can know.
func (s *rules) handedInAgain(b *books, job string) {
	for _, o := range b.lost {
		switch {
		case o.job != job || o.reviewed:
		case b.listed[o.run]:
			s.await(o.step)
		default:
			o.reviewed = true
		}
	}
}

// await lets a step, and all that come before it, wait for a person's word. Of a gang run's step and those whose work it does, the one may
// have been done by the other.
func (s *rules) await(step string) {
	seen := map[*stepRules]bool{}
	var visit func(*stepRules)
	visit = func(st *stepRules) {
		if st == nil || seen[st] {
			return
		}
		seen[st] = true
		st.review = st.review || st.dries == 0
		visit(st.carrier)
		for _, m := range st.carries {
			visit(m)
		}
		for _, before := range st.after {
			visit(s.steps[before])
		}
	}
	visit(s.steps[step])
}

func (s *rules) reviewed(b *books, e *ledgerv1.WorkReviewed) {
	s.reviewing = true
	for _, o := range b.lost {
		if o.run == e.GetRun() || e.GetJob() != "" && o.job == e.GetJob() && (e.GetStep() == "" || o.step == e.GetJob()+"/"+e.GetStep()) {
			o.reviewed = true
		}
	}
	if e.GetJob() == "" {
		return
	}
	for _, st := range s.jobs[e.GetJob()].steps {
		if e.GetStep() == "" || st.key == e.GetJob()+"/"+e.GetStep() {
			st.review = false
		}
	}
}

// looked notes that a person has said what there is of a step.
func (s *rules) looked(b *books, step string) {
	s.steps[step].review = false
	for _, o := range b.lost {
		o.reviewed = o.reviewed || o.step == step
	}
}

// knowsOfAll says that the ledger lists what a driver tells of and was given before the ledger was set back.
func (s *rules) knowsOfAll(b *books, device string, st *driverv1.Status) {
	for _, r := range st.GetRuns() {
		if o := b.lostRuns[r.GetRun()]; o != nil && o.device == device && o.fence == r.GetFence() && !b.listed[o.run] {
			s.w.fail("the driver of %s tells of %s, which the ledger has lost, and it is not listed", device, o.run)
		}
	}
}
