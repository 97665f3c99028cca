package floor

import (
	"fmt"
	"slices"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func (f *Floor) applyJobsGanged(e *ledgerv1.JobsGanged) {
	j := f.mustJob(e.GetJob())
	var covered []*Panel
	for _, c := range e.GetCarries() {
		m := f.mustStep(c.GetMember(), c.GetMemberStep())
		f.carry(f.mustStep(j.ID, c.GetStep()), m)
		for _, p := range m.Panels {
			if !slices.Contains(covered, p) {
				covered = append(covered, p)
			}
		}
	}
	shares, problem := layShares(j.Panels, covered)
	if problem != "" {
		panic(fmt.Sprintf("floor: revision %d gangs jobs as %s, but %s", f.Revision, j.ID, problem))
	}
	j.take(shares)
	for _, m := range j.Members {
		f.touchJob(m)
	}
	f.touchJob(j)
}

// carry lets s do the work of m.
func (f *Floor) carry(s, m *Step) {
	m.Carrier = s
	s.carries = append(s.carries, m)
	m.Job.gang = s.Job
	if !slices.Contains(s.Job.Members, m.Job) {
		s.Job.Members = append(s.Job.Members, m.Job)
	}
}

// take gives a gang run its shares.
func (j *Job) take(shares []*share) {
	j.shares = shares
	for _, h := range shares {
		h.own.shares = nil // those of a gang run that was dissolved
	}
	for i, h := range shares {
		h.index = i
		h.panel.shares = append(h.panel.shares, h)
		h.own.shares = append(h.own.shares, h)
	}
	for _, s := range j.Steps {
		s.done, s.given = make([]int32, len(shares)), make([]int32, len(shares))
	}
}

// layShares cuts the contents of shared panels into stretches that belong to one panel of one member. The nth piece of an
// item in the order of the shared panels is the nth piece of that item in the order of the member's. A problem says where
// the two do not match.
func layShares(shared, own []*Panel) (shares []*share, problem string) {
	type key struct{ job, item string }
	type rest struct {
		panel   *Panel
		content int
		left    int32
	}
	waiting := map[key][]rest{}
	var keys []key
	for _, p := range own {
		for i, c := range p.Spec.GetContents() {
			k := key{p.Job.ID, c.GetItem()}
			if waiting[k] == nil {
				keys = append(keys, k)
			}
			waiting[k] = append(waiting[k], rest{p, i, c.GetPieces()})
		}
	}
	for _, p := range shared {
		for i, c := range p.Spec.GetContents() {
			k := key{c.GetJob(), c.GetItem()}
			for n := c.GetPieces(); n > 0; {
				queue := waiting[k]
				if len(queue) == 0 {
					return nil, fmt.Sprintf("panel %s holds more pieces of item %s of %s than that job has", p.ID, k.item, k.job)
				}
				h := &share{panel: p, content: i, own: queue[0].panel, ownContent: queue[0].content, pieces: min(n, queue[0].left)}
				shares = append(shares, h)
				n -= h.pieces
				if queue[0].left -= h.pieces; queue[0].left == 0 {
					waiting[k] = queue[1:]
				}
			}
		}
	}
	for _, k := range keys {
		if len(waiting[k]) > 0 {
			return nil, fmt.Sprintf("the shared panels hold fewer pieces of item %s of %s than that job has", k.item, k.job)
		}
	}
	return shares, ""
}

// giveShares notes what a run of a gang run's step was given: the good pieces that the step has not done.
func (s *Step) giveShares() {
	if !s.Job.IsGang() {
		return
	}
	clear(s.given)
	s.sharesInOrder(func(h *share) bool {
		s.given[h.index] = h.good() - s.done[h.index]
		return true
	})
}

// countShares books what a run of a gang run has done since it was last counted: at the place that it has reached, the good
// pieces first. A device says so at every spoiled piece, so that each is taken off the job to which it belongs. What a device
// counts includes pieces that somebody has booked as spoiled since it was given them; what a person counts does not.
func (f *Floor) countShares(r *Run, good, bad int32, byPerson bool) {
	s := r.Step
	bad = max(bad, r.Spoiled)
	at, fresh := r.Good+r.Spoiled, good-r.Good
	if fresh < 0 {
		s.undo(at, -fresh)
		at, fresh = at+fresh, 0
	}
	newly := bad - r.Spoiled
	s.Spoiled += newly
	if byPerson {
		s.doNext(fresh)
	} else {
		s.passed(at, fresh, func(h *share, n int32) { s.done[h.index] = min(s.done[h.index]+n, h.good()) })
	}
	s.passed(at+fresh, newly, func(h *share, n int32) {
		n = min(n, h.good()) // what a person has booked since is off it already
		h.own.Good -= n
		h.own.Spoiled += n
		if m := s.carriesFor(h.own); m != nil {
			m.Spoiled += n
		}
		h.spoil(n, nil)
		h.own.Job.changed(f.Revision)
	})
	r.Good, r.Spoiled = good, bad
	f.mirrorGang(s.Job)
}

// passed calls fn for the shares of n pieces of the step's last run, from the at-th on.
func (s *Step) passed(at, n int32, fn func(*share, int32)) {
	s.sharesInOrder(func(h *share) bool {
		given := s.given[h.index]
		skip := min(at, given)
		at -= skip
		take := min(given-skip, n)
		if take > 0 {
			fn(h, take)
			n -= take
		}
		return n > 0
	})
}

// doNext books the next n pieces of the step's last run that are good and not done as done.
func (s *Step) doNext(n int32) {
	s.sharesInOrder(func(h *share) bool {
		k := min(n, s.given[h.index], h.good()-s.done[h.index])
		s.done[h.index] += k
		n -= k
		return n > 0
	})
}

// undo takes back n of the pieces that the step's last run had done when at had passed, the last ones first.
func (s *Step) undo(at, n int32) {
	type stretch struct {
		share *share
		n     int32
	}
	var done []stretch
	s.passed(0, at, func(h *share, k int32) { done = append(done, stretch{h, k}) })
	for _, d := range slices.Backward(done) {
		k := min(d.n, s.done[d.share.index], n)
		s.done[d.share.index] -= k
		n -= k
	}
}

// spoil takes n pieces of a share off the shared panel. They are taken to be ones that a step has not done yet, as long as
// there are any; for the step by, if any, the other way round.
func (h *share) spoil(n int32, by *Step) {
	h.spoiled += n
	h.panel.Good -= n
	h.panel.Spoiled += n
	for _, s := range h.panel.Job.Steps {
		if !s.Open() {
			continue
		}
		if s == by {
			s.done[h.index] -= min(s.done[h.index], n)
		}
		s.done[h.index] = min(s.done[h.index], h.good())
	}
}

// spoilShares takes pieces that were booked as spoiled on a member's panel off the shared panel too.
func (f *Floor) spoilShares(p *Panel, step *Step, n int32, at time.Time) {
	if len(p.shares) == 0 || p.shares[0].panel.Job.open == 0 {
		return
	}
	var by *Step
	if step != nil && step.Carrier != nil {
		by = step.Carrier
		by.Spoiled += n
	}
	shares := slices.Clone(p.shares)
	if by == nil {
		slices.Reverse(shares) // as with any job: pieces that are not done yet
	}
	for _, h := range shares {
		k := min(n, h.good())
		h.spoil(k, by)
		n -= k
	}
	g := shares[0].panel.Job
	f.mirrorGang(g)
	f.sweepGang(g, at)
	f.touchJob(g)
}

// sweepGang completes steps of a gang run that have nothing left to do: what is to be made again its members make by
// themselves.
func (f *Floor) sweepGang(g *Job, at time.Time) {
	if g.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		return
	}
	for _, s := range g.inOrder() {
		switch {
		case !s.Open() || s.Live != nil || s.Blocked != "" || s.Waiting > 0 || s.Left() > 0:
		case s.emptied():
			f.endStep(s, tandemv1.JobState_JOB_STATE_COMPLETED, at)
		default:
			f.settle(s, at)
		}
	}
}

