package main

import (
	"runtime/debug"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"tandem/clients/dial"
)

// helpTemplate puts examples first: they answer most questions.
const helpTemplate = `{{.Short}}
{{if .HasExample}}
Examples:
{{.Example}}
{{end}}{{if .Runnable}}
Usage:
  {{.UseLine}}
{{end}}{{if .Long}}
{{.Long | trimTrailingWhitespaces}}
{{end}}{{if .HasAvailableSubCommands}}
Commands:{{range .Commands}}{{if .IsAvailableCommand}}
  {{rpad .Name .NamePadding}} {{.Short}}{{end}}{{end}}
{{end}}{{if .HasAvailableLocalFlags}}
Flags:
{{.LocalFlags.FlagUsages | trimTrailingWhitespaces}}
{{end}}{{if .HasAvailableInheritedFlags}}
Flags of every command:
{{.InheritedFlags.FlagUsages | trimTrailingWhitespaces}}
{{end}}`

func (a *app) root() *cobra.Command {
	root := &cobra.Command{
		Use:   "tandem",
		Short: "Run the floor of a shop that makes decals, labels and signs.",
		Long: `Data goes to standard output, talk to standard error. With --json every line of data is one protobuf JSON message of
tandem.v1. Times are shown in the local zone, lengths in millimetres. A job or device may be named by its id or by its
code. Colour is used on a terminal only, and not with --no-color, NO_COLOR or TERM=dumb.

` + exitCodes,
		Example: `  tandem submit ticket.yaml          hand in a job
  tandem quote ticket.yaml           ask what a job would take
  tandem jobs                        list what is open
  tandem watch --live                see the floor, redrawn as it changes
  tandem why shop-window cut         ask why a step waits
  tandem station --device cutter-1   take scans at a device`,
		SilenceErrors: true,
		SilenceUsage:  true,
	}
	root.SetHelpTemplate(helpTemplate)
	flags := root.PersistentFlags()
	flags.StringVar(&a.address, "address", orElse(a.env("TANDEM_ADDRESS"), dial.DefaultAddress), "where the daemon listens; several daemons of one floor with commas (env TANDEM_ADDRESS)")
	flags.StringVar(&a.actor, "actor", a.whoever(), "who asks, shown in the audit trail (env TANDEM_ACTOR)")
	flags.DurationVar(&a.timeout, "timeout", 15*time.Second, "longest wait for one answer")
	flags.BoolVar(&a.json, "json", false, "print protobuf JSON, one message a line")
	flags.BoolVarP(&a.quiet, "quiet", "q", false, "no talk but errors and warnings; lists and changes print ids only")
	flags.BoolVar(&a.noColor, "no-color", false, "no colour")
	root.PersistentPreRunE = func(cmd *cobra.Command, args []string) error {
		if a.timeout <= 0 {
			return usagef("--timeout is %v: give a time above zero, such as 15s", a.timeout)
		}
		return checkText(cmd, args)
	}

	root.AddCommand(
		a.submitCommand(), a.quoteCommand(), a.planCommand(), a.compareCommand(), a.intakeCommand(), a.jobsCommand(), a.forecastCommand(), a.devicesCommand(),
		a.floorCommand(), a.attendanceCommand(), a.watchCommand(), a.whyCommand(),
		a.eventsCommand(), a.reportCommand(), a.durationsCommand(), a.statusCommand(), a.codesCommand(), a.labelCommand(), a.backupCommand(), a.reviewCommand(),
		a.scanCommand(), a.stationCommand(), a.boardCommand(),
		a.holdCommand(), a.releaseCommand(), a.cancelCommand(), a.remakeCommand(), a.overrideCommand(), a.gangCommand(),
		a.startCommand(), a.finishCommand(), a.resolveCommand(),
		a.lotsCommand(), a.loadCommand(), a.bladeCommand(), a.pauseCommand(), a.resumeCommand(), a.lockCommand(), a.unlockCommand(),
		a.versionCommand(),
	)
	return root
}

// whoever is the name that the audit trail shows if none is given.
func (a *app) whoever() string {
	for _, name := range []string{a.env("TANDEM_ACTOR"), a.env("USER"), a.env("USERNAME"), a.user} {
		if name != "" {
			return name
		}
	}
	return ""
}

func (a *app) versionCommand() *cobra.Command {
	return &cobra.Command{
		Use:     "version",
		Short:   "Print the version of this program.",
		Example: "  tandem version\n  tandem status    the daemon's version among other things",
		Args:    cobra.NoArgs,
		RunE: a.runs(func(*cobra.Command, []string) error {
			if a.json {
				a.write(`{"version":"` + programVersion() + `"}` + "\n")
				return nil
			}
			a.text("%s", programVersion())
			return nil
		}),
	}
}

// programVersion is what the build has noted: the module's version, else the commit.
func programVersion() string {
	info, ok := debug.ReadBuildInfo()
	if !ok {
		return "unknown"
	}
	if v := info.Main.Version; v != "" && v != "(devel)" {
		return v
	}
	for _, s := range info.Settings {
		if s.Key == "vcs.revision" {
			return "devel-" + s.Value[:min(12, len(s.Value))]
		}
	}
	return "devel"
}

// words joins the parts that are not empty.
func words(separator string, parts ...string) string {
	var kept []string
	for _, p := range parts {
		if p != "" {
			kept = append(kept, p)
		}
	}
	return strings.Join(kept, separator)
}
