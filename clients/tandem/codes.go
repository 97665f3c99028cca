package main

import (
	"context"

	"github.com/spf13/cobra"

	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) codesCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "codes",
		Short: "List the codes of devices, people and commands, to print labels, badges and cards from.",
		Example: `  tandem codes
  tandem codes --json    a tandem.v1.ListCodesResponse`,
		Args: cobra.NoArgs,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error { return a.codes(cmd.Context()) })
	return cmd
}

func (a *app) codes(ctx context.Context) error {
	client, err := a.admin()
	if err != nil {
		return err
	}
	list, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.ListCodesResponse, error) {
		return client.ListCodes(ctx, &tandemv1.ListCodesRequest{})
	})
	if err != nil {
		return err
	}
	if a.json {
		a.message(list)
		return nil
	}
	t := table{head: []string{"CODE", "KIND", "ID", "NAME"}}
	for _, c := range list.GetCodes() {
		if a.quiet {
			a.text("%s", c.GetCode())
			continue
		}
		t.add(span{strong, orDash(c.GetCode())}, span{plain, c.GetKind()}, span{plain, c.GetId()}, span{plain, c.GetDisplayName()})
	}
	if !a.quiet {
		t.print(a.printer)
	}
	return nil
}
