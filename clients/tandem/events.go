package main

import (
	"context"

	"github.com/spf13/cobra"

	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

// lastRevisions is how far back the list of events goes unless told otherwise.
const lastRevisions = 100

func (a *app) eventsCommand() *cobra.Command {
	e := &eventList{app: a}
	cmd := &cobra.Command{
		Use:   "events",
		Short: "List the ledger, the audit trail: who did what, and when.",
		Example: `  tandem events                        the last 100 revisions
  tandem events --after 0              everything
  tandem events --job shop-window      everything about one job
  tandem events --after 1040 --json    as JSON, one tandem.v1.WatchEventsResponse a line`,
		Args: cobra.NoArgs,
	}
	cmd.Flags().Uint64Var(&e.after, "after", 0, "only revisions after this one")
	cmd.Flags().Uint64Var(&e.last, "last", 0, "only the last so many revisions of the ledger")
	cmd.Flags().StringVar(&e.job, "job", "", "only events about this job")
	cmd.Flags().StringVar(&e.device, "device", "", "only events about this device")
	cmd.MarkFlagsMutuallyExclusive("after", "last")
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error {
		switch {
		case cmd.Flags().Changed("after"), cmd.Flags().Changed("last"):
		case e.job == "" && e.device == "":
			e.last = lastRevisions
		}
		return e.list(cmd.Context())
	})
	return cmd
}

type eventList struct {
	*app
	after, last uint64
	job, device string
}

func (e *eventList) list(ctx context.Context) error {
	client, err := e.events()
	if err != nil {
		return err
	}
	if err := e.begin(ctx); err != nil {
		return err
	}
	shown := 0
	for after := e.after; ; {
		page, err := bounded(ctx, e.app, func(ctx context.Context) (*tandemv1.ListEventsResponse, error) {
			return client.ListEvents(ctx, &tandemv1.ListEventsRequest{AfterRevision: after, Job: e.job, Device: e.device})
		})
		if err != nil {
			return err
		}
		for _, c := range page.GetCommits() {
			shown++
			if e.json {
				e.message(c)
			} else {
				e.commit(c)
			}
		}
		// A page at a time, so that a long list begins at once and its reader may stop it.
		if err := e.flush(); err != nil {
			return err
		}
		if page.GetNextAfterRevision() == 0 {
			break
		}
		after = page.GetNextAfterRevision()
	}
	if shown == 0 {
		e.say("no events")
	}
	return nil
}

// begin works out the ids to ask for and the revision to begin after.
func (e *eventList) begin(ctx context.Context) error {
	var err error
	if e.job, err = e.jobID(ctx, e.job); err != nil {
		return err
	}
	if e.device, err = e.deviceID(ctx, e.device); err != nil {
		return err
	}
	if e.last == 0 {
		return nil
	}
	status, err := e.status(ctx)
	if err != nil {
		return err
	}
	if status.GetRevision() > e.last {
		e.after = status.GetRevision() - e.last
		e.say("the last %s; --after 0 lists everything", wording.Count(int(e.last), "revision"))
	}
	return nil
}
