package api

import (
	"slices"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

// about chooses the events that concern a job or a device; either may be empty. What happens to a gang run concerns the jobs
// that share its panels.
type about struct {
	choice
	gangs map[string]bool // the gang runs that the job is or was a member of
}

func newAbout(st engine.State, job, device string) *about {
	a := &about{choice: choice{job, device}, gangs: map[string]bool{}}
	if j, ok := st.Floor.Job(job); ok && job != "" {
		for _, s := range j.Steps {
			if s.Carrier != nil {
				a.gangs[s.Carrier.Job.ID] = true
			}
		}
	}
	return a
}

// follow notes that the job joins gang runs.
func (a *about) follow(rec *ledgerv1.Record) {
	if a.job == "" {
		return
	}
	for _, e := range rec.GetEvents() {
		if c := e.GetJobsGanged(); c != nil && slices.Contains(membersOf(c), a.job) {
			a.gangs[c.GetJob()] = true
		}
	}
}

func (a *about) concerned(v *tandemv1.Event) bool {
	return (a.job == "" || v.GetJob() == a.job || a.gangs[v.GetJob()]) && (a.device == "" || v.GetDevice() == a.device)
}

// membersOf returns the jobs that share panels, in the order of the event.
func membersOf(c *ledgerv1.JobsGanged) []string {
	var out []string
	for _, x := range c.GetCarries() {
		if !slices.Contains(out, x.GetMember()) {
			out = append(out, x.GetMember())
		}
	}
	return out
}
