package main

import (
	"context"
	"encoding/csv"
	"fmt"
	"os"
	"strconv"
	"strings"

	"github.com/spf13/cobra"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"

	"tandem/clients/celltext"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) durationsCommand() *cobra.Command {
	l := &learned{change: change{app: a}}
	cmd := &cobra.Command{
		Use:   "durations [DEVICE]",
		Short: "Show what devices really take compared with the model, or forget it.",
		Example: `  tandem durations
  tandem durations cutter-1
  tandem durations --csv durations.csv    for a spreadsheet; - is standard output
  tandem durations --reset cutter-1       forget it all, after a service or for a new machine
  tandem durations --reset printer-1 --operation print --mode fine`,
		Long: `A factor is the time that a run really took, stops left out, by the time that the model says. What runs take from now
on is expected to be the model's time multiplied by it. Runs far beyond the others are left out.

What was forgotten is learned again from the runs that follow.`,
		Args: cobra.MaximumNArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		if err := l.check(cmd, args); err != nil {
			return err
		}
		if cmd.Flags().Changed("reset") {
			return l.forget(cmd.Context())
		}
		device := ""
		if len(args) == 1 {
			device = args[0]
		}
		return l.list(cmd.Context(), device)
	})
	l.keyFlag(cmd)
	cmd.Flags().StringVar(&l.csv, "csv", "", "write it into this file as comma-separated values; - is standard output")
	cmd.Flags().StringVar(&l.reset, "reset", "", "forget what was learned of this device")
	cmd.Flags().StringVar(&l.operation, "operation", "", "with --reset: only this operation")
	cmd.Flags().StringVar(&l.mode, "mode", "", "with --reset: only this mode")
	return cmd
}

type learned struct {
	change
	csv, reset, operation, mode string
}

// check refuses flags that do not go together.
func (l *learned) check(cmd *cobra.Command, args []string) error {
	changed := cmd.Flags().Changed
	switch {
	case changed("reset") && l.reset == "":
		return usagef("--reset is empty: name the device")
	case changed("reset") && len(args) > 0:
		return usagef("--reset names the device itself: leave out %q", args[0])
	case changed("reset") && changed("csv"):
		return usagef("--reset and --csv exclude each other: write the file first")
	case changed("csv") && l.csv == "":
		return usagef("--csv is empty: give the name of a file, or - for standard output")
	case changed("csv") && l.json:
		return usagef("--csv and --json exclude each other")
	}
	for _, name := range []string{"operation", "mode", "request-id"} {
		if changed(name) && !changed("reset") {
			return usagef("--%s says what to forget: it needs --reset DEVICE", name)
		}
	}
	return nil
}

func (l *learned) client() (tandemv1.DurationServiceClient, error) {
	conn, err := l.connect()
	return tandemv1.NewDurationServiceClient(conn), err
}

func (l *learned) list(ctx context.Context, device string) error {
	client, err := l.client()
	if err != nil {
		return err
	}
	if device, err = l.deviceID(ctx, device); err != nil {
		return err
	}
	list, err := bounded(ctx, l.app, func(ctx context.Context) (*tandemv1.ListDurationsResponse, error) {
		return client.ListDurations(ctx, &tandemv1.ListDurationsRequest{Device: device})
	})
	switch {
	case err != nil:
		return err
	case l.csv != "":
		return l.export(list)
	case l.json:
		l.message(list)
	default:
		l.show(list)
	}
	return nil
}

// forget asks to forget, and shows what is left.
func (l *learned) forget(ctx context.Context) error {
	client, err := l.client()
	if err != nil {
		return err
	}
	device, err := l.deviceID(ctx, l.reset)
	if err != nil {
		return err
	}
	var left *tandemv1.ListDurationsResponse
	err = l.ask(ctx, func(ctx context.Context, key string) (proto.Message, error) {
		left, err = client.ResetDurations(ctx, &tandemv1.ResetDurationsRequest{
			Device: device, Operation: l.operation, Mode: l.mode, RequestId: key, Actor: l.actor,
		})
		return left, err
	})
	if err != nil || l.json {
		return err
	}
	if l.quiet {
		l.text("%s", device)
		return nil
	}
	what := words(", ", before("operation ", l.operation), before("mode ", l.mode))
	l.line(span{plain, "device "}, span{strong, device}, span{plain, ": forgotten what was learned" + before(" of ", what)})
	if len(left.GetDurations()) > 0 {
		l.line()
		l.show(left)
	}
	return nil
}

