// Command tandemd is the daemon that runs a shop's floor: it keeps the state of every device and of every job's steps, and
// gives the next step to the device that can finish it first.
//
// This package only introduces the parts to one another. What they do is in daemon/engine, daemon/bus, daemon/ledger,
// daemon/api, drivers and scheduler.
package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"syscall"
	_ "time/tzdata" // shops' time zones, also where the system has none

	"github.com/spf13/cobra"
)

// version is set by the build: -ldflags "-X main.version=1.2.3".
var version = "0.1.0-dev"

// Exit codes, as documented in the README.
const (
	exitFailure     = 1
	exitUsage       = 2
	exitInterrupted = 130
)

func main() {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt, syscall.SIGTERM)
	defer stop()
	err := rootCommand().ExecuteContext(ctx)
	switch {
	case err == nil:
	case errors.Is(err, context.Canceled):
		os.Exit(exitInterrupted)
	default:
		fmt.Fprintln(os.Stderr, "tandemd:", err)
		if _, ok := errors.AsType[*usageError](err); ok {
			os.Exit(exitUsage)
		}
		os.Exit(exitFailure)
	}
}

// usageError is the caller's mistake: a flag, a setting or a file that cannot be used.
type usageError struct{ error }

func (e *usageError) Unwrap() error { return e.error }

func rootCommand() *cobra.Command {
	root := &cobra.Command{
		Use:   "tandemd",
		Short: "Run the floor of a shop that prints and cuts",
		Long: "tandemd keeps the state of every device and of every job's steps and gives the next step to the device that can\n" +
			"finish it first. It talks to devices through drivers and to people through the client `tandem`.\n\n" +
			"Nothing here is a safety function: guards, emergency stops and the isolation of energy for maintenance stay with the\n" +
			"machines and the rules of the place.",
		Example: "  tandemd demo                           # a simulated floor plays a day in a minute\n" +
			"  tandemd serve --floor floor.yaml       # run a floor\n" +
			"  tandemd drive --device cutter-1 ...    # a device's driver in a process of its own",
		SilenceUsage: true, SilenceErrors: true, Version: version,
	}
	root.SetFlagErrorFunc(func(_ *cobra.Command, err error) error { return &usageError{err} })
	root.AddCommand(serveCommand(), demoCommand(), driveCommand(), driversCommand(), configCommand(), ledgerCommand(), backupCommand(), restoreCommand())
	strict(root)
	return root
}

// strict makes wrong arguments, and a subcommand that is not there, the caller's mistake: a script that says `ledger verfy` must
// not read success from the help it gets.
func strict(cmd *cobra.Command) {
	if args := cmd.Args; args != nil {
		cmd.Args = func(cmd *cobra.Command, given []string) error {
			err := args(cmd, given)
			if _, ok := errors.AsType[*usageError](err); ok || err == nil {
				return err
			}
			return &usageError{err}
		}
	}
	if cmd.HasSubCommands() && !cmd.Runnable() {
		cmd.Args = cobra.ArbitraryArgs
		cmd.RunE = func(cmd *cobra.Command, given []string) error {
			if len(given) > 0 {
				return &usageError{fmt.Errorf("unknown command %q for %q: see %s --help", given[0], cmd.CommandPath(), cmd.CommandPath())}
			}
			return cmd.Help()
		}
	}
	for _, sub := range cmd.Commands() {
		strict(sub)
	}
}
