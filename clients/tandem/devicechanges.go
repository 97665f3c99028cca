package main

import (
	"context"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// deviceCall asks the device service for a change to a device; args are those after the device.
type deviceCall func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, device, key string, args []string) (proto.Message, error)

// deviceChange builds a command whose first argument is a device.
func (a *app) deviceChange(cmd *cobra.Command, call deviceCall) (*cobra.Command, *change) {
	c := &change{app: a}
	c.keyFlag(cmd)
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		client, err := a.devices()
		if err != nil {
			return err
		}
		device, err := a.deviceID(cmd.Context(), args[0])
		if err != nil {
			return err
		}
		return c.ask(cmd.Context(), func(ctx context.Context, key string) (proto.Message, error) {
			return call(ctx, client, c, device, key, args[1:])
		})
	})
	return cmd, c
}

func (a *app) loadCommand() *cobra.Command {
	var lot string
	cmd, _ := a.deviceChange(&cobra.Command{
		Use:   "load DEVICE [MEDIA]",
		Short: "Record which media or film, and which roll of it, is on a device.",
		Example: `  tandem load printer-1 --lot lot-7
  tandem load printer-1 --lot M0074    by the code on the roll
  tandem load printer-1 vinyl-white    nobody keeps account of this roll`,
		Long: "Caution: a run that waited for it and may start unattended starts at once. Keep clear of carriage and rollers.",
		Args: cobra.RangeArgs(1, 2),
	}, func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, device, key string, args []string) (proto.Message, error) {
		media := ""
		if len(args) > 0 {
			media = args[0]
		}
		if media == "" && lot == "" {
			return nil, usagef("what is on it? name the media, or the roll with --lot")
		}
		return client.LoadMedia(ctx, &tandemv1.LoadMediaRequest{Id: device, Media: media, Lot: lot, RequestId: key, Actor: c.actor})
	})
	cmd.Flags().StringVar(&lot, "lot", "", "id or code of the roll or stack")
	return cmd
}

func (a *app) bladeCommand() *cobra.Command {
	cmd, _ := a.deviceChange(&cobra.Command{
		Use:   "blade DEVICE [KIND]",
		Short: "Record that a blade was put in; its counter begins anew.",
		Example: `  tandem blade cutter-1         the same kind as before
  tandem blade cutter-1 b-45`,
		Long: `Caution: blades are sharp, and the head can move by itself. Lock the device, isolate its energy as local rules demand,
and only then change the blade; hold it by its holder and put the old one into a sharps box.`,
		Args: cobra.RangeArgs(1, 2),
	}, func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, device, key string, args []string) (proto.Message, error) {
		kind := ""
		if len(args) > 0 {
			kind = args[0]
		}
		return client.ReplaceBlade(ctx, &tandemv1.ReplaceBladeRequest{Id: device, Blade: kind, RequestId: key, Actor: c.actor})
	})
	return cmd
}

func (a *app) pauseCommand() *cobra.Command {
	var back string
	cmd, c := a.deviceChange(&cobra.Command{
		Use:   "pause DEVICE",
		Short: "Let a device finish what runs, and give it no more.",
		Example: `  tandem pause printer-1 --note "lunch"
  tandem pause printer-1 --note "new belt" --back 14:30    work that it would still complete first waits for it`,
		Args: cobra.ExactArgs(1),
	}, func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, device, key string, _ []string) (proto.Message, error) {
		at, err := a.moment(ctx, "--back", back)
		if err != nil {
			return nil, err
		}
		return client.PauseDevice(ctx, &tandemv1.PauseDeviceRequest{Id: device, Note: c.note, BackTime: at, RequestId: key, Actor: c.actor})
	})
	cmd.Flags().StringVar(&back, "back", "", backUsage)
	c.noteFlag(cmd, "why, shown to everybody")
	return cmd
}

func (a *app) resumeCommand() *cobra.Command {
	cmd, _ := a.deviceChange(&cobra.Command{
		Use:     "resume DEVICE",
		Short:   "End a pause.",
		Example: "  tandem resume printer-1",
		Args:    cobra.ExactArgs(1),
	}, func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, device, key string, _ []string) (proto.Message, error) {
		return client.ResumeDevice(ctx, &tandemv1.ResumeDeviceRequest{Id: device, RequestId: key, Actor: c.actor})
	})
	return cmd
}

const backUsage = "when it is expected back: 14:30, a date and time, or in how long, such as 2h (default: nobody knows)"

// notLockout is said wherever a maintenance lock is touched.
const notLockout = "caution: this lock is a note to the dispatcher, not a safety function. Isolate the machine's energy as local rules demand."

func (a *app) lockCommand() *cobra.Command {
	var back string
	cmd, c := a.deviceChange(&cobra.Command{
		Use:   "lock DEVICE --note WHAT",
		Short: "Keep a device out of use for maintenance.",
		Example: `  tandem lock cutter-1 --note "blade change"
  tandem lock cutter-1 --note "service" --back "2026-03-04 10:00"`,
		Long: `Only whoever set the lock, or a supervisor, can clear it. It is a note to the dispatcher, not a safety function: the
machine can still move by itself or by its own panel. Isolate its energy as local rules demand before you reach in.`,
		Args: cobra.ExactArgs(1),
	}, func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, device, key string, _ []string) (proto.Message, error) {
		at, err := a.moment(ctx, "--back", back)
		if err != nil {
			return nil, err
		}
		c.warn(notLockout)
		return client.LockDevice(ctx, &tandemv1.LockDeviceRequest{Id: device, Note: c.note, BackTime: at, RequestId: key, Actor: c.actor})
	})
	cmd.Flags().StringVar(&back, "back", "", backUsage)
	c.noteFlag(cmd, "what is being done, shown to everybody; required")
	_ = cmd.MarkFlagRequired("note")
	return cmd
}

func (a *app) unlockCommand() *cobra.Command {
	cmd, _ := a.deviceChange(&cobra.Command{
		Use:     "unlock DEVICE",
		Short:   "Clear a maintenance lock: its setter or a supervisor.",
		Example: "  tandem unlock cutter-1 --actor anna",
		Long:    "See that nobody is in the machine and the guards are back: work may be given to it at once.",
		Args:    cobra.ExactArgs(1),
	}, func(ctx context.Context, client tandemv1.DeviceServiceClient, c *change, device, key string, _ []string) (proto.Message, error) {
		c.warn("caution: work may be given to %s at once. See that nobody is in the machine and the guards are back.", device)
		return client.UnlockDevice(ctx, &tandemv1.UnlockDeviceRequest{Id: device, RequestId: key, Actor: c.actor})
	})
	return cmd
}
