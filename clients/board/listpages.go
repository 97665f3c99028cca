package board

import (
	"net/http"
	"slices"
	"strconv"
	"strings"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// perPage is how many rows a page of a long list has.
const perPage = 60

// paged is a part of a long list.
type paged struct {
	Rows                 []row
	From, To, All        int
	Previous, Next       int // numbers of pages; 0: there is none
	Time, Path, Question string
	States               []string
	State                string
}

// cut returns the page of a list of n rows that a request asks for.
func cut(r *http.Request, n int) (p paged) {
	number, err := strconv.Atoi(r.URL.Query().Get("page"))
	last := max(1, (n+perPage-1)/perPage)
	if err != nil || number < 1 {
		number = 1
	}
	number = min(number, last)
	p.From, p.To, p.All = (number-1)*perPage, min(number*perPage, n), n
	p.Previous = number - 1
	if number < last {
		p.Next = number + 1
	}
	p.Path = r.URL.Path
	return p
}

func (b *Board) listPage(w http.ResponseWriter, title, name string, f *facts, p paged) {
	p.Time = f.now.In(f.snap.zone).Format("Mon 15:04:05")
	b.pages.serve(w, "list", b.view(title, name, map[string]any{"List": p, "Notices": b.notices(f.snap)}))
}

func (b *Board) serveDevices(w http.ResponseWriter, r *http.Request) {
	s, _ := b.mirror.snapshot()
	f := newFacts(s, b.now())
	p := cut(r, len(s.devices))
	for _, d := range s.devices[p.From:p.To] {
		p.Rows = append(p.Rows, b.row("device", d.GetId(), f.device(d)))
	}
	b.listPage(w, "Devices", "devices", f, p)
}

func (b *Board) serveWaits(w http.ResponseWriter, r *http.Request) {
	s, _ := b.mirror.snapshot()
	f := newFacts(s, b.now())
	all := f.waits()
	p := cut(r, len(all))
	for _, x := range all[p.From:p.To] {
		p.Rows = append(p.Rows, b.row("wait", x.Key, x))
	}
	b.listPage(w, "Drying and waiting", "waits", f, p)
}

// serveJobs lists jobs by due time: the open ones, or those of one state; with q those whose id, name or label holds a text.
func (b *Board) serveJobs(w http.ResponseWriter, r *http.Request) {
	s, _ := b.mirror.snapshot()
	f := newFacts(s, b.now())
	word, question := r.URL.Query().Get("state"), strings.TrimSpace(r.URL.Query().Get("q"))
	state, err := wording.JobStateOf(word)
	jobs := f.open
	if word != "" && err == nil {
		jobs = slices.DeleteFunc(slices.Clone(s.jobs), func(j *tandemv1.Job) bool { return j.GetState() != state })
		slices.SortStableFunc(jobs, func(a, b *tandemv1.Job) int { return dueOrder(a.GetDueTime(), b.GetDueTime()) })
	} else {
		word = ""
	}
	if question != "" {
		jobs = slices.DeleteFunc(slices.Clone(jobs), func(j *tandemv1.Job) bool { return !mentions(j, question) })
	}
	p := cut(r, len(jobs))
	p.Question, p.State = question, word
	for _, state := range []tandemv1.JobState{
		tandemv1.JobState_JOB_STATE_PENDING, tandemv1.JobState_JOB_STATE_PENDING_HELD, tandemv1.JobState_JOB_STATE_PROCESSING,
		tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, tandemv1.JobState_JOB_STATE_COMPLETED, tandemv1.JobState_JOB_STATE_CANCELED, tandemv1.JobState_JOB_STATE_ABORTED,
	} {
		p.States = append(p.States, wording.JobState(state))
	}
	for _, j := range jobs[p.From:p.To] {
		p.Rows = append(p.Rows, b.row("job", j.GetId(), f.job(j)))
	}
	b.listPage(w, "Jobs by due time", "jobs", f, p)
}

// mentions reports whether a job's id, code, name or one of its labels holds a text, whatever its case.
func mentions(j *tandemv1.Job, text string) bool {
	text = strings.ToLower(text)
	for _, s := range []string{j.GetId(), j.GetCode(), j.GetDisplayName()} {
		if strings.Contains(strings.ToLower(s), text) {
			return true
		}
	}
	for _, v := range j.GetLabels() {
		if strings.Contains(strings.ToLower(v), text) {
			return true
		}
	}
	return false
}
