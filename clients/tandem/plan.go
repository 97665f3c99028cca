package main

import (
	"cmp"
	"context"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/clients/ganttview"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) planCommand() *cobra.Command {
	p := &planning{app: a}
	cmd := &cobra.Command{
		Use:   "plan",
		Short: "Show what each device does next, and what that is worth.",
		Example: `  tandem plan
  tandem plan --device cutter-1
  tandem plan --svg plan.svg    draw it: a row for each device
  tandem plan --png plan.png`,
		Long: `The plan is what the search has found so far for the work that waits, if nothing else comes in. It is no promise: what a
device does next is decided when it is free, and the plan is made anew whenever something changes.

Late work is the time by which jobs end late, each multiplied by its weight: priority 50 counts 1. The rule alone is
what happens without a search: each step goes to the device that can finish it first.`,
		Args: cobra.NoArgs,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error {
		if err := p.pictures.check(cmd); err != nil {
			return err
		}
		if cmd.Flags().Changed("device") && p.device == "" {
			return usagef("--device is empty: name a device")
		}
		return p.plan(cmd.Context())
	})
	cmd.Flags().StringVar(&p.device, "device", "", "only what this device does")
	p.pictures.flags(cmd, "who does what when")
	return cmd
}

type planning struct {
	*app
	device   string
	pictures pictures
}

func (a *app) plans() (tandemv1.PlanServiceClient, error) {
	conn, err := a.connect()
	return tandemv1.NewPlanServiceClient(conn), err
}

func (p *planning) plan(ctx context.Context) error {
	client, err := p.plans()
	if err != nil {
		return err
	}
	device := ""
	if p.device != "" {
		if device, err = p.knownDevice(ctx); err != nil {
			return err
		}
	}
	plan, err := bounded(ctx, p.app, func(ctx context.Context) (*tandemv1.Plan, error) {
		return client.GetPlan(ctx, &tandemv1.GetPlanRequest{})
	})
	if err != nil {
		return err
	}
	ends := map[string]time.Time{} // of jobs, whatever is shown
	for _, r := range plan.GetRuns() {
		if t := r.GetEndTime().AsTime(); t.After(ends[r.GetJob()]) {
			ends[r.GetJob()] = t
		}
	}
	if device != "" {
		plan = proto.CloneOf(plan)
		plan.Runs = slices.DeleteFunc(plan.GetRuns(), func(r *tandemv1.PlannedRun) bool { return r.GetDevice() != device })
	}
	clock := wording.Clock{Now: plan.GetNow().AsTime(), Zone: p.zone}
	if plan.GetNow() == nil {
		clock = p.clock(ctx)
	}
	switch {
	case p.json:
		p.message(plan)
	case p.quiet:
		for _, r := range byDevice(plan.GetRuns()) {
			p.text("%s %s %s", r.GetDevice(), r.GetJob(), r.GetStep())
		}
	default:
		p.show(clock, plan, ends)
	}
	if !p.pictures.wanted() {
		return nil
	}
	return p.draw(ctx, clock, plan, device)
}

// knownDevice returns the id of the device that was asked for, which must be there: no plan for it would be no answer.
func (p *planning) knownDevice(ctx context.Context) (string, error) {
	client, err := p.devices()
	if err != nil {
		return "", err
	}
	device, err := bounded(ctx, p.app, func(ctx context.Context) (*tandemv1.Device, error) {
		return client.GetDevice(ctx, &tandemv1.GetDeviceRequest{Id: p.device})
	})
	return device.GetId(), err
}

// byDevice sorts runs by device, and those of one by their start.
func byDevice(runs []*tandemv1.PlannedRun) []*tandemv1.PlannedRun {
	runs = slices.Clone(runs)
	slices.SortStableFunc(runs, func(a, b *tandemv1.PlannedRun) int {
		return cmp.Or(cmp.Compare(a.GetDevice(), b.GetDevice()), a.GetStartTime().AsTime().Compare(b.GetStartTime().AsTime()))
	})
	return runs
}

