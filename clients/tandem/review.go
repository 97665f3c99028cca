package main

import (
	"context"
	"fmt"
	"slices"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) reviewCommand() *cobra.Command {
	r := &review{change: change{app: a}}
	cmd := &cobra.Command{
		Use:   "review [JOB [STEP] not-done|done|keep N]",
		Short: "After a restore: list what may have been done without a record, and say what was.",
		Example: `  tandem review                              what is to be looked at
  tandem review ferry-timetables not-done    nothing of this job was done since the backup
  tandem review hull-names cut done          all pieces of this step were cut
  tandem review hull-names weed keep 26      26 are weeded, the rest is still to be done
  tandem review --run run-17                 taken note of work whose job the ledger does not have
  tandem review --all not-done               nothing was done since the backup`,
		Long: `A ledger that was restored from a backup does not have what was done since. Until somebody has said what was, nothing
that may have been done is given to a device. Look at the panels and count: what is said here is recorded under your
name. The steps of a job are told in their order; with not-done, and with keep for the rest, work may be given to a
device at once: clear the machines before.

A gang run stands for the steps of its jobs that it does. If it was taken apart after the backup, cancel it first: then
they are listed by themselves.`,
		ValidArgs: []string{"not-done", "done", "keep"},
		Args:      r.args,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		switch {
		case r.all:
			return r.allNotDone(cmd.Context())
		case r.run == "" && len(args) == 0:
			return r.list(cmd.Context())
		}
		request, err := r.request(cmd.Context(), args)
		if err != nil {
			return err
		}
		return r.say(cmd.Context(), request)
	})
	cmd.Flags().StringVar(&r.run, "run", "", "an unrecorded run to take note of")
	cmd.Flags().StringVar(&r.device, "device", "", "the device that did it, if more than one can")
	cmd.Flags().BoolVar(&r.all, "all", false, "every step, with not-done")
	r.noteFlag(cmd, "what was found, kept with the record")
	r.keyFlag(cmd)
	return cmd
}

// review is a person's word on what may have been done.
type review struct {
	change
	run, device string
	all         bool
}

var reviewOutcomes = map[string]tandemv1.ReviewWorkRequest_Outcome{
	"not-done": tandemv1.ReviewWorkRequest_OUTCOME_NOT_DONE,
	"done":     tandemv1.ReviewWorkRequest_OUTCOME_DONE,
	"keep":     tandemv1.ReviewWorkRequest_OUTCOME_KEEP,
}

// args checks what can be checked without the daemon.
func (r *review) args(_ *cobra.Command, args []string) error {
	switch n := len(args); {
	case r.run != "" && (n > 0 || r.all || r.device != ""):
		return usagef("--run stands alone: a person takes note of it, and says what was done of its step")
	case r.all && (n != 1 || args[0] != "not-done"):
		return usagef("--all goes with not-done only: what was done is said step by step")
	case r.all || n == 0:
		return nil
	case n == 1:
		return usagef("what became of %s? say not-done, or a step and done, keep N or not-done", args[0])
	case n == 2 && args[1] != "not-done":
		return usagef("name the step: only not-done can be said of a whole job")
	case n == 2:
		return nil
	case n == 3 && args[2] != "keep" && reviewOutcomes[args[2]] != 0, n == 4 && args[2] == "keep":
		return nil
	case args[2] == "keep":
		return usagef("keep how many? give the number of good pieces, such as keep 26")
	}
	return usagef("say not-done, done or keep N")
}

func (r *review) request(ctx context.Context, args []string) (*tandemv1.ReviewWorkRequest, error) {
	if r.run != "" {
		return &tandemv1.ReviewWorkRequest{Run: r.run}, nil
	}
	job, err := r.jobID(ctx, args[0])
	if err != nil {
		return nil, err
	}
	out := &tandemv1.ReviewWorkRequest{Job: job, Outcome: reviewOutcomes[args[min(len(args)-1, 2)]], Device: r.device}
	if len(args) > 2 {
		out.Step = args[1]
	}
	if len(args) == 4 {
		if out.PiecesGood, err = pieces("N", args[3], 1); err != nil {
			return nil, err
		}
	}
	return out, nil
}

