package board

import (
	"bytes"
	"cmp"
	"context"
	"errors"
	"net/http"
	"slices"
	"strconv"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/clients/ganttview"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	planWithin = 5 * time.Second
	// mostPlanned is how many runs the table under the plan lists.
	mostPlanned = 120
)

// planHours are the stretches of what ran that can be shown before now; the first one is the standard.
var planHours = []int{8, 2, 24} //nolint:gochecknoglobals // a table that is never changed

// plannedRow is a run in the table under the plan.
type plannedRow struct {
	Device, Job, Step, Start, End, Changeover string
	Due                                       words
}

// hours reads how much of the past is asked for.
func hours(r *http.Request) int {
	n, err := strconv.Atoi(r.URL.Query().Get("hours"))
	if err != nil || !slices.Contains(planHours, n) {
		return planHours[0]
	}
	return n
}

func (b *Board) plan(ctx context.Context) (*tandemv1.Plan, error) {
	ctx, cancel := context.WithTimeout(ctx, planWithin)
	defer cancel()
	return b.api.plans.GetPlan(ctx, &tandemv1.GetPlanRequest{})
}

func (b *Board) servePlan(w http.ResponseWriter, r *http.Request) {
	s, _ := b.mirror.snapshot()
	f := newFacts(s, b.now())
	data := map[string]any{"Notices": b.notices(s), "Hours": hours(r), "Choices": planHours, "Time": f.now.In(s.zone).Format("Mon 15:04:05")}
	plan, err := b.plan(r.Context())
	if err != nil {
		data["Problem"] = "No plan is shown, only what ran: " + brief(err)
	}
	ends := map[string]time.Time{}
	for _, p := range plan.GetRuns() {
		if t := p.GetEndTime().AsTime(); t.After(ends[p.GetJob()]) {
			ends[p.GetJob()] = t
		}
	}
	runs := slices.Clone(plan.GetRuns())
	slices.SortStableFunc(runs, func(a, b *tandemv1.PlannedRun) int {
		return cmp.Or(a.GetStartTime().AsTime().Compare(b.GetStartTime().AsTime()), cmp.Compare(a.GetDevice(), b.GetDevice()))
	})
	var rows []plannedRow
	for _, p := range runs[:min(len(runs), mostPlanned)] {
		row := plannedRow{Device: p.GetDevice(), Job: p.GetJob(), Step: p.GetStep(), Start: f.Clock().At(p.GetStartTime()), End: f.Clock().At(p.GetEndTime()), Changeover: "-", Due: words{"", f.Clock().At(p.GetDueTime())}}
		if p.GetFixed() {
			row.Start = "runs since " + row.Start
			if !f.Clock().Past(p.GetStartTime()) {
				row.Start = "given, " + f.Clock().At(p.GetStartTime())
			}
		}
		if d := p.GetChangeover().AsDuration(); d > 0 {
			row.Changeover = wording.Span(d)
		}
		if due := p.GetDueTime(); due != nil {
			if late := ends[p.GetJob()].Sub(due.AsTime()); late > 0 {
				row.Due = words{"bad", row.Due.Text + ", job late by " + wording.Span(late)}
			}
		}
		rows = append(rows, row)
	}
	data["Rows"], data["All"], data["LeftOut"], data["Sums"] = rows, len(runs), plan.GetLeftOut(), planSums(plan)
	data["Version"] = strconv.FormatUint(plan.GetRevision(), 10) + "-" + strconv.FormatInt(plan.GetEvaluations(), 10)
	b.pages.serve(w, "plan", b.view("Plan", "plan", data))
}