func (p *planning) show(clock wording.Clock, plan *tandemv1.Plan, ends map[string]time.Time) {
	t := table{head: []string{"DEVICE", "JOB", "STEP", "START", "END", "CHANGEOVER", "DUE"}}
	for _, r := range byDevice(plan.GetRuns()) {
		start := span{plain, clock.At(r.GetStartTime())}
		if r.GetFixed() {
			start = span{busy, "runs, " + start.Text}
			if !clock.Past(r.GetStartTime()) {
				start.Text = "given, " + clock.At(r.GetStartTime())
			}
		}
		t.add(span{strong, r.GetDevice()}, span{plain, r.GetJob()}, span{plain, r.GetStep()}, start, span{plain, clock.At(r.GetEndTime())},
			span{plain, changeover(r.GetChangeover())}, plannedDue(clock, r, ends[r.GetJob()]))
	}
	switch {
	case len(t.rows) > 0:
		t.print(p.printer)
	case p.device != "":
		p.say("nothing is planned for %s", p.device)
	case len(plan.GetLeftOut()) > 0:
		p.say("nothing is planned: all that waits is left out")
	default:
		p.say("nothing is planned: no work waits")
	}
	p.line()
	var f facts
	cost, rule := plan.GetCost(), plan.GetRuleCost()
	if cost != nil {
		f.style("late work", strong, lateWork(cost)+against(rule, lateWork(rule), "would have"))
		f.add("set-ups", wording.Span(cost.GetChangeover().AsDuration())+against(rule, wording.Span(rule.GetChangeover().AsDuration()), "would have"))
		f.add("done", wording.Span(cost.GetMakespan().AsDuration())+" from now"+against(rule, wording.Span(rule.GetMakespan().AsDuration()), "would take"))
	}
	if plan.GetEvaluations() > 0 {
		f.add("search", wording.Count(int(plan.GetEvaluations()), "plan")+" looked at in "+searched(plan.GetSearchTime().AsDuration()))
	}
	for _, why := range plan.GetLeftOut() {
		f.style("left out", warned, why)
	}
	f.print(p.printer)
}

// searched shows how long a search has taken, which on a small floor is no second.
func searched(d time.Duration) string {
	if d < time.Second {
		return "less than a second"
	}
	return wording.Span(d)
}

// lateWork shows how late jobs are in all.
func lateWork(c *tandemv1.PlanCost) string {
	if c.GetLateJobs() == 0 && c.GetWeightedTardiness().AsDuration() == 0 {
		return "none"
	}
	return wording.Span(c.GetWeightedTardiness().AsDuration()) + " weighted, " + wording.Count(int(c.GetLateJobs()), "job")
}

// against puts what the rule alone would cost behind what the plan costs.
func against(rule *tandemv1.PlanCost, cost, verb string) string {
	if rule == nil {
		return ""
	}
	return "; the rule alone " + verb + " " + cost
}

func changeover(d *durationpb.Duration) string {
	if d.AsDuration() <= 0 {
		return "-"
	}
	return wording.Span(d.AsDuration())
}

// plannedDue shows when the job of a run is due, and by how much it will be late.
func plannedDue(clock wording.Clock, r *tandemv1.PlannedRun, end time.Time) span {
	if r.GetDueTime() == nil {
		return span{plain, "-"}
	}
	if late := end.Sub(r.GetDueTime().AsTime()); late > 0 {
		return span{bad, fmt.Sprintf("%s, job late by %s", clock.At(r.GetDueTime()), wording.Span(late))}
	}
	return span{plain, clock.At(r.GetDueTime())}
}

// draw makes the picture, with a row for each device of the floor, whether it has work or not.
func (p *planning) draw(ctx context.Context, clock wording.Clock, plan *tandemv1.Plan, device string) error {
	chart := ganttview.Chart{Title: device, Runs: plan.GetRuns(), Attended: plan.GetAttended(), Now: clock.Now}
	if device == "" {
		all, err := p.allDevices(ctx)
		if err != nil {
			return err
		}
		for _, d := range all.GetDevices() {
			chart.Devices = append(chart.Devices, d.GetId())
		}
	}
	picture := ganttview.Picture{Title: "Plan as of " + clock.Now.In(clock.Zone).Format("Mon 2 Jan 2006 15:04"), Zone: clock.Zone, Charts: []ganttview.Chart{chart}}
	return p.pictures.write(p.app,
		func(w io.Writer) error { return ganttview.SVG(w, picture) },
		func(w io.Writer) error { return ganttview.PNG(w, picture) })
}
