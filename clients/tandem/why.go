package main

import (
	"context"

	"github.com/spf13/cobra"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) whyCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "why JOB [STEP]",
		Short: "Say why a step waits, or why the device that has it was chosen.",
		Example: `  tandem why shop-window          the first step that is not completed
  tandem why shop-window cut`,
		Args: cobra.RangeArgs(1, 2),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		step := ""
		if len(args) == 2 {
			step = args[1]
		}
		return a.why(cmd.Context(), args[0], step)
	})
	return cmd
}

func (a *app) why(ctx context.Context, job, step string) error {
	job, err := a.jobID(ctx, job)
	if err != nil {
		return err
	}
	client, err := a.jobs()
	if err != nil {
		return err
	}
	reply, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.ExplainStepResponse, error) {
		return client.ExplainStep(ctx, &tandemv1.ExplainStepRequest{Id: job, Step: step})
	})
	if err != nil {
		return err
	}
	if a.json {
		a.message(reply)
		return nil
	}
	clock := a.clock(ctx)
	s := reply.GetStep()
	a.line(span{strong, job + " / " + s.GetId()}, span{plain, ": "}, state(wording.JobState(s.GetState())), span{plain, reasonsBehind(s.GetStateReasons())})
	a.text("%s", reply.GetSummary())
	var f facts
	f.add("rule", reply.GetRule())
	if reply.GetReadyTime() != nil {
		f.add("ready", clock.When(reply.GetReadyTime()))
	}
	f.print(a.printer)
	t := table{head: []string{"DEVICE", "FITS", "FINISH", "CHANGEOVER", "WORK", "REMARKS"}}
	for _, c := range reply.GetCandidates() {
		fits, changeover, work := span{good, "yes"}, "-", "-"
		if !c.GetEligible() {
			fits = span{warned, "no"}
		}
		if c.GetChangeover() != nil {
			changeover = wording.Span(c.GetChangeover().AsDuration())
		}
		if c.GetWork() != nil {
			work = wording.Span(c.GetWork().AsDuration())
		}
		t.add(span{strong, c.GetDevice()}, fits, span{plain, clock.At(c.GetFinishTime())}, span{plain, changeover}, span{plain, work}, span{plain, c.GetReason()})
	}
	if len(t.rows) > 0 {
		a.line()
	}
	t.print(a.printer)
	return nil
}

func reasonsBehind(list []string) string {
	if len(list) == 0 {
		return ""
	}
	return " (" + reasons(list) + ")"
}
