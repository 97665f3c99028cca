package main

import (
	"context"
	"math"
	"strconv"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// jobCall asks the job service for a change to a job; args are those after the job.
type jobCall func(ctx context.Context, client tandemv1.JobServiceClient, c *change, job, key string, args []string) (proto.Message, error)

// jobChange builds a command whose first argument is a job.
func (a *app) jobChange(cmd *cobra.Command, call jobCall) (*cobra.Command, *change) {
	c := &change{app: a}
	c.keyFlag(cmd)
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		client, err := a.jobs()
		if err != nil {
			return err
		}
		job, err := a.jobID(cmd.Context(), args[0])
		if err != nil {
			return err
		}
		return c.ask(cmd.Context(), func(ctx context.Context, key string) (proto.Message, error) {
			return call(ctx, client, c, job, key, args[1:])
		})
	})
	return cmd, c
}

func (a *app) holdCommand() *cobra.Command {
	cmd, c := a.jobChange(&cobra.Command{
		Use:     "hold JOB",
		Short:   "Let what runs of a job finish, and start no more of it.",
		Example: `  tandem hold shop-window --note "artwork is being changed"`,
		Args:    cobra.ExactArgs(1),
	}, func(ctx context.Context, client tandemv1.JobServiceClient, c *change, job, key string, _ []string) (proto.Message, error) {
		return client.HoldJob(ctx, &tandemv1.HoldJobRequest{Id: job, Note: c.note, RequestId: key, Actor: c.actor})
	})
	c.noteFlag(cmd, "why, shown to everybody")
	return cmd
}

func (a *app) releaseCommand() *cobra.Command {
	cmd, _ := a.jobChange(&cobra.Command{
		Use:     "release JOB",
		Short:   "End a hold.",
		Example: "  tandem release shop-window",
		Args:    cobra.ExactArgs(1),
	}, func(ctx context.Context, client tandemv1.JobServiceClient, c *change, job, key string, _ []string) (proto.Message, error) {
		return client.ReleaseJob(ctx, &tandemv1.ReleaseJobRequest{Id: job, RequestId: key, Actor: c.actor})
	})
	return cmd
}

func (a *app) cancelCommand() *cobra.Command {
	cmd, c := a.jobChange(&cobra.Command{
		Use:     "cancel JOB",
		Short:   "End a job.",
		Example: `  tandem cancel shop-window --note "customer withdrew"`,
		Long: `Devices that work on the job are asked to stop; until they answer it keeps its state with the reason
processing-to-stop-point. That is a request by ordinary software, not a safety stop: if somebody may get hurt, use the
machine's own stop.`,
		Args: cobra.ExactArgs(1),
	}, func(ctx context.Context, client tandemv1.JobServiceClient, c *change, job, key string, _ []string) (proto.Message, error) {
		return client.CancelJob(ctx, &tandemv1.CancelJobRequest{Id: job, Note: c.note, RequestId: key, Actor: c.actor})
	})
	c.noteFlag(cmd, "why, shown to everybody")
	return cmd
}

func (a *app) remakeCommand() *cobra.Command {
	var panel string
	var booked bool
	cmd, c := a.jobChange(&cobra.Command{
		Use:   "remake JOB STEP N",
		Short: "Make N spoiled pieces again.",
		Example: `  tandem remake shop-window cut 3 --note "weeding tore them"
  tandem remake shop-window print 1 --panel p2
  tandem remake shop-window cut 3 --already-spoiled    the pieces are booked as spoiled already`,
		Long: "STEP is the one at which the pieces were spoiled: it and the steps before it are repeated for N pieces.",
		Args: cobra.ExactArgs(3),
	}, func(ctx context.Context, client tandemv1.JobServiceClient, c *change, job, key string, args []string) (proto.Message, error) {
		pieces, err := pieces("N", args[1], 1)
		if err != nil {
			return nil, err
		}
		return client.RemakePieces(ctx, &tandemv1.RemakePiecesRequest{
			Id: job, Step: args[0], Panel: panel, Pieces: pieces, AlreadySpoiled: booked, Note: c.note, RequestId: key, Actor: c.actor,
		})
	})
	c.noteFlag(cmd, "why, shown with the remake")
	cmd.Flags().StringVar(&panel, "panel", "", "the panel whose pieces are spoiled (default: the step's only one)")
	cmd.Flags().BoolVar(&booked, "already-spoiled", false, "the pieces are booked as spoiled already; else they are booked now")
	return cmd
}

func (a *app) overrideCommand() *cobra.Command {
	cmd, c := a.jobChange(&cobra.Command{
		Use:     "override JOB STEP --note WHY",
		Short:   "Let a step go on before its waiting or drying time is over.",
		Example: `  tandem override shop-window dry --note "latex ink, dry to the touch, film test passed"`,
		Long: `Your name and reason go into the audit trail. Ink that is not dry gives off solvent vapour, lifts the film later, and
sticks to rollers: air the room, keep ignition sources away, and follow the ink maker's sheet.`,
		Args: cobra.ExactArgs(2),
	}, func(ctx context.Context, client tandemv1.JobServiceClient, c *change, job, key string, args []string) (proto.Message, error) {
		return client.OverrideWait(ctx, &tandemv1.OverrideWaitRequest{Id: job, Step: args[0], Note: c.note, RequestId: key, Actor: c.actor})
	})
	c.noteFlag(cmd, "why it is safe to go on; required")
	_ = cmd.MarkFlagRequired("note")
	return cmd
}

// pieces reads a number of pieces given as an argument or after a word.
func pieces(name, text string, least int) (int32, error) {
	n, err := strconv.Atoi(text)
	if err != nil || n < least || n > math.MaxInt32 {
		return 0, usagef("%s is %q: give a number of pieces, %d or more", name, text, least)
	}
	return int32(n), nil
}
