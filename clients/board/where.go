package board

import (
	"context"
	"net/http"
	"slices"
	"strings"
	"time"

	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// longestQuestion is the longest scan that a daemon takes, in bytes.
	longestQuestion = 512
	// whereWithin bounds the calls for one answer; mostReasons how many steps are asked about.
	whereWithin = 3 * time.Second
	mostReasons = 8
	mostPlaces  = 60
)

// placed is where a panel lies, its state and why it waits.
type placed struct {
	Panel, Code, Place, Since string
	Good, Spoiled             int32
	Step                      string
	Words                     []words
	Why                       string
	Asked                     bool // it was this panel that was asked for
}

// whereAnswer answers "where is it?".
type whereAnswer struct {
	Question string
	Problem  string
	Device   *deviceFacts
	Job      *jobFacts
	Panels   []placed
	More     int
}

func (b *Board) serveWhere(w http.ResponseWriter, r *http.Request) {
	question := r.URL.Query().Get("q")
	a := b.where(r.Context(), question)
	if r.URL.Query().Get("part") == "1" {
		w.Header().Set("Content-Type", "text/html; charset=utf-8")
		w.Header().Set("Cache-Control", "no-store")
		_, _ = w.Write([]byte(b.pages.fragment("where-answer", a)))
		return
	}
	b.pages.serve(w, "where", b.view("Where is it?", "where", map[string]any{"Answer": a, "Question": question}))
}

// asCode is what a reader sent as the code that it holds: without the symbology identifier of ISO/IEC 15424 (a bracket and
// two characters), in upper case.
func asCode(s string) string {
	if len(s) > 3 && s[0] == ']' {
		s = s[3:]
	}
	return strings.ToUpper(s)
}

// where finds a device, a job or a panel by its id or code.
func (b *Board) where(ctx context.Context, question string) whereAnswer {
	ctx, cancel := context.WithTimeout(ctx, whereWithin)
	defer cancel()
	a := whereAnswer{Question: strings.TrimSpace(question)}
	switch {
	case a.Question == "":
		a.Problem = "Scan or type a job, a panel or a code."
		return a
	case len(a.Question) > longestQuestion:
		a.Question, a.Problem = "", "That is longer than any code."
		return a
	}
	s, _ := b.mirror.snapshot()
	f := newFacts(s, b.now())
	id, code := strings.ToLower(a.Question), asCode(a.Question)
	for _, d := range s.devices {
		if d.GetId() == id || d.GetCode() == code {
			facts := f.device(d)
			a.Device = &facts
			return a
		}
	}
	var job *tandemv1.Job
	panel := ""
	for _, j := range s.jobs {
		if j.GetId() == id || j.GetCode() == code {
			job, panel = j, ""
			break
		}
		if i := slices.IndexFunc(j.GetPanels(), func(p *tandemv1.Panel) bool { return p.GetCode() != "" && p.GetCode() == code }); i >= 0 {
			job, panel = j, j.GetPanels()[i].GetId()
		}
	}
	if job == nil && (tandemv1.ValidID(id) || tandemv1.ValidID(strings.ToLower(code))) { // one that ended long ago
		for _, name := range []string{id, code} {
			found, err := b.api.jobs.GetJob(ctx, &tandemv1.GetJobRequest{Id: name})
			if err == nil {
				job = found
				break
			}
			if status.Code(err) != codes.NotFound && status.Code(err) != codes.InvalidArgument {
				a.Problem = "It is not among what this board knows, and the daemon does not answer: ask again."
				return a
			}
		}
	}
	if job == nil {
		a.Problem = "Nothing here is called " + a.Question + ": scan it again, or look for its job in the list of jobs."
		return a
	}
	facts := f.job(job)
	a.Job = &facts
	b.places(ctx, f, job, panel, &a)
	return a
}

// places tells of each panel of a job where it lies and what holds it up; the one that was asked for stands first.
func (b *Board) places(ctx context.Context, f *facts, j *tandemv1.Job, panel string, a *whereAnswer) {
	panels := slices.Clone(j.GetPanels())
	slices.SortStableFunc(panels, func(x, y *tandemv1.Panel) int {
		switch {
		case x.GetId() == y.GetId() || x.GetId() != panel && y.GetId() != panel:
			return 0
		case x.GetId() == panel:
			return -1
		default:
			return 1
		}
	})
	reasons := map[string]string{}
	for i, p := range panels {
		if i == mostPlaces {
			a.More = len(panels) - mostPlaces
			break
		}
		row := placed{
			Panel: p.GetId(), Code: p.GetCode(), Place: wording.Place(p), Since: f.Clock().At(p.GetPlaceTime()),
			Good: p.GetPiecesGood(), Spoiled: p.GetPiecesSpoiled(), Asked: p.GetId() == panel,
		}
		s := current(j, p.GetId())
		if s == nil {
			row.Words = []words{{"good", "all its steps have ended"}}
			a.Panels = append(a.Panels, row)
			continue
		}
		row.Step = s.GetId()
		row.Words = wordsOf(f.Step(j, s, true))
		if d, _ := f.At(j.GetId(), s.GetId()); d != nil && s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING {
			if row.Place == "" {
				row.Place = d.GetId()
			}
		}
		if _, known := reasons[s.GetId()]; !known && len(reasons) < mostReasons {
			reasons[s.GetId()] = ""
			if e, err := b.api.jobs.ExplainStep(ctx, &tandemv1.ExplainStepRequest{Id: j.GetId(), Step: s.GetId()}); err == nil {
				reasons[s.GetId()] = local(e.GetSummary(), f.snap.zone)
			}
		}
		row.Why = reasons[s.GetId()]
		a.Panels = append(a.Panels, row)
	}
}

// current is the step of a panel that runs or comes next; nil if all have ended.
func current(j *tandemv1.Job, panel string) *tandemv1.Step {
	for _, s := range j.GetSteps() {
		if !wording.Ended(s.GetState()) && (len(s.GetPanels()) == 0 || slices.Contains(s.GetPanels(), panel)) {
			return s
		}
	}
	return nil
}
