package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) jobsCommand() *cobra.Command {
	var all bool
	var states []string
	cmd := &cobra.Command{
		Use:   "jobs [JOB]",
		Short: "List jobs, or show one with its steps, panels and runs.",
		Example: `  tandem jobs                     what has not ended
  tandem jobs --state completed   what is done
  tandem jobs shop-window         one job in detail
  tandem jobs J104K               the same by its code`,
		Args: cobra.MaximumNArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		if len(args) == 1 {
			if all || len(states) > 0 {
				return usagef("--all and --state choose from the list: leave them out with a job")
			}
			return a.showJob(cmd.Context(), args[0])
		}
		wanted, err := jobStates(all, states)
		if err != nil {
			return err
		}
		return a.listJobs(cmd.Context(), wanted)
	})
	cmd.Flags().BoolVar(&all, "all", false, "those that have ended too")
	cmd.Flags().StringSliceVar(&states, "state", nil, "only those in this state, such as processing-stopped; may be repeated")
	return cmd
}

// jobStates returns the states to ask for; none means all.
func jobStates(all bool, keywords []string) ([]tandemv1.JobState, error) {
	if all && len(keywords) > 0 {
		return nil, usagef("--all and --state exclude each other")
	}
	if all {
		return nil, nil
	}
	if len(keywords) == 0 {
		return wording.OpenJobStates(), nil
	}
	var states []tandemv1.JobState
	for _, word := range keywords {
		s, err := wording.JobStateOf(word)
		if err != nil {
			return nil, usagef("--state: %w", err)
		}
		states = append(states, s)
	}
	return states, nil
}

func (a *app) listJobs(ctx context.Context, states []tandemv1.JobState) error {
	list, err := a.allJobs(ctx, states)
	if err != nil {
		return err
	}
	if a.json {
		a.message(list)
		return nil
	}
	if a.quiet {
		for _, j := range list.GetJobs() {
			a.text("%s", j.GetId())
		}
		return nil
	}
	if len(list.GetJobs()) == 0 {
		a.say("no jobs")
		return nil
	}
	clock := a.clock(ctx)
	t := table{head: []string{"JOB", "CODE", "STATE", "STEPS", "DUE", "DONE BY", "LATE RISK", "REASONS"}}
	for _, j := range list.GetJobs() {
		t.add(span{strong, j.GetId()}, span{plain, orDash(j.GetCode())}, state(wording.JobState(j.GetState())),
			span{plain, stepsDone(j)}, due(clock, j), doneBy(clock, j), lateRisk(j.GetForecast()), span{plain, reasons(j.GetStateReasons())})
	}
	t.print(a.printer)
	return nil
}

// allJobs collects every page. The revision is that of the first: a watch from there misses nothing.
func (a *app) allJobs(ctx context.Context, states []tandemv1.JobState) (*tandemv1.ListJobsResponse, error) {
	client, err := a.jobs()
	if err != nil {
		return nil, err
	}
	all := &tandemv1.ListJobsResponse{}
	for token := ""; ; {
		page, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.ListJobsResponse, error) {
			return client.ListJobs(ctx, &tandemv1.ListJobsRequest{PageToken: token, States: states})
		})
		if err != nil {
			return nil, err
		}
		if token == "" {
			all.Revision = page.GetRevision()
		}
		all.Jobs = append(all.Jobs, page.GetJobs()...)
		if token = page.GetNextPageToken(); token == "" {
			return all, nil
		}
	}
}

// bounded makes one call within the time that the caller allows.
func bounded[M proto.Message](ctx context.Context, a *app, call func(context.Context) (M, error)) (M, error) {
	ctx, cancel := a.bounded(ctx)
	defer cancel()
	return call(ctx)
}

func stepsDone(j *tandemv1.Job) string {
	done := 0
	for _, s := range j.GetSteps() {
		if s.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED {
			done++
		}
	}
	return fmt.Sprintf("%d/%d", done, len(j.GetSteps()))
}

// due shows when a job is due, or by how much it is late.
func due(clock wording.Clock, j *tandemv1.Job) span {
	switch {
	case j.GetDueTime() == nil:
		return span{plain, "-"}
	case !wording.Ended(j.GetState()) && clock.Past(j.GetDueTime()):
		return span{bad, fmt.Sprintf("%s, late by %s", clock.At(j.GetDueTime()), wording.Span(clock.Now.Sub(j.GetDueTime().AsTime())))}
	default:
		return span{plain, clock.When(j.GetDueTime())}
	}
}

func orDash(s string) string { return orElse(s, "-") }
