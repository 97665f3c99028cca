package main

import (
	"context"

	"github.com/spf13/cobra"

	"tandem/clients/floorview"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) floorCommand() *cobra.Command {
	var width int
	cmd := &cobra.Command{
		Use:   "floor",
		Short: "Show the floor once: what needs a person, devices, open jobs.",
		Example: `  tandem floor
  tandem floor --width 120 > floor.txt
  tandem watch --live    the same, redrawn as it changes`,
		Args: cobra.NoArgs,
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, _ []string) error {
		if width < 0 {
			return usagef("--width is %d: give the number of characters in a line", width)
		}
		return a.floor(cmd.Context(), width)
	})
	cmd.Flags().IntVar(&width, "width", 0, "characters in a line (default: the terminal's width, else 80)")
	return cmd
}

func (a *app) floor(ctx context.Context, width int) error {
	devices, err := a.allDevices(ctx)
	if err != nil {
		return err
	}
	jobs, err := a.allJobs(ctx, wording.OpenJobStates())
	if err != nil {
		return err
	}
	if a.json {
		a.message(&tandemv1.Snapshot{Jobs: jobs.GetJobs(), Devices: devices.GetDevices(), Last: true})
		return nil
	}
	if width == 0 && a.outIsTerminal {
		width, _ = a.size()
	}
	a.write(floorview.Render(jobs.GetJobs(), devices.GetDevices(), floorview.Options{
		Now: a.clock(ctx).Now, Zone: a.zone, Width: width, Colour: a.colour(),
	}))
	return nil
}
