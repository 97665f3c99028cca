package api

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"time"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/ticket"
)

const (
	mostGangJobs = 100
	// Packing takes a moment: what one request may ask for is bounded, and packings of several wait for one another.
	mostProposals    = 12
	mostPerProposal  = 12
	mostProposalJobs = 2000
	// gangWindow is how far apart the due times of proposed jobs may lie: the first of them should not wait for the last.
	gangWindow = 48 * time.Hour
)

// GangJobs implements JobService. Panels and steps are made outside the engine's loop; the floor then judges them by what has
// become of the jobs meanwhile.
func (s *Server) GangJobs(ctx context.Context, req *tandemv1.GangJobsRequest) (*tandemv1.Job, error) {
	if n := len(req.GetJobs()); n > mostGangJobs {
		return nil, badField("jobs", "are %d, at most %d are taken: make several gang runs", n, mostGangJobs)
	}
	m, err := meta(req)
	if err != nil {
		return nil, err
	}
	if req.GetValidateOnly() {
		m.RequestID = ""
	}
	file, members, err := s.gangMembers(ctx, m, req.GetJobs())
	if err != nil {
		return nil, err
	}
	var c floor.GangJobs
	if members != nil { // else the request was answered before
		if c, err = s.makeGang(ctx, file, req.GetId(), members); err != nil {
			return nil, err
		}
	}
	if req.GetValidateOnly() {
		return s.wouldGang(ctx, m, c)
	}
	return s.changeJobAs(ctx, m, req.GetId(), c)
}

// gangMembers returns the jobs as they are now, and the floor file; nil if the request was answered before.
func (s *Server) gangMembers(ctx context.Context, m floor.Meta, ids []string) (file *tandemv1.FloorFile, members []*tandemv1.Job, err error) {
	var refused error
	err = s.engine.View(ctx, func(st engine.State) {
		if d, err := st.Floor.Replayed(m); err != nil || d.Replayed {
			refused = err
			return
		}
		file = st.Floor.File()
		members = []*tandemv1.Job{}
		for i, id := range ids {
			j, ok := st.Floor.Job(id)
			if !ok {
				refused = floor.Missing("job", id)
				return
			}
			if ok, why := j.CanGang(); !ok {
				refused = &floor.Error{Kind: floor.Conflict, Reason: "CANNOT_GANG", Message: fmt.Sprintf("job %s %s", j.ID, why)}
				return
			}
			if slices.ContainsFunc(members, func(o *tandemv1.Job) bool { return o.GetId() == j.ID }) {
				refused = badField(fmt.Sprintf("jobs[%d]", i), "%s is named twice", j.ID)
				return
			}
			members = append(members, j.View(st.Now))
		}
	})
	if err == nil {
		err = refused
	}
	return file, members, err
}

// makeGang lays the members' items out on shared panels.
func (s *Server) makeGang(ctx context.Context, file *tandemv1.FloorFile, id string, members []*tandemv1.Job) (floor.GangJobs, error) {
	select {
	case s.packing <- struct{}{}:
		defer func() { <-s.packing }()
	case <-ctx.Done():
		return floor.GangJobs{}, ctx.Err()
	}
	job, carries, err := ticket.Gang(file, id, members)
	if err != nil {
		return floor.GangJobs{}, err
	}
	c := floor.GangJobs{Job: job}
	for _, x := range carries {
		c.Carries = append(c.Carries, &ledgerv1.Carry{Step: x.Step, Member: x.Member, MemberStep: x.MemberStep})
	}
	return c, nil
}

// wouldGang answers what GangJobs would, and stores nothing.
func (s *Server) wouldGang(ctx context.Context, m floor.Meta, c floor.GangJobs) (*tandemv1.Job, error) {
	var job *tandemv1.Job
	var refused error
	err := s.engine.View(ctx, func(st engine.State) {
		d, err := st.Floor.Decide(st.Now, m, c)
		if err != nil {
			refused = err
			return
		}
		job = d.Events[0].GetJobCreated().GetJob()
		for _, x := range c.Carries {
			if !slices.Contains(job.GetMembers(), x.GetMember()) {
				job.Members = append(job.Members, x.GetMember())
			}
		}
	})
	if err == nil {
		err = refused
	}
	return job, err
}

