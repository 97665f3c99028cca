package board

import (
	"cmp"
	"fmt"
	"math"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/celltext"
	"tandem/clients/floorview"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// Bounds of what the floor's page shows at once; the rest is counted and can be paged through.
const (
	mostNeeds   = 40
	mostDevices = 60
	mostWaits   = 30
	mostJobs    = 40
	mostRuns    = 4 // of one device
)

// From these risks on a job is said to be in danger, or probably late.
const (
	someRisk   = 0.1
	likelyRisk = 0.5
)

// words is text with how good it is; the text alone says it.
type words struct {
	Class string // good, busy, warn, bad, faint, strong or empty
	Text  string
}

// pieces are how many of how many.
var pieces = regexp.MustCompile(`^[0-9]+/[0-9]+$`) //nolint:gochecknoglobals // never changed

func wordsOf(l celltext.Line) []words {
	var out []words
	for _, s := range l {
		if text := strings.Trim(s.Text, ", "); text != "" { // each stands apart
			if pieces.MatchString(text) {
				text = strings.Replace(text, "/", " of ", 1)
			}
			out = append(out, words{classOf(s.Style), text})
		}
	}
	return out
}

func classOf(s celltext.Style) string {
	switch s {
	case celltext.Good:
		return "good"
	case celltext.Busy:
		return "busy"
	case celltext.Warn:
		return "warn"
	case celltext.Bad:
		return "bad"
	case celltext.Faint:
		return "faint"
	case celltext.Strong:
		return "strong"
	default:
		return ""
	}
}

// facts is a snapshot as people need it.
type facts struct {
	*floorview.Floor
	snap *snapshot
	now  time.Time
	jobs map[string]*tandemv1.Job
	open []*tandemv1.Job // by due time, those without one last
}

func newFacts(s *snapshot, wall time.Time) *facts {
	now := s.now(wall)
	f := &facts{
		Floor: floorview.New(s.jobs, s.devices, floorview.Options{Now: now, Zone: s.zone}),
		snap:  s, now: now, jobs: make(map[string]*tandemv1.Job, len(s.jobs)),
	}
	for _, j := range s.jobs {
		f.jobs[j.GetId()] = j
		if !wording.Ended(j.GetState()) {
			f.open = append(f.open, j)
		}
	}
	slices.SortStableFunc(f.open, func(a, b *tandemv1.Job) int { return dueOrder(a.GetDueTime(), b.GetDueTime()) })
	return f
}

// dueOrder puts the earlier first, and what has no due time last.
func dueOrder(a, b *timestamppb.Timestamp) int {
	switch {
	case a == nil && b == nil:
		return 0
	case a == nil:
		return 1
	case b == nil:
		return -1
	default:
		return a.AsTime().Compare(b.AsTime())
	}
}

// headFacts are the counts above all.
type headFacts struct {
	Shop, Time                                string
	Devices, Working, Stopped, Silent, Needed int
	Open, Late, AtRisk                        int
}

func (f *facts) head(needed int) headFacts {
	h := headFacts{Shop: f.snap.floor.GetDisplayName(), Time: f.now.In(f.Clock().Zone).Format("Mon 15:04"), Devices: len(f.snap.devices), Open: len(f.open), Needed: needed}
	for _, d := range f.snap.devices {
		switch {
		case d.GetLink() != tandemv1.Link_LINK_ONLINE:
			h.Silent++
		case d.GetState() == tandemv1.DeviceState_DEVICE_STATE_PROCESSING:
			h.Working++
		case d.GetState() == tandemv1.DeviceState_DEVICE_STATE_STOPPED:
			h.Stopped++
		}
	}
	for _, j := range f.open {
		switch {
		case f.Clock().Past(j.GetDueTime()):
			h.Late++
		case j.GetDueTime() != nil && f.snap.forecast(j).GetLateRisk() >= someRisk:
			h.AtRisk++
		}
	}
	return h
}

// need is one thing a person can do next.
type need struct {
	Key   string
	Mark  string
	Class string
	Text  string
	For   string // the work, as JOB / STEP
	Job   string
	Why   []words
	grave int
	due   *timestamppb.Timestamp
}

// needs lists what people can do next: what stands still first, then by due time; what is under way by hand comes last.
func (f *facts) needs() []need {
	var out []need
	for _, n := range f.Needs() {
		row := need{Key: words2key(n.Device, n.Run, n.Job, n.Step), Mark: "call", Class: "warn", Text: n.Text, For: n.More, Job: n.Job, grave: 1}
		if n.Grave {
			row.Mark, row.Class, row.grave = "fault", "bad", 0
		}
		if j := f.jobs[n.Job]; j != nil {
			row.due = j.GetDueTime()
			row.Why = f.why(j, n.Step, n.Run)
		}
		out = append(out, row)
	}
	for _, d := range f.snap.devices {
		if !d.GetDriver().GetManual() || len(d.GetRuns()) == 0 || d.GetLink() == tandemv1.Link_LINK_OFFLINE {
			continue
		}
		for _, r := range d.GetRuns() {
			if r.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING || r.GetOperation() == "dry" || floorview.Has(r.GetStateReasons(), "x-outcome-unknown") {
				continue
			}
			row := need{
				Key: words2key(d.GetId(), r.GetRun(), r.GetJob(), r.GetStep()), Mark: "work", Class: "busy", Job: r.GetJob(), grave: 2,
				Text: "when it is done: scan " + codesOf(r.GetPanelCodes(), r.GetRun()) + " at " + d.GetId(),
				For:  r.GetJob() + " / " + r.GetStep(), Why: wordsOf(f.Progress(r).Words), due: f.jobs[r.GetJob()].GetDueTime(),
			}
			out = append(out, row)
		}
	}
	slices.SortStableFunc(out, func(a, b need) int { return cmp.Or(cmp.Compare(a.grave, b.grave), dueOrder(a.due, b.due)) })
	seen := map[string]int{}
	for i := range out {
		seen[out[i].Key]++
		if n := seen[out[i].Key]; n > 1 {
			out[i].Key += fmt.Sprint("#", n)
		}
	}
	return out
}

// called counts what waits for a person; what is under way by hand does not.
func called(needs []need) int {
	n := 0
	for _, row := range needs {
		if row.grave < 2 {
			n++
		}
	}
	return n
}

func words2key(parts ...string) string {
	return strings.Join(slices.DeleteFunc(parts, func(s string) bool { return s == "" }), "/")
}

func codesOf(codes []string, otherwise string) string {
	switch {
	case len(codes) == 0:
		return otherwise
	case len(codes) > 3:
		return strings.Join(codes[:3], " ") + " and " + wording.Count(len(codes)-3, "more panel")
	default:
		return strings.Join(codes, " ")
	}
}

// why says why it is this work's turn: when it is due, what the risk is, and why it went to this device.
func (f *facts) why(j *tandemv1.Job, step, run string) []words {
	out := f.promise(j)
	for _, s := range j.GetSteps() {
		if s.GetId() != step {
			continue
		}
		for _, r := range s.GetRuns() {
			if r.GetId() == run && r.GetReason().GetRule() != "" {
				text := "chosen by: " + r.GetReason().GetRule()
				if n := r.GetReason().GetWaiting(); n > 0 {
					text += fmt.Sprintf("; %s could have gone first", wording.Count(int(n), "other step"))
				}
				out = append(out, words{"faint", text})
			}
		}
	}
	return out
}

// promise says when a job is due, when it will be done and how great the risk is that it is late.
func (f *facts) promise(j *tandemv1.Job) []words {
	out := wordsOf(f.Due(j))
	forecast := f.snap.forecast(j)
	switch {
	case forecast == nil:
	case forecast.GetStuck() != "":
		out = append(out, words{"warn", "no date: " + forecast.GetStuck()})
	case forecast.GetP90Time() != nil:
		out = append(out, words{"", "done " + f.Clock().At(forecast.GetP90Time()) + " in 9 of 10 cases"})
	}
	if j.GetDueTime() != nil && !f.Clock().Past(j.GetDueTime()) {
		switch risk := forecast.GetLateRisk(); {
		case risk >= likelyRisk:
			out = append(out, words{"bad", "late risk " + percent(risk)})
		case risk >= someRisk:
			out = append(out, words{"warn", "late risk " + percent(risk)})
		}
	}
	return out
}

// inUTC is how the daemon writes times into its sentences.
var inUTC = regexp.MustCompile(`[0-9]{4}-[0-9]{2}-[0-9]{2} [0-9]{2}:[0-9]{2} UTC`) //nolint:gochecknoglobals // never changed

// local puts the times of a sentence of the daemon where the shop's clock hangs.
func local(sentence string, zone *time.Location) string {
	return inUTC.ReplaceAllStringFunc(sentence, func(s string) string {
		t, err := time.Parse("2006-01-02 15:04 MST", s)
		if err != nil {
			return s
		}
		return t.In(zone).Format("Mon 15:04")
	})
}

func percent(share float64) string { return fmt.Sprintf("%d %%", int(math.Round(share*100))) }

// deviceFacts are what a device does and how long yet.
type deviceFacts struct {
	Key, Name, Code string
	Mark            string
	State           words
	Remark          string
	Free            string // what is loaded, if nothing runs
	Runs            []runFacts
	More            int // runs not listed
	order           int
	drying          int           // of its runs
	left            time.Duration // until the first of its runs ends
}

// runFacts are how far a run is.
type runFacts struct {
	Job, Step string
	Words     []words
	Bar       bool
	Percent   int
}

func (f *facts) device(d *tandemv1.Device) deviceFacts {
	word, style := floorview.Condition(d)
	out := deviceFacts{Key: d.GetId(), Name: d.GetDisplayName(), Code: d.GetCode(), State: words{classOf(style), word}, Remark: f.Remark(d), order: 3, left: math.MaxInt64}
	switch word {
	case "processing":
		out.Mark, out.order = "work", 2
	case "stopped":
		out.Mark, out.order = "fault", 0
	case "idle":
		out.Mark = "free"
	case "locked", "paused":
		out.Mark, out.order = "held", 4
	default:
		out.Mark, out.order = "silent", 1
	}
	runs := slices.Clone(d.GetRuns())
	if d.GetCapacity() > 1 { // what leaves a rack first stands first
		slices.SortStableFunc(runs, func(a, b *tandemv1.DeviceRun) int {
			x, _ := f.End(a.GetJob(), a.GetStep())
			y, _ := f.End(b.GetJob(), b.GetStep())
			return x.Compare(y)
		})
	}
	for i, r := range runs {
		if end, known := f.End(r.GetJob(), r.GetStep()); known {
			out.left = min(out.left, end.Sub(f.now))
		}
		if r.GetOperation() == "dry" {
			out.drying++
		}
		if floorview.Has(r.GetStateReasons(), "x-awaiting-start") || floorview.Has(r.GetStateReasons(), "x-media-mismatch") {
			out.order = min(out.order, 1)
		}
		if i >= mostRuns && len(runs) > mostRuns+1 {
			out.More++
			continue
		}
		p := f.Progress(r)
		out.Runs = append(out.Runs, runFacts{Job: r.GetJob(), Step: r.GetStep(), Words: wordsOf(p.Words), Bar: p.Runs, Percent: int(p.Share * 100)})
	}
	if len(runs) == 0 {
		out.Free = "free"
		if d.GetLoadedMedia() != "" {
			out.Free += ", " + d.GetLoadedMedia() + " loaded"
			if d.GetLoadedLot() != "" {
				out.Free += ", " + wording.Metres(d.GetLoadedRemainingUm()) + " left"
			}
		}
	}
	return out
}

// devices lists all devices in the floor file's order.
func (f *facts) devices() []deviceFacts {
	out := make([]deviceFacts, 0, len(f.snap.devices))
	for _, d := range f.snap.devices {
		out = append(out, f.device(d))
	}
	return out
}

// foremost keeps as many devices as there is room for: those in trouble, those that wait for a person, those that work.
// Those kept stay in their order.
func foremost(all []deviceFacts, most int) []deviceFacts {
	if len(all) <= most {
		return all
	}
	ranked := make([]int, len(all))
	for i := range ranked {
		ranked[i] = i
	}
	slices.SortStableFunc(ranked, func(a, b int) int { return cmp.Compare(all[a].order, all[b].order) })
	ranked = ranked[:most]
	slices.Sort(ranked)
	out := make([]deviceFacts, 0, most)
	for _, i := range ranked {
		out = append(out, all[i])
	}
	return out
}

// wait is work that dries, or that waits for a device.
type wait struct {
	Key, Job, Step string
	Mark           string
	Codes          string
	Words          []words
	at             time.Time
	rank           int
}

// waits lists work that dries or must wait, by when it is ready, then work that waits for a device, by due time.
func (f *facts) waits() []wait {
	var out []wait
	for _, j := range f.open {
		for _, s := range j.GetSteps() {
			if wording.Ended(s.GetState()) || s.GetCarriedBy() != "" {
				continue
			}
			end, known := f.End(j.GetId(), s.GetId())
			device, run := f.At(j.GetId(), s.GetId())
			row := wait{Key: j.GetId() + "/" + s.GetId(), Job: j.GetId(), Step: s.GetId(), Codes: panelCodes(j, s)}
			switch {
			case s.GetOperation() == "dry" && s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING && known:
				row.Mark, row.at = "dry", end
				row.Words = []words{{"busy", "dries, ready " + f.AtTime(end)}, {"", f.Clock().Away(timestamppb.New(end))}}
				if device != nil {
					row.Words = append(row.Words, words{"faint", "in " + device.GetId()})
				}
			case s.GetReadyTime() != nil && s.GetReadyTime().AsTime().After(f.now) && s.GetState() == tandemv1.JobState_JOB_STATE_PENDING_HELD:
				row.Mark, row.at = "wait", s.GetReadyTime().AsTime()
				row.Words = []words{{"busy", "must wait, ready " + f.Clock().At(s.GetReadyTime())}, {"", f.Clock().Away(s.GetReadyTime())}}
			case s.GetState() == tandemv1.JobState_JOB_STATE_PENDING && run == nil:
				row.Mark, row.rank = "wait", 1
				row.Words = append([]words{{"", "ready for " + s.GetOperation()}}, wordsOf(f.Step(j, s, true))...)
			default:
				continue
			}
			out = append(out, row)
		}
	}
	slices.SortStableFunc(out, func(a, b wait) int { return cmp.Or(cmp.Compare(a.rank, b.rank), a.at.Compare(b.at)) })
	return out
}

// panelCodes names the panels of a step, at most three.
func panelCodes(j *tandemv1.Job, s *tandemv1.Step) string {
	var codes []string
	for _, p := range j.GetPanels() {
		if p.GetCode() != "" && (len(s.GetPanels()) == 0 || slices.Contains(s.GetPanels(), p.GetId())) {
			codes = append(codes, p.GetCode())
		}
	}
	return codesOf(codes, "")
}

// jobFacts are how far a job is and when it will be done.
type jobFacts struct {
	Key, Name, Code string
	Mark            string
	State           words
	Promise         []words
	Done, Steps     int
	Now             []stepNow
	More            int
	risk            float64
	due             *timestamppb.Timestamp
	dueText         string // in the fewest words
}

// stepNow is a step that is under way or next.
type stepNow struct {
	Step  string
	Words []words
}

func (f *facts) job(j *tandemv1.Job) jobFacts {
	out := jobFacts{
		Key: j.GetId(), Name: j.GetDisplayName(), Code: j.GetCode(), Mark: jobMark(j.GetState()), State: words{stateClass(j.GetState()), wording.JobState(j.GetState())},
		Promise: f.promise(j), Steps: len(j.GetSteps()), due: j.GetDueTime(),
	}
	switch forecast := f.snap.forecast(j); {
	case j.GetDueTime() != nil:
		out.dueText = f.Clock().At(j.GetDueTime())
	case forecast.GetP90Time() != nil:
		out.dueText = "done " + f.Clock().At(forecast.GetP90Time())
	default:
		out.dueText = "no date"
	}
	if f.Clock().Past(j.GetDueTime()) {
		out.risk, out.dueText = 1, "late by "+wording.Span(f.now.Sub(j.GetDueTime().AsTime()))
	} else if j.GetDueTime() != nil {
		out.risk = min(f.snap.forecast(j).GetLateRisk(), 0.99)
	}
	next := true
	for _, level := range floorview.Levels(j.GetSteps()) {
		over := true
		for _, s := range level {
			if wording.Ended(s.GetState()) {
				out.Done++
				continue
			}
			over = false
			if !next {
				continue
			}
			if len(out.Now) == 3 {
				out.More++
				continue
			}
			out.Now = append(out.Now, stepNow{s.GetId(), wordsOf(f.Step(j, s, true))})
		}
		next = next && over
	}
	return out
}

func jobMark(s tandemv1.JobState) string {
	switch s {
	case tandemv1.JobState_JOB_STATE_PROCESSING:
		return "work"
	case tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, tandemv1.JobState_JOB_STATE_ABORTED:
		return "fault"
	case tandemv1.JobState_JOB_STATE_PENDING_HELD:
		return "held"
	case tandemv1.JobState_JOB_STATE_CANCELED:
		return "gone"
	case tandemv1.JobState_JOB_STATE_COMPLETED:
		return "done"
	default:
		return "wait"
	}
}

func stateClass(s tandemv1.JobState) string {
	switch s {
	case tandemv1.JobState_JOB_STATE_PROCESSING:
		return "busy"
	case tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED, tandemv1.JobState_JOB_STATE_ABORTED:
		return "bad"
	case tandemv1.JobState_JOB_STATE_PENDING_HELD, tandemv1.JobState_JOB_STATE_CANCELED:
		return "warn"
	case tandemv1.JobState_JOB_STATE_COMPLETED:
		return "good"
	default:
		return ""
	}
}

// Brief says in a few words, for the wall, what a device does and how long yet.
func (d deviceFacts) Brief() string {
	switch d.Mark {
	case "fault", "silent", "held":
		return d.State.Text
	}
	if d.calls() {
		return "needs a person"
	}
	switch {
	case d.left == math.MaxInt64 && len(d.Runs) == 0:
		return d.State.Text
	case d.left == math.MaxInt64:
		return "works"
	case d.left <= 0:
		return "over time"
	}
	left := wording.Span(d.left.Truncate(time.Minute) + time.Minute)
	if d.drying > 0 {
		if d.left > time.Hour {
			left = wording.Span(d.left.Round(time.Hour))
		}
		return fmt.Sprintf("%d drying, next in %s", d.drying, left)
	}
	return left + " left"
}

// several are panels one after another, as floorview lists them.
var several = regexp.MustCompile(`(P[0-9A-Z]+)((?: P[0-9A-Z]+)+)(?: and ([0-9]+) more panels?)?`) //nolint:gochecknoglobals // never changed

// Short is the text for the wall: of several panels one is named.
func (n need) Short() string {
	return several.ReplaceAllStringFunc(n.Text, func(s string) string {
		m := several.FindStringSubmatch(s)
		others := len(strings.Fields(m[2]))
		if hidden, err := strconv.Atoi(m[3]); err == nil {
			others += hidden
		}
		return fmt.Sprintf("%s and %d more", m[1], others)
	})
}

// lines is about how many lines of the wall it takes.
func (n need) lines() int { return (len(n.Short()) + wallLetters - 1) / wallLetters }

// calls reports whether one of its runs waits for a person.
func (d deviceFacts) calls() bool {
	return slices.ContainsFunc(d.Runs, func(r runFacts) bool {
		return slices.ContainsFunc(r.Words, func(w words) bool { return strings.HasPrefix(w.Text, "needs a person: ") })
	})
}

// WallMark and WallClass are the shape before a device on the wall: that it waits for a person counts more than its state.
func (d deviceFacts) WallMark() string {
	if d.calls() {
		return "call"
	}
	return d.Mark
}

// WallClass is how grave that is.
func (d deviceFacts) WallClass() string {
	if d.calls() {
		return "warn"
	}
	return d.State.Class
}

// RiskMark, RiskClass and RiskText say for the wall when a job is due and whether it will be late.
func (j jobFacts) RiskMark() string {
	return [...]string{"wait", "call", "fault", "fault"}[danger(j)]
}

// RiskClass is how grave that is.
func (j jobFacts) RiskClass() string {
	return [...]string{"", "warn", "bad", "bad"}[danger(j)]
}

// RiskText says it.
func (j jobFacts) RiskText() string {
	switch danger(j) {
	case 3:
		return j.dueText
	case 2:
		return j.dueText + " probably late"
	case 1:
		return j.dueText + " at risk"
	default:
		return j.dueText
	}
}