// mirrorGang brings the counts of a gang run's open steps, and of the steps whose work they do, up to date.
func (f *Floor) mirrorGang(g *Job) {
	for _, s := range g.Steps {
		if !s.Open() {
			continue
		}
		s.Good = 0
		s.sharesInOrder(func(h *share) bool {
			s.Good += s.done[h.index]
			return true
		})
		for _, m := range s.carries {
			if m.Open() {
				m.Good = s.doneFor(m)
			}
		}
	}
}

// beginCarried notes at members' steps that their work has begun.
func (s *Step) beginCarried(at time.Time) {
	for _, m := range s.carries {
		if m.Open() && m.Start.IsZero() {
			m.Start = at
		}
	}
}

// moved notes where a panel lies. Members' pieces lie where the shared panel does.
func (p *Panel) moved(place, slot string, at time.Time) {
	p.Place, p.Slot, p.PlaceTime = place, slot, at
	if p.Job.IsGang() {
		for _, h := range p.shares {
			h.own.Place, h.own.Slot, h.own.PlaceTime = place, slot, at
		}
	}
}

// endCarried completes the steps whose work a gang run's step has done, and settles what becomes of the members once all of
// the gang run has ended.
func (f *Floor) endCarried(s *Step, at time.Time) {
	if !s.Job.IsGang() {
		return
	}
	if s.Ended == tandemv1.JobState_JOB_STATE_COMPLETED {
		for _, m := range s.carries {
			if !m.Open() {
				continue
			}
			if m.WaitWaived = s.WaitWaived; m.allRemade() || !m.emptied() {
				f.completeCarried(m, at)
			} else {
				m.Good = 0 // all are spoiled: a person decides
			}
		}
		f.sweepGang(s.Job, at)
	}
	if s.Job.open > 0 {
		return
	}
	if s.Job.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		f.endGang(s.Job, at)
	}
	for _, m := range s.Job.Members { // what waited for the panels may go on
		f.touchJob(m)
	}
}

