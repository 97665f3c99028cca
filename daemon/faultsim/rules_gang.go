package faultsim

import (
	"slices"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// What people go by who put the pieces of several jobs on one panel: it goes its way as a whole, and everybody's rules hold for it; what
// it has done for a job, that job does not do again; and a piece is on one panel at a time.

func (s *rules) created(j *tandemv1.Job) {
	r := &jobRules{held: j.GetHold(), release: j.GetReleaseTime().AsTime(), pieces: j.GetPieces(), first: map[string]bool{}}
	for i, p := range j.GetPanels() {
		if i == 0 {
			r.pieces = 0
		}
		r.first[p.GetId()] = true
		r.pieces += p.GetPieces()
	}
	s.jobs[j.GetId()] = r
	s.add(j.GetId(), j.GetSteps())
}

// ganged takes a gang run. Its steps wait and dry as long as those must whose work they do.
func (s *rules) ganged(b *books, e *ledgerv1.JobsGanged) {
	g := s.jobs[e.GetJob()]
	g.pieces = 0
	for _, c := range e.GetCarries() {
		st, m := s.steps[e.GetJob()+"/"+c.GetStep()], s.steps[c.GetMember()+"/"+c.GetMemberStep()]
		member := s.jobs[m.job]
		if m.carrier != nil && !s.givenBack(b, m) {
			s.w.fail("%s is to be done by %s and by %s", m.key, m.carrier.key, st.key)
		}
		if began := s.began(b, m); began != "" || m.live > 0 {
			s.w.fail("%s is to be done by %s, and has a run of its own; begun: %s", m.key, st.key, began)
		}
		if m.media != "" && m.media != st.media {
			s.w.fail("%s, which needs %s, is to be done by %s with %q", m.key, m.media, st.key, st.media)
		}
		st.wait, st.dries = max(st.wait, m.wait), max(st.dries, m.dries)
		m.carrier, st.carries = st, append(st.carries, m)
		if !slices.Contains(g.members, m.job) {
			g.members = append(g.members, m.job)
			g.pieces += member.pieces
			member.gang = e.GetJob()
		}
	}
}

// dissolved gives the members their steps back.
func (s *rules) dissolved(gang string) {
	for _, st := range s.jobs[gang].steps {
		for _, m := range st.carries {
			m.carrier = nil
		}
		st.carries = nil
	}
}

// spoils takes pieces of a panel of a job for spoiled, and with it those of the shared panel on which they lie.
func (s *rules) spoils(job, panel string, n int32) {
	j := s.jobs[job]
	j.pieces -= n
	if g := s.jobs[j.gang]; g != nil && j.first[panel] {
		g.pieces -= n
	}
}

// began names a run of a step that a machine has begun.
func (s *rules) began(b *books, st *stepRules) string {
	for _, r := range b.all {
		if r.step == st.key && r.begun {
			return r.run
		}
	}
	return ""
}

// givenBack says whether a step whose work was up to a gang run is its job's own again: that was given up, and had begun nothing of it.
func (s *rules) givenBack(b *books, m *stepRules) bool {
	return s.jobs[m.carrier.job].canceled && m.carrier.live == 0 && s.began(b, m.carrier) == ""
}

// carried says that nobody else does the work of a step that is granted.
func (s *rules) carried(g *tandemv1.Run, st *stepRules) {
	if st.carrier == nil {
		return
	}
	if !s.givenBack(s.w.books, st) {
		s.w.fail("%s was granted for %s, whose work %s does, or did", g.GetId(), st.key, st.carrier.key)
	}
	st.carrier.carries = slices.DeleteFunc(st.carrier.carries, func(m *stepRules) bool { return m == st })
	st.carrier = nil
}

// doer is the step that does, or did, a step's work: its own, or a gang run's.
func (s *rules) doer(st *stepRules) *stepRules {
	if c := st.carrier; c != nil && (c.runs > 0 || !s.jobs[c.job].canceled) {
		return c
	}
	return st
}

// undone says whether a step that comes before another has something to do still. Where the work of that other one is not its gang run's,
// it needs the panel, which a gang run has until all of that has ended.
func (s *rules) undone(st *stepRules, forJob string) bool {
	d := s.doer(st)
	open := func(x *stepRules) bool {
		j := s.jobs[x.job]
		nothing := j.members != nil && j.pieces <= 0
		return x.live > 0 || x.runs == 0 && !x.waived && !nothing && !j.canceled
	}
	if d == st {
		return d.live > 0 || d.runs == 0 && !d.waived
	}
	return !st.waived && open(d) || d.job != forJob && slices.ContainsFunc(s.jobs[d.job].steps, open)
}

// worksFor says whether a run does work of a job: as its own, or as that of a gang run in which it is.
func (s *rules) worksFor(r *entry, job string) bool {
	return r.job == job || slices.ContainsFunc(s.steps[r.step].carries, func(m *stepRules) bool { return m.job == job })
}

// unwanted says whether a job is a gang run all of whose members have been ended.
func (s *rules) unwanted(job string) bool {
	j := s.jobs[job]
	return j.members != nil && !slices.ContainsFunc(j.members, func(m string) bool { return !s.jobs[m].canceled })
}

// comes returns how many good pieces the machines have made that come to a step; not known where it takes none from a machine, or a person
// has said that it need not wait for what is before.
func (s *rules) comes(st *stepRules) (n int32, known bool) {
	for _, before := range st.after {
		own := s.steps[before]
		b := s.doer(own)
		if own.waived || b.waived {
			return 0, false
		}
		if s.byHand(b.operation) {
			more, ok := s.comes(b)
			if !ok {
				return 0, false
			}
			n += more
			continue
		}
		for _, r := range s.w.books.all {
			if r.step == b.key && r.begun {
				n += r.made - r.spoiled
			}
		}
		for _, o := range s.w.books.lost {
			if o.step == b.key && o.begun {
				n += o.made - o.spoiled
			}
		}
	}
	return n, len(st.after) > 0
}

func (s *rules) byHand(operation string) bool { return operation == "dry" || operation == "pack" }