// ProposeGangs implements JobService.
func (s *Server) ProposeGangs(ctx context.Context, _ *tandemv1.ProposeGangsRequest) (*tandemv1.ProposeGangsResponse, error) {
	var file *tandemv1.FloorFile
	var jobs []*tandemv1.Job
	err := s.engine.View(ctx, func(st engine.State) {
		file = st.Floor.File()
		for _, j := range st.Floor.Jobs {
			if ok, _ := j.CanGang(); ok && !j.Held && len(j.Spec.GetItems()) > 0 {
				if jobs = append(jobs, j.View(st.Now)); len(jobs) == mostProposalJobs {
					return
				}
			}
		}
	})
	if err != nil {
		return nil, err
	}
	out := &tandemv1.ProposeGangsResponse{}
	for _, set := range gangSets(jobs) {
		p, err := s.propose(ctx, file, set)
		if err != nil {
			return nil, err
		}
		if p != nil {
			out.Proposals = append(out.Proposals, p)
		}
	}
	slices.SortStableFunc(out.GetProposals(), func(a, b *tandemv1.GangProposal) int { return cmp.Compare(saving(b), saving(a)) })
	return out, nil
}

func saving(p *tandemv1.GangProposal) int64 { return p.GetLengthApartUm() - p.GetLengthTogetherUm() }

// propose returns what a set of jobs would save, nil if nothing or if they cannot share panels after all.
func (s *Server) propose(ctx context.Context, file *tandemv1.FloorFile, set []*tandemv1.Job) (*tandemv1.GangProposal, error) {
	c, err := s.makeGang(ctx, file, "gang", set)
	if ctx.Err() != nil {
		return nil, ctx.Err()
	}
	if err != nil || len(c.Job.GetSteps()) == 0 {
		return nil, nil //nolint:nilerr,nilnil // jobs that do not fit together are no proposal, and no failure of the request
	}
	p := &tandemv1.GangProposal{
		Media:         set[0].GetItems()[0].GetMedia(),
		LengthApartUm: ticket.Apart(set), LengthTogetherUm: c.Job.GetSteps()[0].GetLengthUm(),
	}
	if saving(p) <= 0 {
		return nil, nil //nolint:nilnil // no proposal
	}
	for _, j := range set {
		p.Jobs = append(p.Jobs, j.GetId())
	}
	return p, nil
}

// stuffOf returns what a job is made of; not ok if its items differ in that.
func stuffOf(j *tandemv1.Job) (m ticket.Stuff, ok bool) {
	for i, it := range j.GetItems() {
		k := ticket.StuffOf(it)
		if i > 0 && k != m {
			return m, false
		}
		m = k
	}
	return m, len(j.GetItems()) > 0
}

// gangSets returns sets of jobs that are made of the same and due at about the same time, those of which the most jobs are one
// first. A job without due time goes with any.
func gangSets(jobs []*tandemv1.Job) [][]*tandemv1.Job {
	alike := map[ticket.Stuff][]*tandemv1.Job{}
	var order []ticket.Stuff
	for _, j := range jobs {
		m, ok := stuffOf(j)
		if !ok {
			continue
		}
		if alike[m] == nil {
			order = append(order, m)
		}
		alike[m] = append(alike[m], j)
	}
	var sets [][]*tandemv1.Job
	for _, m := range order {
		list := alike[m]
		slices.SortStableFunc(list, func(a, b *tandemv1.Job) int { return dueOrder(a).Compare(dueOrder(b)) })
		for len(list) > 1 {
			n := 1
			for n < len(list) && n < mostPerProposal && together(list[0], list[n]) {
				n++
			}
			if n > 1 {
				sets = append(sets, list[:n:n])
			}
			list = list[n:]
		}
	}
	slices.SortStableFunc(sets, func(a, b []*tandemv1.Job) int { return cmp.Compare(len(b), len(a)) })
	return sets[:min(len(sets), mostProposals)]
}

// dueOrder puts jobs without due time last.
func dueOrder(j *tandemv1.Job) time.Time {
	if j.GetDueTime() == nil {
		return time.Date(9999, 1, 1, 0, 0, 0, 0, time.UTC)
	}
	return j.GetDueTime().AsTime()
}

func together(first, other *tandemv1.Job) bool {
	return other.GetDueTime() == nil || first.GetDueTime() == nil || other.GetDueTime().AsTime().Sub(first.GetDueTime().AsTime()) <= gangWindow
}
