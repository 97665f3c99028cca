package main

import (
	"context"

	"github.com/spf13/cobra"

	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) codesCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "codes",
		Short: "List the codes of people and devices, to print badges and labels from.",
		Example: `  tandem codes
  tandem codes --json    people and devices of a tandem.v1.FloorFile: id, display name and code`,
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
	floor, err := bounded(ctx, a, func(ctx context.Context) (*tandemv1.FloorFile, error) {
		return client.GetFloor(ctx, &tandemv1.GetFloorRequest{})
	})
	if err != nil {
		return err
	}
	devices, err := a.allDevices(ctx)
	if err != nil {
		return err
	}
	if a.json {
		out := &tandemv1.FloorFile{DisplayName: floor.GetDisplayName(), People: floor.GetPeople()}
		for _, d := range devices.GetDevices() {
			out.Devices = append(out.Devices, &tandemv1.Device{Id: d.GetId(), DisplayName: d.GetDisplayName(), Code: d.GetCode()})
		}
		a.message(out)
		return nil
	}
	t := table{head: []string{"CODE", "KIND", "ID", "NAME"}}
	add := func(code, kind, id, name string) {
		if a.quiet {
			a.text("%s", code)
			return
		}
		t.add(span{strong, orDash(code)}, span{plain, kind}, span{plain, id}, span{plain, name})
	}
	for _, p := range floor.GetPeople() {
		kind := "person"
		if p.GetSupervisor() {
			kind = "supervisor"
		}
		add(p.GetCode(), kind, p.GetId(), p.GetDisplayName())
	}
	for _, d := range devices.GetDevices() {
		add(d.GetCode(), "device", d.GetId(), d.GetDisplayName())
	}
	t.print(a.printer)
	return nil
}
