package floorview

import (
	"fmt"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/celltext"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// dry is the operation whose end is a time of day rather than a count of pieces.
const dry = "dry"

// chainLines is the number of lines a job's steps may take.
const chainLines = 3

func (v *view) jobLines() []line {
	lines := title("JOBS")
	if len(v.jobs) == 0 {
		return append(lines, line{{faint, " none"}})
	}
	names := make([]string, len(v.jobs))
	words := make([]string, len(v.jobs))
	for i, j := range v.jobs {
		names[i], words[i] = celltext.Clean(j.GetId()), wording.JobState(j.GetState())
	}
	nameCells := widest(names, v.width/3)
	wordCells := widest(words, len("processing-stopped"))
	var ended []line
	for i, j := range v.jobs {
		l := line{{strong, " " + fit(names[i], nameCells)}, {plain, "  "}, {jobStyle(j.GetState()), fit(words[i], wordCells)}, {plain, "  "}}
		if wording.Ended(j.GetState()) {
			ended = append(ended, append(l, span{faint, v.At(j.GetEndTime())}))
			continue
		}
		due := v.due(j)
		if j.GetDisplayName() != "" {
			due = append(due, span{faint, "  " + j.GetDisplayName()})
		}
		if v.narrow {
			lines = append(lines, line{{strong, " " + names[i]}, {plain, "  "}, {jobStyle(j.GetState()), words[i]}}, append(line{{plain, "   "}}, due...))
		} else {
			lines = append(lines, append(l, due...))
		}
		lines = append(lines, v.chain(j)...)
	}
	return append(lines, ended...)
}

func jobStyle(s tandemv1.JobState) style {
	switch s {
	case tandemv1.JobState_JOB_STATE_PROCESSING:
		return busy
	case tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, tandemv1.JobState_JOB_STATE_ABORTED:
		return bad
	case tandemv1.JobState_JOB_STATE_PENDING_HELD, tandemv1.JobState_JOB_STATE_CANCELED:
		return warn
	case tandemv1.JobState_JOB_STATE_COMPLETED:
		return good
	default:
		return plain
	}
}

// due tells the promise and whether it is broken or in danger: only by what is certain, the end of what runs.
func (v *view) due(j *tandemv1.Job) line {
	due := j.GetDueTime()
	switch {
	case due == nil:
		return line{{faint, "no due time"}}
	case v.Past(due):
		return line{{bad, "LATE by " + wording.Span(v.Now.Sub(due.AsTime()))}, {plain, ", was due " + v.At(due)}}
	}
	for _, s := range j.GetSteps() {
		end, known := v.ends[stepKey{j.GetId(), s.GetId()}]
		if known && end.After(due.AsTime()) {
			return line{{plain, "due " + v.At(due)}, {warn, ", late risk: " + s.GetId() + " ends " + v.atTime(end)}}
		}
	}
	return line{{plain, "due " + v.When(due)}}
}

// atTime shows a time that is not a message.
func (v *view) atTime(t time.Time) string {
	return v.At(timestamppb.New(t))
}

// chain draws the steps of a job, those that wait for one another joined by >, those side by side by +.
func (v *view) chain(j *tandemv1.Job) []line {
	links := v.links(j)
	width := v.width - 4
	lines, rest := wrap(links, width)
	if rest > 0 {
		links = fold(links)
		lines, rest = wrap(links, width)
	}
	for cut := len(links) - rest; rest > 0 && cut > 0; cut-- {
		more := link{false, false, line{{faint, wording.Count(len(links)-cut, "more step")}}}
		var over int
		if lines, over = wrap(append(links[:cut:cut], more), width); over == 0 {
			break
		}
	}
	for i := range lines {
		lines[i] = append(line{{plain, "   "}}, lines[i]...)
	}
	return lines
}

// link is one step in the chain.
type link struct {
	beside bool // stands beside the one before: neither waits for the other
	done   bool
	text   line
}

// links puts the steps in an order in which each comes after those it waits for.
func (v *view) links(j *tandemv1.Job) []link {
	var links []link
	begun := true
	for _, level := range levels(j.GetSteps()) {
		next := begun
		for i, s := range level {
			done := s.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED
			links = append(links, link{i > 0, done, v.step(j, s, next)})
			if !done {
				begun = begun && s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING
			}
		}
	}
	return links
}

// levels groups steps by the longest way that leads to them. References to steps that are not there, or in a circle,
// are passed over: a drawing must not hang on bad data.
func levels(steps []*tandemv1.Step) [][]*tandemv1.Step {
	byID := map[string]*tandemv1.Step{}
	for _, s := range steps {
		byID[s.GetId()] = s
	}
	const visiting = -1
	depth := map[*tandemv1.Step]int{}
	var visit func(*tandemv1.Step) int
	visit = func(s *tandemv1.Step) int {
		if d, ok := depth[s]; ok {
			return d
		}
		depth[s] = visiting
		d := 0
		for _, id := range s.GetAfter() {
			if before := byID[id]; before != nil {
				d = max(d, visit(before)+1)
			}
		}
		depth[s] = d
		return d
	}
	var out [][]*tandemv1.Step
	for _, s := range steps {
		d := visit(s)
		for len(out) <= d {
			out = append(out, nil)
		}
		out[d] = append(out[d], s)
	}
	return out
}

// step draws one step. next: everything before it is done or under way, so its waiting is worth a word.
func (v *view) step(j *tandemv1.Job, s *tandemv1.Step, next bool) line {
	name := span{plain, s.GetId()}
	key := stepKey{j.GetId(), s.GetId()}
	run := v.runs[key]
	switch s.GetState() {
	case tandemv1.JobState_JOB_STATE_COMPLETED:
		return line{name, {good, " ok"}, {bad, spoiled(s)}}
	case tandemv1.JobState_JOB_STATE_CANCELED, tandemv1.JobState_JOB_STATE_ABORTED:
		return line{name, {bad, " " + wording.JobState(s.GetState())}}
	case tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED:
		if has(s.GetStateReasons(), "x-outcome-unknown") {
			return line{name, {bad, " outcome unknown"}}
		}
		return line{name, {bad, " stopped"}}
	case tandemv1.JobState_JOB_STATE_PROCESSING:
		return line{name, {busy, " " + v.progress(s, key)}, {bad, spoiled(s)}}
	case tandemv1.JobState_JOB_STATE_PENDING:
		if run != nil && has(run.GetStateReasons(), "x-media-mismatch") {
			return line{name, {warn, " load " + v.at[key].GetId()}}
		}
		if run != nil && awaitsStart(run) {
			return line{name, {warn, " start on " + v.at[key].GetId()}}
		}
		if run != nil {
			return line{name, {busy, " told to " + v.at[key].GetId()}}
		}
		if has(s.GetStateReasons(), "x-rack-full") {
			return line{name, {warn, " waits for room in a rack"}}
		}
		return line{name, {plain, " waits for a device"}}
	default:
		return v.waiting(j, s, next)
	}
}

// waiting draws a step that waits for something else first.
func (v *view) waiting(j *tandemv1.Job, s *tandemv1.Step, next bool) line {
	name := span{plain, s.GetId()}
	switch {
	case next && (j.GetHold() || has(s.GetStateReasons(), "job-hold-until-specified")):
		return line{name, {warn, " held"}}
	case next && has(s.GetStateReasons(), "x-unrecorded-work"):
		return line{name, {warn, " done already?"}}
	case s.GetReadyTime() != nil && !v.Past(s.GetReadyTime()):
		return line{name, {busy, " waits until " + v.At(s.GetReadyTime())}}
	case next && has(s.GetStateReasons(), "x-in-gang-run"):
		if gang, _, carried := strings.Cut(s.GetCarriedBy(), "/"); carried {
			return line{name, {faint, " in gang run " + gang}}
		}
		return line{name, {faint, " waits for the shared panel"}}
	case next:
		return line{name, {faint, " waits"}}
	default:
		return line{name}
	}
}

func spoiled(s *tandemv1.Step) string {
	if s.GetPiecesSpoiled() == 0 {
		return ""
	}
	return fmt.Sprintf(" (%d spoiled)", s.GetPiecesSpoiled())
}

// progress tells how far a step that runs is: until when for drying and other work without pieces, else the pieces.
func (v *view) progress(s *tandemv1.Step, key stepKey) string {
	end, known := v.ends[key]
	run := v.runs[key]
	if known && (s.GetOperation() == dry || run.GetPieces() == 0) {
		return "until " + v.atTime(end)
	}
	if run.GetPieces() > 0 {
		return fmt.Sprintf("%d/%d", run.GetPiecesGood(), run.GetPieces())
	}
	if total := s.GetPiecesGood() + s.GetPiecesLeft(); total > 0 {
		return fmt.Sprintf("%d/%d", s.GetPiecesGood(), total)
	}
	return "runs"
}

// fold puts the steps at the beginning that are done into one link.
func fold(links []link) []link {
	done := 0
	for done < len(links) && links[done].done {
		done++
	}
	if done < 2 {
		return links
	}
	return append([]link{{false, true, line{{plain, wording.Count(done, "step")}, {good, " ok"}}}}, links[done:]...)
}

// wrap lays links out in at most chainLines lines of the given width and returns how many did not fit.
func wrap(links []link, width int) ([]line, int) {
	var lines []line
	cells := 0
	for i, k := range links {
		joint, w := "", k.text.cells()
		if i > 0 {
			joint = " > "
			if k.beside {
				joint = " + "
			}
		}
		if len(lines) == 0 || cells+len(joint)+w > width {
			if len(lines) == chainLines {
				return lines, len(links) - i
			}
			joint = strings.TrimPrefix(joint, " ")
			lines = append(lines, line{})
			cells = 0
		}
		last := &lines[len(lines)-1]
		*last = append(append(*last, span{faint, joint}), k.text...)
		cells += len(joint) + w
	}
	return lines, 0
}
