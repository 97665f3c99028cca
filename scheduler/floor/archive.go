package floor

import (
	"cmp"
	"maps"
	"slices"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// KeepEnded is how long a job stays on the floor after its end: so long it can be scanned, counted and made again.
const KeepEnded = 30 * 24 * time.Hour

// ReasonArchived is the reason for which a job that has left the floor is not found.
const ReasonArchived = "JOB_ARCHIVED"

// ArchiveJobs takes jobs off the floor that ended before a time, oldest first, so that what a daemon holds, saves and reads at its
// start does not grow with all that was ever done. Jobs that hang together leave together, and none while something of it is still
// loaded or to be looked at. The ids are not given again. It causes no event if there is none.
type ArchiveJobs struct {
	EndedBefore time.Time
	Most        int // how many leave at once; jobs that hang together may be more
}

func (c ArchiveJobs) decide(f *Floor, _ time.Time, _ Meta) (Decision, error) {
	seen := f.held()
	var leave []*Job
	for _, j := range f.Jobs {
		if len(leave) >= c.Most {
			break
		}
		if seen[j] || !j.endedBefore(c.EndedBefore) || f.byJob[j.ID] != j {
			continue
		}
		group := j.hangsTogether()
		free := true
		for _, o := range group {
			free = free && !seen[o] && o.endedBefore(c.EndedBefore)
		}
		for _, o := range group {
			seen[o] = true
		}
		if free {
			leave = append(leave, group...)
		}
	}
	if len(leave) == 0 {
		return Decision{}, nil
	}
	slices.SortFunc(leave, func(a, b *Job) int { return cmp.Compare(a.Number, b.Number) })
	e := &ledgerv1.JobsArchived{}
	for _, j := range leave {
		e.Jobs = append(e.Jobs, j.ID)
	}
	return Decision{Events: []*ledgerv1.Event{{Actor: "daemon", Kind: &ledgerv1.Event_JobsArchived{JobsArchived: e}}}}, nil
}

func (j *Job) endedBefore(t time.Time) bool { return !j.End.IsZero() && j.End.Before(t) }

// held returns the jobs that something on the floor still points at.
func (f *Floor) held() map[*Job]bool {
	held := map[*Job]bool{}
	for _, d := range f.Devices {
		if d.LastRun != nil {
			held[d.LastRun.Step.Job] = true
		}
		for _, r := range d.Live {
			held[r.Step.Job] = true
		}
	}
	for _, u := range f.unrecorded {
		if j := f.byJob[u.Job]; j != nil && !u.Noted {
			held[j] = true
		}
	}
	return held
}

// hangsTogether returns the job and all that are connected with it by gang runs.
func (j *Job) hangsTogether() []*Job {
	seen := map[*Job]bool{}
	var out []*Job
	var add func(*Job)
	add = func(o *Job) {
		if o == nil || seen[o] {
			return
		}
		seen[o] = true
		out = append(out, o)
		add(o.gang)
		for _, m := range o.Members {
			add(m)
		}
		for _, s := range o.Steps {
			if s.Carrier != nil {
				add(s.Carrier.Job)
			}
			for _, m := range s.carries {
				add(m.Job)
			}
		}
		for _, p := range o.Panels {
			for _, h := range p.shares {
				add(h.panel.Job)
				add(h.own.Job)
			}
		}
		for _, h := range o.shares {
			add(h.panel.Job)
			add(h.own.Job)
		}
	}
	add(j)
	return out
}

func (f *Floor) applyJobsArchived(ids []string) {
	for _, id := range ids {
		j := f.mustJob(id)
		for _, s := range j.Steps {
			for _, r := range s.Runs {
				r.archiveUse(f.stock)
			}
		}
		f.drop(j)
	}
	f.archive = f.archive.with(ids)
	f.Jobs = slices.DeleteFunc(f.Jobs, func(j *Job) bool { return f.byJob[j.ID] != j })
	f.forgotten = 0
}

// archiveUse keeps account of what an ended run has taken of lots.
func (r *Run) archiveUse(s *stock) {
	if r.Lot != nil {
		r.Lot.archived += r.LotLength
	}
	for _, u := range r.Earlier {
		if l := s.byID[u.GetLot()]; l != nil {
			l.archived += u.GetLengthUm()
		}
	}
}

// archive holds the ids of jobs that have left the floor, in sets of which none is ever changed, so that clones share them. Each set is
// more than twice as large as the next: adding some costs little, however many there are.
type archive []map[string]bool

func (a archive) has(id string) bool {
	for _, set := range a {
		if set[id] {
			return true
		}
	}
	return false
}

// with returns an archive that has these ids too.
func (a archive) with(ids []string) archive {
	if len(ids) == 0 {
		return a
	}
	set := make(map[string]bool, len(ids))
	for _, id := range ids {
		set[id] = true
	}
	for len(a) > 0 && len(a[len(a)-1]) <= 2*len(set) {
		maps.Copy(set, a[len(a)-1])
		a = a[:len(a)-1]
	}
	return append(slices.Clip(a), set)
}

// ids returns all of them, sorted.
func (a archive) ids() []string {
	var out []string
	for _, set := range a {
		out = slices.AppendSeq(out, maps.Keys(set))
	}
	slices.Sort(out)
	return out
}
