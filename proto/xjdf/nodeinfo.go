package xjdf

import (
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/yamlfile"
)

// readNodeInfo reads dates and priority. What is said of the whole chain counts; else the latest end, the first start and
// the highest priority of its processes.
func (r *reader) readNodeInfo(job *tandemv1.Job) {
	var whole, parts []*node
	for _, res := range r.resources[setNodeInfo] {
		switch {
		case res.specific == nil || res.usage == "Output":
		case res.processes == nil || len(res.processes) == len(r.types):
			whole = append(whole, res.specific)
		default:
			parts = append(parts, res.specific)
		}
	}
	due := r.times("LastEnd", whole, parts, time.Time.After)
	release := r.times("FirstStart", whole, parts, time.Time.Before)
	if due.at != nil {
		job.DueTime = timestamppb.New(due.time)
		if !r.opt.Now.IsZero() && due.time.Before(r.opt.Now) {
			r.assume(due.at, "LastEnd", "%s is past: the job is late from the beginning", due.time.Format(time.RFC3339))
		}
	}
	if release.at != nil {
		job.ReleaseTime = timestamppb.New(release.time)
		if due.at != nil && release.time.After(due.time) {
			r.assume(release.at, "FirstStart", "is after LastEnd: the job cannot be in time")
		}
	}
	for _, n := range append(whole, parts...) {
		if status := n.attr("Status"); status != "" && status != "Waiting" {
			r.assume(n, "Status", "%s is not taken over: the job begins from the first process", yamlfile.Quote(status))
		}
		r.readPriority(job, n)
	}
}

func (r *reader) readPriority(job *tandemv1.Job, n *node) {
	text, given := n.lookup("JobPriority")
	if !given {
		return
	}
	priority, err := strconv.Atoi(text)
	switch {
	case err != nil || priority < 0 || priority > 100:
		r.problem(n, "JobPriority", "%s is not between 0 and 100", yamlfile.Quote(text))
		return
	case priority == 0:
		r.assume(n, "JobPriority", "0 becomes 1, the lowest here")
		priority = 1
	}
	if job.GetPriority() != 0 && job.GetPriority() != int32(priority) {
		r.assumeOnce(n, "JobPriority", "differs from others: the highest counts")
	}
	job.Priority = max(job.GetPriority(), int32(priority))
}

type stamped struct {
	at   *node
	time time.Time
}

// times returns the time that beats the others, of the first list that has any.
func (r *reader) times(attribute string, whole, parts []*node, beats func(a, b time.Time) bool) (best stamped) {
	for _, list := range [][]*node{whole, parts} {
		for _, n := range list {
			text, given := n.lookup(attribute)
			if !given {
				continue
			}
			t, wrong := instant(text)
			if wrong != "" {
				r.problem(n, attribute, "%s", wrong)
				continue
			}
			if best.at == nil || beats(t, best.time) {
				best = stamped{n, t}
			}
		}
		if best.at != nil {
			return best
		}
	}
	return best
}