func (l *learned) show(list *tandemv1.ListDurationsResponse) {
	t := table{head: []string{"DEVICE", "OPERATION", "MODE", "RUNS", "LEFT OUT", "FACTOR", "RANGE", "LAST MODEL", "LAST ACTUAL"}}
	seen := map[string]bool{}
	for _, d := range list.GetDurations() {
		if l.quiet {
			if !seen[d.GetDevice()] {
				l.text("%s", d.GetDevice())
			}
			seen[d.GetDevice()] = true
			continue
		}
		t.add(span{strong, d.GetDevice()}, span{plain, d.GetOperation()}, span{plain, orDash(d.GetMode())}, count(d.GetSamples()), count(d.GetRejected()),
			span{plain, factor(d.GetFactorP50())}, span{plain, factor(d.GetFactorLow()) + " to " + factor(d.GetFactorHigh())},
			span{plain, timeOrDash(d.GetLastModel())}, span{plain, timeOrDash(d.GetLastActual())})
	}
	if l.quiet {
		return
	}
	if len(t.rows) == 0 {
		l.say("nothing learned yet: it is learned from runs that end")
		return
	}
	t.print(l.printer)
	l.line()
	l.text("A run takes the model's time multiplied by FACTOR, as often more as less; 9 of 10 runs lie within RANGE.")
}

func factor(f float64) string { return strconv.FormatFloat(f, 'f', 2, 64) }

func timeOrDash(d *durationpb.Duration) string {
	if d == nil {
		return "-"
	}
	return wording.Span(d.AsDuration())
}

// export writes comma-separated values, RFC 4180 but for the line ends, which are those of the other data.
func (l *learned) export(list *tandemv1.ListDurationsResponse) error {
	var b strings.Builder
	w := csv.NewWriter(&b)
	_ = w.Write([]string{
		"device", "operation", "mode", "runs", "left_out", "factor_p50", "factor_p90", "factor_low", "factor_high",
		"last_model_seconds", "last_actual_seconds",
	})
	number := func(f float64) string { return strconv.FormatFloat(f, 'f', -1, 64) }
	seconds := func(d *durationpb.Duration) string {
		if d == nil {
			return ""
		}
		return number(d.AsDuration().Seconds())
	}
	for _, d := range list.GetDurations() {
		_ = w.Write([]string{
			csvText(d.GetDevice()), csvText(d.GetOperation()), csvText(d.GetMode()),
			strconv.Itoa(int(d.GetSamples())), strconv.Itoa(int(d.GetRejected())),
			number(d.GetFactorP50()), number(d.GetFactorP90()), number(d.GetFactorLow()), number(d.GetFactorHigh()),
			seconds(d.GetLastModel()), seconds(d.GetLastActual()),
		})
	}
	w.Flush()
	if err := w.Error(); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	if l.csv == "-" {
		l.write(b.String())
		return nil
	}
	if err := os.WriteFile(l.csv, []byte(b.String()), 0o644); err != nil {
		return fmt.Errorf("write CSV: %w", err)
	}
	l.say("%s: %s", l.csv, wording.Count(len(list.GetDurations()), "line"))
	return nil
}

// csvText is foreign text as a spreadsheet shows and does not obey it: clean, and with an apostrophe before what would
// begin a formula.
func csvText(s string) string {
	s = celltext.Clean(s)
	if begin := strings.TrimLeft(s, " "); begin != "" && strings.ContainsAny(begin[:1], "=+-@") {
		return "'" + s
	}
	return s
}