// planSums says what the plan is worth.
func planSums(p *tandemv1.Plan) []fact {
	cost, rule := p.GetCost(), p.GetRuleCost()
	if cost == nil {
		return nil
	}
	with := func(show func(*tandemv1.PlanCost) string) []words {
		out := []words{{"strong", show(cost)}}
		if rule != nil {
			out = append(out, words{"faint", "without a search " + show(rule)})
		}
		return out
	}
	return []fact{
		{"Late jobs", with(func(c *tandemv1.PlanCost) string { return strconv.Itoa(int(c.GetLateJobs())) })},
		{"Lateness, weighted", with(func(c *tandemv1.PlanCost) string { return wording.Span(c.GetWeightedTardiness().AsDuration()) })},
		{"Changing over", with(func(c *tandemv1.PlanCost) string { return wording.Span(c.GetChangeover().AsDuration()) })},
		{"Done in", with(func(c *tandemv1.PlanCost) string { return wording.Span(c.GetMakespan().AsDuration()) })},
	}
}

// servePlanPicture draws what ran, left of now, and what is planned, right of it.
func (b *Board) servePlanPicture(w http.ResponseWriter, r *http.Request) {
	plan, err := b.plan(r.Context())
	if err != nil {
		plan = nil // what ran is shown all the same
	}
	s, _ := b.mirror.snapshot()
	now := s.now(b.now())
	planned := map[stepDevice]bool{}
	chart := ganttview.Chart{Attended: plan.GetAttended(), Now: now}
	for _, p := range plan.GetRuns() {
		planned[stepDevice{p.GetJob(), p.GetStep(), p.GetDevice()}] = p.GetFixed()
		chart.Runs = append(chart.Runs, p)
	}
	since := now.Add(-time.Duration(hours(r)) * time.Hour)
	for _, j := range s.jobs {
		for _, x := range j.GetSteps() {
			for _, run := range x.GetRuns() {
				if p := ran(j, x, run, since, now); p != nil && (run.GetEndTime() != nil || !planned[stepDevice{j.GetId(), x.GetId(), run.GetDevice()}]) {
					chart.Runs = append(chart.Runs, p)
				}
			}
		}
	}
	for _, d := range s.devices {
		chart.Devices = append(chart.Devices, d.GetId())
	}
	b.picture(w, ganttview.Picture{Title: "What ran and what is planned, as of " + now.In(s.zone).Format("Mon 2 Jan 2006 15:04"), Zone: s.zone, Charts: []ganttview.Chart{chart}})
}

type stepDevice struct{ job, step, device string }

// ran is a run as it really was; nil if it is not of this stretch of time.
func ran(j *tandemv1.Job, s *tandemv1.Step, r *tandemv1.Run, since, now time.Time) *tandemv1.PlannedRun {
	if r.GetStartTime() == nil {
		return nil
	}
	end := now
	if r.GetEndTime() != nil {
		end = r.GetEndTime().AsTime()
	}
	if !end.After(since) || end.Before(r.GetStartTime().AsTime()) {
		return nil
	}
	start := r.GetStartTime().AsTime()
	if start.Before(since) {
		start = since
	}
	return &tandemv1.PlannedRun{
		Device: r.GetDevice(), Job: j.GetId(), Step: s.GetId(), Operation: s.GetOperation(),
		StartTime: timestamppb.New(start), EndTime: timestamppb.New(end), Fixed: true, DueTime: j.GetDueTime(),
	}
}

// picture writes a drawing of runs, to be shown as an image.
func (b *Board) picture(w http.ResponseWriter, p ganttview.Picture) {
	var out bytes.Buffer
	err := ganttview.SVG(&out, p)
	if errors.Is(err, ganttview.ErrNoRuns) {
		out.Reset()
		out.WriteString(`<svg xmlns="http://www.w3.org/2000/svg" width="1200" height="60" viewBox="0 0 1200 60"><title>Nothing to draw</title><text x="20" y="36" font-family="sans-serif" font-size="18">Nothing ran and nothing is planned in this time.</text></svg>`)
	} else if err != nil {
		http.Error(w, "the picture cannot be drawn: "+err.Error(), http.StatusInternalServerError)
		return
	}
	w.Header().Set("Content-Security-Policy", picturePolicy)
	w.Header().Set("Content-Type", "image/svg+xml")
	w.Header().Set("Cache-Control", "no-store")
	_, _ = w.Write(out.Bytes())
}
