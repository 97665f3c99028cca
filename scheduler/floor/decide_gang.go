package floor

import (
	"fmt"
	"slices"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// Limits of a gang run. They are far beyond what shares a panel and keep one request from harming the rest.
const (
	mostMembers = 100
	mostShares  = 20_000
)

// GangJobs puts the pieces of several jobs on shared panels. Job is the gang run, whose panels say in their contents what
// lies on them; Carries say which of its steps do the work of which of its members' steps.
type GangJobs struct {
	Job     *tandemv1.Job
	Carries []*ledgerv1.Carry
}

func (c GangJobs) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	created, err := CreateJob{Job: c.Job}.created(f)
	if err != nil {
		return Decision{}, err
	}
	g := &ganging{floor: f, job: created.GetJob(), steps: map[string]*tandemv1.Step{}, carrier: map[*Step]*tandemv1.Step{}}
	if err := g.read(c.Carries); err != nil {
		return Decision{}, err
	}
	g.checkSteps()
	g.checkPanels()
	if len(g.violations) > 0 {
		return Decision{}, &Error{Kind: Invalid, Reason: "INVALID_GANG", Message: "the gang run cannot be made", Violations: g.violations}
	}
	return Decision{
		Subject: "jobs/" + g.job.GetId(),
		Events: []*ledgerv1.Event{
			{Kind: &ledgerv1.Event_JobCreated{JobCreated: created}},
			{Kind: &ledgerv1.Event_JobsGanged{JobsGanged: &ledgerv1.JobsGanged{Job: g.job.GetId(), Carries: c.Carries}}},
		},
	}, nil
}

// ganging is a gang run that is being checked.
type ganging struct {
	check

	floor   *Floor
	job     *tandemv1.Job
	steps   map[string]*tandemv1.Step
	members []*Job
	carried []*Step                  // the members' steps, in the order of the carries
	carrier map[*Step]*tandemv1.Step // the gang run's step for each
}

// CanGang says whether a job's steps could be done by a gang run; if not, why.
func (j *Job) CanGang() (bool, string) {
	switch {
	case j.open == 0 || j.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED:
		return false, "has ended"
	case j.IsGang():
		return false, "is a gang run itself"
	case j.gang != nil && j.gang.open > 0:
		return false, "is in gang run " + j.gang.ID + " already"
	case slices.ContainsFunc(j.Steps, (*Step).mayHaveBegun):
		return false, "has begun"
	case slices.ContainsFunc(j.Steps, (*Step).waitsForReview):
		return false, "may have been begun before the ledger was restored: say first with `tandem review` what was done of it"
	}
	for _, p := range j.Panels {
		if p.Spoiled > 0 {
			return false, "has spoiled pieces on panel " + p.ID
		}
		if len(p.Spec.GetContents()) == 0 {
			return false, "was handed in as steps: only jobs handed in as items can share panels"
		}
	}
	return true, ""
}

// read finds what the carries name and holds the members to what they must be.
func (g *ganging) read(carries []*ledgerv1.Carry) error {
	for _, s := range g.job.GetSteps() {
		g.steps[s.GetId()] = s
	}
	for i, c := range carries {
		field := fmt.Sprintf("carries[%d]", i)
		step := g.steps[c.GetStep()]
		if step == nil {
			return invalid(field+".step", "the gang run has no step %q", shorten(c.GetStep()))
		}
		j, ok := g.floor.byJob[c.GetMember()]
		if !ok {
			return Missing("job", c.GetMember())
		}
		s, ok := j.Step(c.GetMemberStep())
		if !ok {
			return Missing("step", c.GetMemberStep())
		}
		if g.carrier[s] != nil {
			return invalid(field, "step %s of %s is done by step %s already", s.ID(), j.ID, g.carrier[s].GetId())
		}
		g.carrier[s] = step
		g.carried = append(g.carried, s)
		if !slices.Contains(g.members, j) {
			if g.members = append(g.members, j); len(g.members) > mostMembers {
				return invalid("jobs", "are more than %d: make several gang runs", mostMembers)
			}
		}
	}
	if len(g.members) < 2 {
		return invalid("jobs", "name at least two jobs that share the panels")
	}
	for _, j := range g.members {
		if ok, why := j.CanGang(); !ok {
			return conflict("CANNOT_GANG", "job %s %s", j.ID, why)
		}
	}
	return nil
}

