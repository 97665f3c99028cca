package main

import (
	"context"
	"fmt"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	"tandem/clients/dial"
	tandemv1 "tandem/proto/tandem/v1"
)

// caution is said before a machine may move.
const caution = "caution: the machine may move now. Stand at it, keep hands, hair and sleeves away from blades and rollers."

// runCall asks the device service for a change to a run.
type runCall func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, key string, args []string) (proto.Message, error)

// runChange builds a command whose first argument is a run.
func (a *app) runChange(cmd *cobra.Command, call runCall) (*cobra.Command, *change) {
	c := &change{app: a}
	c.keyFlag(cmd)
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		client, err := a.devices()
		if err != nil {
			return err
		}
		return c.ask(cmd.Context(), func(ctx context.Context, key string) (proto.Message, error) {
			return call(ctx, client, c, key, args)
		})
	})
	return cmd, c
}

func (a *app) startCommand() *cobra.Command {
	var override string
	cmd, _ := a.runChange(&cobra.Command{
		Use:   "start RUN",
		Short: "Let a run begin: the word of a person who stands at the device.",
		Example: `  tandem start r11
  tandem start r11 --override "customer agreed to gloss"   with what is on the device`,
		Long: `Cutters and laminators move only on such a word. Give it only where you see the machine: the carriage, the blade and
the heated rollers can cut, crush and burn, and somebody may be reaching in.`,
		Args: cobra.ExactArgs(1),
	}, func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, key string, args []string) (proto.Message, error) {
		c.warn(caution)
		run, err := client.StartRun(ctx, &tandemv1.StartRunRequest{Run: args[0], OverrideNote: override, RequestId: key, Actor: c.actor})
		switch dial.Refusal(err).GetReason() {
		case "MEDIA_MISMATCH", "LOT_TOO_SHORT":
			err = &remedyError{fmt.Sprintf("put right what is loaded, or if it is right as it is: tandem start %s --override WHY", args[0]), err}
		}
		return run, err
	})
	cmd.Flags().StringVar(&override, "override", "", "start although the media on the device is another one, or too short: why that is right; kept with the run")
	return cmd
}

func (a *app) finishCommand() *cobra.Command {
	var spoiled int32
	cmd, _ := a.runChange(&cobra.Command{
		Use:   "finish RUN",
		Short: "Record the end of a run on a device without a data port.",
		Example: `  tandem finish r11
  tandem finish r11 --spoiled 3`,
		Args: cobra.ExactArgs(1),
	}, func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, key string, args []string) (proto.Message, error) {
		if spoiled < 0 {
			return nil, usagef("--spoiled is %d: give a number of pieces, 0 or more", spoiled)
		}
		return client.FinishRun(ctx, &tandemv1.FinishRunRequest{Run: args[0], PiecesSpoiled: spoiled, RequestId: key, Actor: c.actor})
	})
	cmd.Flags().Int32Var(&spoiled, "spoiled", 0, "pieces spoiled in it")
	return cmd
}

func (a *app) resolveCommand() *cobra.Command {
	cmd, c := a.runChange(&cobra.Command{
		Use:   "resolve RUN done|keep N|again|abandon",
		Short: "Say what became of a run whose outcome nobody else knows.",
		Example: `  tandem resolve r13 done         all its pieces are good
  tandem resolve r13 keep 26      26 are good, make the rest in a new run
  tandem resolve r13 again        none counts, make all again in a new run
  tandem resolve r13 abandon      give the job up`,
		Long: `Look at the device and count first. With keep and again the rest becomes a new run, which may be given to a device at
once: clear the machine before.`,
		ValidArgs: []string{"done", "keep", "again", "abandon"},
		Args:      resolveArgs,
	}, func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, key string, args []string) (proto.Message, error) {
		outcome, _ := resolveOutcome(args[1])
		request := &tandemv1.ResolveRunRequest{Run: args[0], Outcome: outcome, Note: c.note, RequestId: key, Actor: c.actor}
		if len(args) == 3 {
			good, err := pieces("N", args[2], 0)
			if err != nil {
				return nil, err
			}
			request.PiecesGood = good
		}
		return client.ResolveRun(ctx, request)
	})
	c.noteFlag(cmd, "shown with the run")
	return cmd
}

// resolveOutcome returns what a person found, by its word.
func resolveOutcome(word string) (outcome tandemv1.ResolveRunRequest_Outcome, ok bool) {
	switch word {
	case "done":
		return tandemv1.ResolveRunRequest_OUTCOME_DONE, true
	case "keep":
		return tandemv1.ResolveRunRequest_OUTCOME_KEEP, true
	case "again":
		return tandemv1.ResolveRunRequest_OUTCOME_AGAIN, true
	case "abandon":
		return tandemv1.ResolveRunRequest_OUTCOME_ABANDON, true
	default:
		return 0, false
	}
}

func resolveArgs(_ *cobra.Command, args []string) error {
	if len(args) < 2 {
		return usagef("name the run and what became of it: RUN done, RUN keep N, RUN again or RUN abandon")
	}
	if _, ok := resolveOutcome(args[1]); !ok {
		return usagef("%q is not an outcome: use done, keep N, again or abandon", args[1])
	}
	if keep := args[1] == "keep"; keep && len(args) != 3 {
		return usagef("keep needs the number of good pieces: RUN keep N")
	} else if !keep && len(args) != 2 {
		return usagef("%s takes no number", args[1])
	}
	return nil
}