func (r *review) say(ctx context.Context, request *tandemv1.ReviewWorkRequest) error {
	client, err := r.admin()
	if err != nil {
		return err
	}
	return r.ask(ctx, func(ctx context.Context, key string) (proto.Message, error) {
		request.Note, request.RequestId, request.Actor = r.note, key, r.actor
		return client.ReviewWork(ctx, request)
	})
}

// allNotDone says of each job that waits that nothing was done, one change a job.
func (r *review) allNotDone(ctx context.Context) error {
	if r.actor == "" {
		return usagef("who asks? give a name with --actor or TANDEM_ACTOR")
	}
	left, err := r.get(ctx)
	if err != nil {
		return err
	}
	client, err := r.admin()
	if err != nil {
		return err
	}
	key, done := r.key(), ""
	for _, s := range left.GetSteps() {
		if s.GetJob() == done { // the steps of a job stand together
			continue
		}
		done = s.GetJob()
		request := &tandemv1.ReviewWorkRequest{
			Job: done, Outcome: tandemv1.ReviewWorkRequest_OUTCOME_NOT_DONE, Note: r.note, RequestId: key + "/" + done, Actor: r.actor,
		}
		if left, err = bounded(ctx, r.app, func(ctx context.Context) (*tandemv1.Review, error) { return client.ReviewWork(ctx, request) }); err != nil {
			return &changeError{key, fmt.Errorf("%s: %w", done, err)}
		}
	}
	r.outcome(left)
	return nil
}

func (r *review) list(ctx context.Context) error {
	left, err := r.get(ctx)
	if err != nil {
		return err
	}
	r.outcome(left)
	return nil
}

func (r *review) get(ctx context.Context) (*tandemv1.Review, error) {
	client, err := r.admin()
	if err != nil {
		return nil, err
	}
	return bounded(ctx, r.app, func(ctx context.Context) (*tandemv1.Review, error) {
		return client.GetReview(ctx, &tandemv1.GetReviewRequest{})
	})
}

// review shows what is still to be looked at.
func (a *app) review(m *tandemv1.Review) {
	if a.quiet {
		for _, s := range m.GetSteps() {
			a.text("%s %s", s.GetJob(), s.GetStep())
		}
		return
	}
	if m.GetBackupTime() != nil {
		a.say("the ledger comes from the backup of %s", m.GetBackupTime().AsTime().In(a.zone).Format("2006-01-02 15:04"))
	}
	runs := table{head: []string{"RUN", "DEVICE", "STATE", "GOOD", "SPOILED", "JOB", "STEP", "REMARKS"}}
	for _, u := range m.GetRuns() {
		remark := "review the step"
		switch {
		case u.GetStep() == "":
			remark = "of a step it does not name: look, then review --run " + u.GetRun()
		case !u.GetStepKnown():
			remark = "the ledger does not have its step: look, then review --run " + u.GetRun()
		case !slices.ContainsFunc(m.GetSteps(), func(s *tandemv1.StepToReview) bool { return s.GetJob() == u.GetJob() && s.GetStep() == u.GetStep() }):
			remark = "its step waits for no word of its own: look, then review --run " + u.GetRun()
		}
		runs.add(span{strong, u.GetRun()}, span{plain, u.GetDevice()}, state(wording.JobState(u.GetState())), number(u.GetPiecesGood()), number(u.GetPiecesSpoiled()),
			span{plain, orElse(u.GetJob(), "-")}, span{plain, orElse(u.GetStep(), "-")}, span{warned, remark})
	}
	runs.print(a.printer)
	if len(m.GetRuns()) > 0 && len(m.GetSteps()) > 0 {
		a.text("")
	}
	steps := table{head: []string{"JOB", "STEP", "OPERATION", "PIECES LEFT"}}
	for _, s := range m.GetSteps() {
		steps.add(span{strong, s.GetJob()}, span{plain, s.GetStep()}, span{plain, s.GetOperation()}, number(s.GetPiecesLeft()))
	}
	steps.print(a.printer)
	if len(m.GetRuns())+len(m.GetSteps()) == 0 {
		a.say("nothing is to be reviewed")
	}
}

func number(n int32) span { return span{plain, strconv.Itoa(int(n))} }