// checkSteps holds every step to what the steps are like whose work it does.
func (g *ganging) checkSteps() {
	does := map[string]map[*Job]bool{}
	for i, s := range g.carried {
		field, by := fmt.Sprintf("carries[%d]", i), g.carrier[s]
		if does[by.GetId()] == nil {
			does[by.GetId()] = map[*Job]bool{}
		}
		if does[by.GetId()][s.Job] {
			g.add(field, "step %s does the work of two steps of %s", by.GetId(), s.Job.ID)
		}
		does[by.GetId()][s.Job] = true
		if why := differs(s.Spec, by); why != "" {
			g.add(field, "step %s of %s has %s", s.ID(), s.Job.ID, why)
		}
		for _, b := range s.Before {
			switch before := g.carrier[b]; {
			case before == nil:
				g.add(field, "step %s of %s comes after %s, which stays with that job", s.ID(), s.Job.ID, b.ID())
			case !g.after(by, before.GetId()):
				g.add(field, "step %s of %s comes after %s, but step %s does not come after %s", s.ID(), s.Job.ID, b.ID(), by.GetId(), before.GetId())
			}
		}
	}
	for i, s := range g.job.GetSteps() {
		if does[s.GetId()] == nil {
			g.add(fmt.Sprintf("job.steps[%d]", i), "step %s does no member's work", s.GetId())
		}
	}
}

// differs says in what a member's step asks for more, or for something else, than the step that would do its work.
func differs(s, by *tandemv1.Step) string {
	for _, x := range []struct{ name, own, shared string }{
		{"operation", s.GetOperation(), by.GetOperation()},
		{"media", s.GetMedia(), by.GetMedia()},
		{"ink", s.GetInk(), by.GetInk()},
		{"mode", s.GetMode(), by.GetMode()},
		{"film", s.GetFilm(), by.GetFilm()},
	} {
		if x.own != x.shared {
			return fmt.Sprintf("%s %q, the gang run's step %s %q", x.name, x.own, by.GetId(), x.shared)
		}
	}
	// Ink dries no faster for being in company.
	if own, shared := s.GetMinWait().AsDuration(), by.GetMinWait().AsDuration(); own > shared {
		return fmt.Sprintf("a waiting time of %v, the gang run's step %s only %v", own, by.GetId(), shared)
	}
	if own, shared := s.GetDuration().AsDuration(), by.GetDuration().AsDuration(); s.GetOperation() == dry && own > shared {
		return fmt.Sprintf("a drying time of %v, the gang run's step %s only %v", own, by.GetId(), shared)
	}
	return ""
}

// after says whether the gang run's step waits, by way of others perhaps, for the one with that id.
func (g *ganging) after(s *tandemv1.Step, id string) bool {
	seen := map[string]bool{}
	queue := slices.Clone(s.GetAfter())
	for len(queue) > 0 {
		next := queue[0]
		queue = queue[1:]
		if next == id {
			return true
		}
		if !seen[next] {
			seen[next] = true
			queue = append(queue, g.steps[next].GetAfter()...)
		}
	}
	return false
}

// checkPanels holds the shared panels to the members' own: piece for piece, and every piece where its step can reach it.
func (g *ganging) checkPanels() {
	for i, p := range g.job.GetPanels() {
		if len(p.GetContents()) == 0 {
			g.add(fmt.Sprintf("job.panels[%d].contents", i), "are missing: say whose pieces lie on panel %s", p.GetId())
		}
		for k, c := range p.GetContents() {
			if !slices.ContainsFunc(g.members, func(j *Job) bool { return j.ID == c.GetJob() }) {
				g.add(fmt.Sprintf("job.panels[%d].contents[%d].job", i, k), "%q is not one of the jobs that share the panels", shorten(c.GetJob()))
			}
		}
	}
	if len(g.violations) > 0 {
		return
	}
	var covered, shared []*Panel
	for _, s := range g.carried {
		for _, p := range s.Panels {
			if !slices.Contains(covered, p) {
				covered = append(covered, p)
			}
		}
	}
	for _, p := range g.job.GetPanels() {
		shared = append(shared, &Panel{ID: p.GetId(), Spec: p})
	}
	shares, problem := layShares(shared, covered)
	switch {
	case problem != "":
		g.add("job.panels", "%s", problem)
	case len(shares) > mostShares:
		g.add("job.panels", "hold %d stretches of pieces, at most %d are taken: make several gang runs", len(shares), mostShares)
	}
	reach := map[*tandemv1.Step]map[string]bool{}
	for _, s := range g.job.GetSteps() {
		reach[s] = map[string]bool{}
		for _, p := range s.GetPanels() {
			reach[s][p] = true
		}
	}
	lies := map[*Panel][]string{}
	for _, h := range shares {
		if !slices.Contains(lies[h.own], h.panel.ID) {
			lies[h.own] = append(lies[h.own], h.panel.ID)
		}
	}
	for i, s := range g.carried {
		for _, p := range s.Panels {
			for _, id := range lies[p] {
				if !reach[g.carrier[s]][id] {
					g.add(fmt.Sprintf("carries[%d]", i), "step %s does not work on panel %s, where pieces of %s of %s lie", g.carrier[s].GetId(), id, p.ID, s.Job.ID)
				}
			}
		}
	}
}