func (f *Floor) completeCarried(m *Step, at time.Time) {
	m.Good = 0
	for _, p := range m.Panels {
		m.Good += p.Good
	}
	if m.Start.IsZero() {
		m.Start = m.Carrier.Start
	}
	f.endStep(m, tandemv1.JobState_JOB_STATE_COMPLETED, at)
}

// endGang settles what becomes of the members of a gang run that was given up or canceled. If nothing of it was made, their
// steps are theirs again. Otherwise pieces that are not finished are spoiled: a member all of whose pieces are finished goes
// on, the others wait until a person has them made again.
func (f *Floor) endGang(g *Job, at time.Time) {
	if !g.gangBegun() {
		f.dissolve(g)
		return
	}
	short := map[*Job]bool{}
	for _, h := range g.shares {
		n := h.good() - h.finished()
		if n <= 0 {
			continue
		}
		short[h.own.Job] = true
		h.spoiled += n
		h.panel.Good -= n
		h.panel.Spoiled += n
		h.own.Good -= n
		h.own.Spoiled += n
		for _, s := range h.own.Job.inOrder() { // the step at which they were lost
			if s.Open() && s.Carrier != nil && s.Carrier.Job == g && slices.Contains(s.Panels, h.own) {
				s.Spoiled += n
				break
			}
		}
	}
	for _, member := range g.Members {
		for _, m := range member.inOrder() {
			if m.Open() && m.Carrier != nil && m.Carrier.Job == g {
				f.endShare(m, short[member], at)
			}
		}
		member.changed(f.Revision)
	}
}

// endShare decides what a member's open step is once its gang run has ended without it.
func (f *Floor) endShare(m *Step, short bool, at time.Time) {
	m.Good = 0
	for _, p := range m.Panels {
		for _, h := range p.shares {
			m.Good += min(m.Carrier.done[h.index], h.good())
		}
	}
	switch {
	case m.Left() == 0 && (m.allRemade() || (!short && m.Good > 0)):
		f.completeCarried(m, at)
	case !m.begun():
		m.letGo() // it waits for what a person has made again
	}
	f.touchStep(m)
}

// finished returns the good pieces of a share on which the gang run has done everything that it was to do for them.
func (h *share) finished() int32 {
	n := h.good()
	for _, s := range h.panel.Job.Steps {
		if s.Ended != tandemv1.JobState_JOB_STATE_COMPLETED && s.carriesFor(h.own) != nil {
			n = min(n, s.done[h.index])
		}
	}
	return n
}

// letGo makes a member's step its own again.
func (s *Step) letGo() {
	c := s.Carrier
	c.carries = slices.DeleteFunc(c.carries, func(m *Step) bool { return m == s })
	s.Carrier = nil
}

// dissolve gives a gang run's members their steps back.
func (f *Floor) dissolve(g *Job) {
	for _, s := range g.Steps {
		for _, m := range slices.Clone(s.carries) {
			m.letGo()
		}
		s.done, s.given = nil, nil
	}
	for _, h := range g.shares {
		h.panel.shares, h.own.shares = nil, nil
	}
	members := g.Members
	g.Members, g.shares = nil, nil
	for _, m := range members {
		m.gang = nil
		f.touchJob(m)
	}
	f.touchJob(g)
}

// touchGang notes that a job has changed whose gang run, or whose members, depend on it.
func (f *Floor) touchGang(j *Job) {
	for _, m := range j.Members {
		m.changed(f.Revision)
	}
	if g := j.gang; g != nil && g.open > 0 {
		for _, s := range g.Steps {
			if s.Open() && s.Waiting == 0 {
				f.touchStep(s)
			}
		}
	}
}
