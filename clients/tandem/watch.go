package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/spf13/cobra"

	"tandem/clients/follow"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) watchCommand() *cobra.Command {
	var request follow.Request
	var live bool
	cmd := &cobra.Command{
		Use:   "watch",
		Short: "Follow what happens: a line for each event, or the floor redrawn.",
		Example: `  tandem watch                      the present state, then every event
  tandem watch --live               the floor on the whole terminal, redrawn as it changes
  tandem watch --job shop-window
  tandem watch --revision 1042 --json    go on after revision 1042, one tandem.v1.WatchEventsResponse a line`,
		Long: `It goes on when the daemon has been away, after the last revision it has shown: nothing is left out and nothing comes
twice. Where the ledger no longer holds that revision it says so and shows the present state anew. Ctrl-C ends it.`,
		Args: cobra.NoArgs,
	}
	cmd.Flags().Uint64Var(&request.Revision, "revision", 0, "begin after this revision (default: with the present state)")
	cmd.Flags().StringVar(&request.Job, "job", "", "only events about this job")
	cmd.Flags().StringVar(&request.Device, "device", "", "only events about this device")
	cmd.Flags().BoolVar(&live, "live", false, "redraw the floor on the terminal")
	for _, flag := range []string{"revision", "job", "device"} {
		cmd.MarkFlagsMutuallyExclusive("live", flag)
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error {
		if live {
			return a.live(cmd.Context())
		}
		return a.watch(cmd.Context(), request)
	})
	return cmd
}

func (a *app) watch(ctx context.Context, request follow.Request) error {
	client, err := a.events()
	if err != nil {
		return err
	}
	// One call that fails at once: a daemon that was never there is an error, one that goes away later comes back.
	if _, err := a.status(ctx); err != nil {
		return err
	}
	if request.Job, err = a.jobID(ctx, request.Job); err != nil {
		return err
	}
	if request.Device, err = a.deviceID(ctx, request.Device); err != nil {
		return err
	}
	return follow.Events(ctx, client, request, &eventPrinter{a})
}

// eventPrinter prints what a watch brings.
type eventPrinter struct{ *app }

// Restart needs nothing: lines that were printed stay true.
func (p *eventPrinter) Restart() {}

// Message prints one line for each event or part of the present state, at once.
func (p *eventPrinter) Message(m *tandemv1.WatchEventsResponse) error {
	switch {
	case p.json:
		p.message(m)
	case m.GetCommit() != nil:
		p.commit(m)
	case m.GetSnapshot() != nil:
		p.present(m.GetSnapshot())
	}
	return p.flush()
}

// Lost tells why the watch stands still.
func (p *eventPrinter) Lost(err error) { p.warn("%s", lostText(err)) }

// Back tells where it goes on.
func (p *eventPrinter) Back(revision uint64) {
	if revision == 0 {
		p.warn("the daemon is back: going on with the present state")
		return
	}
	p.warn("the daemon is back: going on after revision %d, nothing is missing", revision)
}

// Gap tells what will never be shown.
func (p *eventPrinter) Gap(g follow.Gap) { p.warn("%s", gapText(g)) }

func lostText(err error) string {
	if errors.Is(err, context.DeadlineExceeded) {
		return "the daemon is silent; waiting for it"
	}
	return "the daemon is away (" + brief(err) + "); waiting for it"
}

func gapText(g follow.Gap) string {
	if g.Restored {
		return fmt.Sprintf("gap: the ledger was restored from a backup, or is another one: what was shown up to revision %d may not hold; the present state follows", g.Revision)
	}
	reach := ""
	if g.Oldest > 0 {
		reach = fmt.Sprintf(": its oldest is %d", g.Oldest)
	}
	return fmt.Sprintf("gap: the ledger no longer holds what came after revision %d%s; the present state follows", g.Revision, reach)
}