// cancelGang takes a gang run apart of which nothing has been made. Its members' steps are theirs again as soon as no device
// has a run of it in hand. One that has begun ends like that only if it has no good pieces left: nothing is lost with it then.
func (f *Floor) cancelGang(j *Job, now time.Time, note string) ([]*ledgerv1.Event, error) {
	begun := j.gangBegun()
	if begun && slices.ContainsFunc(j.Panels, func(p *Panel) bool { return p.Good > 0 }) {
		return nil, conflict("GANG_BEGUN", "gang run %s has begun: cancel the jobs that share its panels (%s), or, if its panels are given up, %s", j.ID, memberNames(j.Members), j.givenUp())
	}
	for _, s := range j.Steps {
		if err := f.atWorkOn(s); err != nil { // its members' steps would be given to others meanwhile
			return nil, err
		}
	}
	events := f.endJob(j, now, note, false)
	if begun || slices.ContainsFunc(j.Steps, func(s *Step) bool { return s.Live != nil }) {
		return events, nil
	}
	dissolved := &ledgerv1.Event{Kind: &ledgerv1.Event_GangDissolved{GangDissolved: &ledgerv1.GangDissolved{Job: j.ID}}}
	return append([]*ledgerv1.Event{dissolved}, events...), nil
}

// givenUp says how the panels of a gang run that has begun are given up.
func (j *Job) givenUp() string {
	for _, s := range j.Steps {
		if n := len(s.Runs); n > 0 && s.Runs[n-1].resolvable() {
			return "resolve " + s.Runs[n-1].ID + " with abandon"
		}
	}
	return "make the pieces of each of them again, which takes them off the panels, and cancel it then"
}

func memberNames(jobs []*Job) string {
	var names []string
	for _, j := range jobs {
		names = append(names, j.ID)
	}
	return few(names)
}

// leaveGang takes the pieces of a job that ends off the panels it shares, which go on without it; if it was the last that
// wanted its pieces, the gang run ends too.
func (f *Floor) leaveGang(j *Job, now time.Time, note string) []*ledgerv1.Event {
	g := j.gang
	if g == nil || g.open == 0 || g.Ending != tandemv1.JobState_JOB_STATE_UNSPECIFIED {
		return nil
	}
	var events []*ledgerv1.Event
	for _, p := range j.Panels {
		if len(p.shares) > 0 && p.Good > 0 {
			events = append(events, spoiled(p, "", p.Good, "not wanted any more: the job was ended"))
		}
	}
	if !slices.ContainsFunc(g.Members, func(o *Job) bool { return o != j && g.active(o) }) {
		events = append(events, f.endJob(g, now, note, false)...)
	}
	return events
}

// withdrawStarts takes back the runs of a gang run that may begin and have not, as a hold of one of its members asks.
func (j *Job) withdrawStarts() []*ledgerv1.Event {
	var events []*ledgerv1.Event
	for _, s := range j.Steps {
		if r := s.Live; r != nil && r.State == tandemv1.JobState_JOB_STATE_PENDING && r.MayStart && !r.Stopping {
			events = append(events, stopping(r, true))
		}
	}
	return events
}

// allowStarts lets the runs begin that waited for a hold to end and need nobody at the device.
func (j *Job) allowStarts(now time.Time) []*ledgerv1.Event {
	var events []*ledgerv1.Event
	for _, s := range j.Steps {
		if r := s.Live; r != nil && r.waitsForStart() && !r.NeedsLoad() && r.Override == "" {
			events = append(events, r.allowedUnattended(now)...)
		}
	}
	return events
}

// heldWithout says whether the gang run would be on hold even if j were not held.
func (j *Job) heldWithout(released *Job) bool {
	if j.Held && j != released {
		return true
	}
	return slices.ContainsFunc(j.Members, func(m *Job) bool { return m != released && m.Held && j.active(m) })
}
