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
	if s.jobs[o.job] != nil {
		s.await(o.step)
		return
	}
	for _, step := range o.works { // it was a gang run, perhaps: its members may be there
		s.await(step)
	}
}

// handedInAgain takes a job that the ledger has lost, and that is handed in again. What devices have told of it waits for a person; what they
// no longer know of, only who hands it in can know.
func (s *rules) handedInAgain(b *books, job string) {
	for _, o := range b.lost {
		for _, step := range o.works {
			if st := s.steps[step]; st == nil || st.job != job || o.settled[step] {
				continue
			}
			if b.listed[o.run] {
				s.await(step)
			} else {
				o.settled[step] = true
			}
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
		if st.carrier != nil && !s.jobs[st.carrier.job].canceled {
			visit(st.carrier)
		}
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
	if o := b.lostRuns[e.GetRun()]; o != nil {
		o.settle(o.works)
	}
	if e.GetJob() == "" {
		return
	}
	for _, st := range s.jobs[e.GetJob()].steps {
		if e.GetStep() == "" || st.key == e.GetJob()+"/"+e.GetStep() {
			s.looked(b, st.key)
		}
	}
}

// looked notes that a person has said what there is of a step: of a gang run's, of all whose work it does.
func (s *rules) looked(b *books, step string) {
	st := s.steps[step]
	st.review = false
	for _, o := range b.lost {
		if o.step == step {
			o.settle(o.works)
		}
		o.settle(st.works())
	}
}

// settle notes of which steps a person has said what became of them.
func (r *entry) settle(steps []string) {
	for _, step := range steps {
		r.settled[step] = true
	}
}

// works are the steps whose work a step does: its own, and of a gang run its members'.
func (st *stepRules) works() []string {
	out := []string{st.key}
	for _, m := range st.carries {
		out = append(out, m.key)
	}
	return out
}

// knowsOfAll says that the ledger lists what a driver tells of and was given before the ledger was set back.
func (s *rules) knowsOfAll(b *books, device string, st *driverv1.Status) {
	for _, r := range st.GetRuns() {
		if o := b.lostRuns[r.GetRun()]; o != nil && o.device == device && o.fence == r.GetFence() && !b.listed[o.run] {
			s.w.fail("the driver of %s tells of %s, which the ledger has lost, and it is not listed", device, o.run)
		}
	}
}
