package board

import (
	"context"
	"fmt"
	"maps"
	"net/http"
	"slices"
	"strings"
	"sync"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// explainEvery is how often it is asked why steps wait, while somebody looks: what goes before them may have changed.
	explainEvery  = 10 * time.Second
	explainWithin = 3 * time.Second
	// mostExplained is how many steps of a job are asked about.
	mostExplained = 12
)

// jobPage is the page of one job.
type jobPage struct {
	board *Board
	id    string

	mu      sync.Mutex
	past    *tandemv1.Job // one that the mirror no longer has
	reasons map[string]string
	asked   time.Time // when the reasons were
	of      uint64    // revision of the job that they are of
	asking  bool
}

// job is what is known of it; nil if there is no such job.
func (p *jobPage) job(s *snapshot) *tandemv1.Job {
	if j := s.job(p.id); j != nil {
		return j
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	return p.past
}

// find asks the daemon for a job that the mirror does not have.
func (p *jobPage) find(ctx context.Context) error {
	j, err := p.board.api.jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: p.id})
	if err != nil {
		return err
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.past = j
	return nil
}

// explain asks why steps wait that have not ended, if it is time to.
func (p *jobPage) explain(ctx context.Context, j *tandemv1.Job) {
	p.mu.Lock()
	now := p.board.now()
	due := !p.asking && (j.GetRevision() != p.of || now.Sub(p.asked) >= explainEvery)
	if due {
		p.asking = true
	}
	p.mu.Unlock()
	if !due {
		return
	}
	ctx, cancel := context.WithTimeout(ctx, explainWithin)
	defer cancel()
	reasons := map[string]string{}
	for _, s := range j.GetSteps() {
		if wording.Ended(s.GetState()) || len(reasons) == mostExplained {
			continue
		}
		e, err := p.board.api.jobs.ExplainStep(ctx, &tandemv1.ExplainStepRequest{Id: j.GetId(), Step: s.GetId()})
		if err != nil {
			break // asked again later
		}
		reasons[s.GetId()] = local(e.GetSummary(), p.board.zoneNow())
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.reasons, p.asked, p.of, p.asking = reasons, now, j.GetRevision(), false
}

// jobHead is what there is to know of a job as a whole.
type jobHead struct {
	jobFacts
	Facts []fact
}

type fact struct {
	Name string
	Text []words
}

// stepRow is a step in the table.
type stepRow struct {
	Step, Operation, Needs, After string
	Mark                          string
	State                         words
	Words                         []words
	Good, Spoiled, Left           int32
	Why, Note                     string
	RemakeOf                      string
}

// panelRow is a panel and where it lies.
type panelRow struct {
	placed
	RemakeOf string
}

// runRow is a run with its device, people and times.
type runRow struct {
	Run, Step, Device  string
	Mark               string
	State              words
	Pieces             string
	Operator           string
	Granted, Start     string
	End, Took          string
	Rule, Lot, Remarks string
}

// lists is the page of the job.
func (p *jobPage) lists() []list {
	b := p.board
	s, _ := b.mirror.snapshot()
	out := []list{{"notice", b.notices(s)}}
	j := p.job(s)
	if j == nil {
		return out
	}
	if s.awaySince.IsZero() && !wording.Ended(j.GetState()) {
		go p.explain(context.Background(), j) // its answers are shown by the next update
	}
	f := newFacts(s, b.now())
	p.mu.Lock()
	reasons := p.reasons
	p.mu.Unlock()

	head := jobHead{jobFacts: f.job(j), Facts: f.jobFacts(j)}
	var steps, panels, runs []row
	next := map[string]bool{}
	for _, x := range j.GetSteps() {
		next[x.GetId()] = !slices.ContainsFunc(x.GetAfter(), func(id string) bool { return !ended(j, id) })
		steps = append(steps, b.row("step", x.GetId(), f.stepRow(j, x, next[x.GetId()], reasons[x.GetId()])))
		for _, r := range x.GetRuns() {
			runs = append(runs, b.row("run", r.GetId(), f.runRow(x, r)))
		}
	}
	for _, x := range j.GetPanels() {
		row := panelRow{placed: placed{
			Panel: x.GetId(), Code: x.GetCode(), Place: wording.Place(x), Since: f.Clock().At(x.GetPlaceTime()), Good: x.GetPiecesGood(), Spoiled: x.GetPiecesSpoiled(),
		}, RemakeOf: x.GetRemakeOf()}
		if at := current(j, x.GetId()); at != nil {
			row.Step, row.Words = at.GetId(), []words{f.stepState(j, at, next[at.GetId()])}
		} else {
			row.Words = []words{{"good", "all its steps have ended"}}
		}
		panels = append(panels, b.row("panel", x.GetId(), row))
	}
	if len(runs) == 0 {
		runs = append(runs, b.row("run-none", "-none", nil))
	}
	return append(
		out,
		list{"job", []row{b.row("job-head", "head", head)}},
		list{"graph", []row{b.row("graph", "graph", f.drawSteps(j))}},
		list{"steps", steps}, list{"panels", panels}, list{"runs", runs},
	)
}

func ended(j *tandemv1.Job, step string) bool {
	for _, s := range j.GetSteps() {
		if s.GetId() == step {
			return jobOver(s)
		}
	}
	return true
}

func jobOver(s *tandemv1.Step) bool { return wording.Ended(s.GetState()) }

// stepState says how far a step is in one text.
func (f *facts) stepState(j *tandemv1.Job, s *tandemv1.Step, next bool) words {
	parts, class := []string{}, stateClass(s.GetState())
	for _, w := range wordsOf(f.Step(j, s, next)) {
		parts = append(parts, w.Text)
		if w.Class == "warn" || w.Class == "bad" && class != "bad" {
			class = w.Class
		}
	}
	text := strings.Join(parts, " ")
	if text == "ok" || text == "" {
		text = strings.TrimSpace(wording.JobState(s.GetState()))
		if s.GetState() == tandemv1.JobState_JOB_STATE_PENDING_HELD {
			text, class = "later", "faint"
		}
	}
	return words{class, text}
}

func (f *facts) stepRow(j *tandemv1.Job, s *tandemv1.Step, next bool, why string) stepRow {
	row := stepRow{
		Step: s.GetId(), Operation: s.GetOperation(), Needs: stepNeeds(s), After: strings.Join(s.GetAfter(), ", "), Mark: stepMark(s, f.started(j, s)),
		State: f.stepState(j, s, next), Good: s.GetPiecesGood(), Spoiled: s.GetPiecesSpoiled(), Left: s.GetPiecesLeft(), Why: why, Note: s.GetNote(), RemakeOf: s.GetRemakeOf(),
	}
	if row.Why == "" && len(s.GetStateReasons()) > 0 && !jobOver(s) {
		row.Why = strings.Join(s.GetStateReasons(), ", ")
	}
	if s.GetCarriedBy() != "" {
		row.Why = strings.TrimPrefix(row.Why+"; done by gang run "+s.GetCarriedBy(), "; ")
	}
	return row
}

// stepNeeds lists what a step asks of a device.
func stepNeeds(s *tandemv1.Step) string {
	var parts []string
	for _, p := range []struct{ name, value string }{{"", s.GetMedia()}, {"film ", s.GetFilm()}, {"blade ", s.GetBlade()}, {"ink ", s.GetInk()}, {"mode ", s.GetMode()}} {
		if p.value != "" {
			parts = append(parts, p.name+p.value)
		}
	}
	if s.GetLengthUm() > 0 {
		parts = append(parts, wording.Metres(s.GetLengthUm()))
	}
	if s.GetDuration() != nil {
		parts = append(parts, wording.Span(s.GetDuration().AsDuration()))
	}
	for _, key := range slices.Sorted(maps.Keys(s.GetRequires())) {
		parts = append(parts, key+" "+s.GetRequires()[key])
	}
	return strings.Join(parts, ", ")
}

func (f *facts) runRow(s *tandemv1.Step, r *tandemv1.Run) runRow {
	row := runRow{
		Run: r.GetId(), Step: s.GetId(), Device: r.GetDevice(), Mark: jobMark(r.GetState()), State: words{stateClass(r.GetState()), wording.JobState(r.GetState())},
		Operator: orElse(r.GetStartedBy(), "-"), Granted: f.Clock().At(r.GetGrantTime()), Start: f.Clock().At(r.GetStartTime()), End: f.Clock().At(r.GetEndTime()),
		Took: "-", Rule: r.GetReason().GetRule(), Lot: r.GetLot(), Pieces: "-",
	}
	if r.GetPieces() > 0 {
		row.Pieces = fmt.Sprintf("%d of %d", r.GetPiecesGood(), r.GetPieces())
		if r.GetPiecesSpoiled() > 0 {
			row.Pieces += fmt.Sprintf(", %d spoiled", r.GetPiecesSpoiled())
		}
	}
	if r.GetStartTime() != nil && r.GetEndTime() != nil {
		row.Took = wording.Span(r.GetEndTime().AsTime().Sub(r.GetStartTime().AsTime()))
		if e := r.GetExpectedDuration(); e != nil {
			row.Took += ", expected " + wording.Span(e.AsDuration())
		}
	}
	remarks := slices.DeleteFunc(slices.Clone(r.GetStateReasons()), func(s string) bool { return s == "none" })
	if r.GetOverrideNote() != "" {
		remarks = append(remarks, "started although other media is on the device: "+r.GetOverrideNote())
	}
	for _, reg := range r.GetRegistrations() {
		if !reg.GetAccepted() {
			remarks = append(remarks, "marks of "+reg.GetPanelCode()+" do not fit: "+reg.GetReason())
		}
	}
	row.Remarks = strings.Join(remarks, "; ")
	return row
}

// jobFacts are a job's figures, with names for people.
func (f *facts) jobFacts(j *tandemv1.Job) []fact {
	var out []fact
	add := func(name, text string) {
		if text != "" && text != "-" {
			out = append(out, fact{name, []words{{"", text}}})
		}
	}
	if j.GetDueTime() != nil {
		out = append(out, fact{"Due", f.promise(j)})
	} else if p := f.promise(j); len(p) > 1 {
		out = append(out, fact{"Forecast", p[1:]})
	}
	if j.GetHold() {
		out = append(out, fact{"Hold", []words{{"warn", "held: nothing starts until it is released"}}})
	}
	add("Released", f.Clock().At(j.GetReleaseTime()))
	if j.GetPriority() != 0 {
		add("Priority", fmt.Sprint(j.GetPriority()))
	}
	add("Taken in", f.Clock().At(j.GetCreateTime()))
	add("Ended", f.Clock().At(j.GetEndTime()))
	add("Gang run of", strings.Join(j.GetMembers(), ", "))
	for _, key := range slices.Sorted(maps.Keys(j.GetLabels())) {
		add(key, j.GetLabels()[key])
	}
	if rs := slices.DeleteFunc(slices.Clone(j.GetStateReasons()), func(s string) bool { return s == "none" }); len(rs) > 0 {
		add("Reasons", strings.Join(rs, ", "))
	}
	return out
}

func (b *Board) serveJob(w http.ResponseWriter, r *http.Request) {
	id := r.PathValue("id")
	if !tandemv1.ValidID(id) {
		b.pages.missing(w, "That is no job: "+tandemv1.IDRule+".")
		return
	}
	ctx, cancel := context.WithTimeout(r.Context(), explainWithin)
	defer cancel()
	s, _ := b.mirror.snapshot()
	page := &jobPage{board: b, id: id}
	j := s.job(id)
	var t *jobTopic
	if j != nil {
		if t = b.jobTopic(id); t != nil {
			page = t.page
		}
		page.explain(ctx, j)
	} else if err := page.find(ctx); err != nil {
		if c := status.Code(err); c != codes.NotFound {
			b.pages.serveStatus(w, http.StatusServiceUnavailable, "message", b.view("Job "+id, "jobs", map[string]any{"Text": "The daemon does not answer (" + brief(err) + "): try again."}))
			return
		}
		b.pages.missing(w, "There is no job "+id+".")
		return
	}
	var lists map[string][]row
	v := b.view("Job "+id, "jobs", nil)
	if t != nil {
		t.update()
		var position string
		lists, position = t.topic.page(b.now())
		v = v.live("/live/jobs/"+id, position)
	} else {
		lists = map[string][]row{}
		for _, l := range page.lists() {
			lists[l.Name] = l.Rows
		}
	}
	v.D = map[string]any{"Lists": lists, "ID": id}
	b.pages.serve(w, "job", v)
}
