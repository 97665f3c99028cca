package ticket

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	tandemv1 "tandem/proto/tandem/v1"
)

// Carry says that a step of a gang run does the work of a step of one of its members.
type Carry struct{ Step, Member, MemberStep string }

// Gang returns the gang run that puts the items of the members on shared panels, and whose steps it does. The members must
// have been made from items of one media, ink, mode and film. Errors are of type *floor.Error.
func Gang(file *tandemv1.FloorFile, id string, members []*tandemv1.Job) (*tandemv1.Job, []Carry, error) {
	m := &maker{file: file, rules: rulesOf(file), job: &tandemv1.Job{Id: id}}
	if len(members) < 2 {
		m.add("jobs", "name at least two jobs that share the panels")
		return nil, nil, m.err()
	}
	m.job.DisplayName = fmt.Sprintf("Gang run of %d jobs", len(members))
	of := map[string]*tandemv1.Content{} // the run's own item id -> job and item
	for i, j := range members {
		field := fmt.Sprintf("jobs[%d]", i)
		if len(j.GetItems()) == 0 {
			m.add(field, "%s was handed in as steps: only jobs handed in as items can share panels", j.GetId())
			continue
		}
		for _, spec := range j.GetItems() {
			it := &item{Item: proto.CloneOf(spec), index: len(m.items), panels: map[string]bool{}}
			it.Id = fmt.Sprintf("i%d", len(m.items)+1)
			it.Quantity, it.Overs = onPanels(j, spec.GetId()), 0
			it.HandWork = nil // each job's own
			of[it.GetId()] = &tandemv1.Content{Job: j.GetId(), Item: spec.GetId()}
			m.items = append(m.items, it)
		}
	}
	groups := m.groups()
	if len(groups) > 1 {
		m.add("jobs", "are not of one media, ink, mode and film: %s", differences(groups))
	}
	if m.err() != nil {
		return nil, nil, m.err()
	}
	m.make(groups[0], 0)
	m.feasible()
	if m.err() != nil {
		return nil, nil, m.err()
	}
	for _, p := range m.job.GetPanels() {
		for _, c := range p.GetContents() {
			own := of[c.GetItem()]
			c.Job, c.Item = own.GetJob(), own.GetItem()
		}
	}
	carries := m.carries(members)
	m.sumContours(members, carries)
	return m.job, carries, m.err()
}

// onPanels returns how many pieces of an item a job's panels hold, spoiled ones left out.
func onPanels(j *tandemv1.Job, item string) int32 {
	var n int32
	for _, p := range j.GetPanels() {
		for _, c := range p.GetContents() {
			if c.GetItem() == item {
				n += c.GetPieces()
			}
		}
	}
	return n
}

func differences(groups []*group) string {
	var out []string
	for _, g := range groups[:min(len(groups), 3)] {
		out = append(out, fmt.Sprintf("media %s, ink %q, mode %q, film %q", g.first.GetMedia(), g.first.GetInk(), g.first.GetMode(), g.first.GetFilm()))
	}
	return strings.Join(out, " against ")
}

// carries matches the run's steps with those of its members: the same operation in the same mode.
func (m *maker) carries(members []*tandemv1.Job) []Carry {
	var out []Carry
	for _, s := range m.job.GetSteps() {
		for _, j := range members {
			for _, t := range j.GetSteps() {
				if t.GetOperation() == s.GetOperation() && t.GetMode() == s.GetMode() && t.GetRemakeOf() == "" {
					out = append(out, Carry{Step: s.GetId(), Member: j.GetId(), MemberStep: t.GetId()})
				}
			}
		}
	}
	return out
}

// sumContours adds up what was worked out for the members' own cuts from files that are no longer at hand.
func (m *maker) sumContours(members []*tandemv1.Job, carries []Carry) {
	for _, s := range m.job.GetSteps() {
		if s.GetOperation() != opCut {
			continue
		}
		sums, count := map[string]time.Duration{}, map[string]int{}
		var carried int
		for _, c := range carries {
			if c.Step != s.GetId() {
				continue
			}
			carried++
			for _, j := range members {
				for _, t := range j.GetSteps() {
					if j.GetId() == c.Member && t.GetId() == c.MemberStep {
						for d, work := range t.GetContourWork() {
							sums[d] += work.AsDuration()
							count[d]++
						}
					}
				}
			}
		}
		s.ContourWork = nil
		for d, t := range sums {
			if count[d] == carried {
				if s.ContourWork == nil {
					s.ContourWork = map[string]*durationpb.Duration{}
				}
				s.ContourWork[d] = durationpb.New(t)
			}
		}
	}
}

// Apart returns the web that the members take one by one, in micrometres: what their first steps were made with.
func Apart(members []*tandemv1.Job) int64 {
	var sum int64
	for _, j := range members {
		if len(j.GetSteps()) > 0 {
			sum += j.GetSteps()[0].GetLengthUm()
		}
	}
	return sum
}
