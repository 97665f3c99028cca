package main

import (
	"context"
	"encoding/json"
	"errors"
	"maps"
	"slices"
	"time"

	"github.com/spf13/cobra"

	"tandem/clients/celltext"
	"tandem/clients/intake"
	"tandem/clients/wording"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/proto/xjdf"
)

func (a *app) intakeCommand() *cobra.Command {
	c := intake.Config{}
	cmd := &cobra.Command{
		Use:   "intake DIR",
		Short: "Watch a folder and hand in the tickets that other software puts there.",
		Example: `  tandem intake /srv/tickets
  tandem intake --once /srv/tickets                       deal with what is there, then end
  tandem intake --cut-root /srv/contours /srv/tickets     cut files may lie there too
  tandem intake --media PAPER-80=paper-satin /srv/tickets  what XJDF tickets call PAPER-80 is paper-satin here`,
		Long: `Takes tickets in YAML and JSON (.yaml, .yml, .json) and XJDF tickets (.xjdf, and .xml that holds one), with the cut
files that their items name. What was taken in is moved to DIR/done, what cannot be taken to DIR/refused, with the
reason in NAME.reason.txt beside it; NAME.note.txt beside a taken one says what was assumed and not used. Nothing is
overwritten.

A file is taken when it has been still for --settle and is complete. Software that can should write under another
name, such as NAME.tmp, and rename the file when it is done: YAML that breaks off cannot always be told from YAML that
is complete.

While the daemon is away files stay and are tried again. The same file makes no second job, however often it comes.
Cut files are read in DIR and below --cut-root and nowhere else. One process watches a folder; a share should be
watched on the computer that holds it.

With --json each line is an object with time, event, file, to, job, code, text and problems. With --once the exit code
is 0 if everything was taken in, 2 if a file was refused, 6 if the daemon did not answer, 1 if a file could not be
read or moved.`,
		Args: cobra.ExactArgs(1),
	}
	flags := cmd.Flags()
	flags.BoolVar(&c.Once, "once", false, "deal with what is there, then end")
	flags.BoolVar(&c.Hold, "hold", false, "start nothing until the jobs are released")
	flags.StringArrayVar(&c.CutRoots, "cut-root", nil, "further folder of cut files (may be repeated)")
	flags.DurationVar(&c.Settle, "settle", 2*time.Second, "how long a file must have been still")
	flags.DurationVar(&c.Patience, "patience", 30*time.Second, "how long a file that is not complete may be still before it is refused")
	flags.DurationVar(&c.Poll, "poll", time.Second, "how often the folder is read; the system's notifications only hasten it")
	xjdfFlags(cmd, &c.XJDF)
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		c.Dir = args[0]
		return a.intake(cmd.Context(), c)
	})
	return cmd
}

// xjdfFlags adds what a shop knows and XJDF tickets do not say.
func xjdfFlags(cmd *cobra.Command, opt *xjdf.Options) {
	flags := cmd.Flags()
	flags.StringToStringVar(&opt.Media, "media", nil, "XJDF: a media's ExternalID or type and its id here, NAME=ID (may be repeated)")
	flags.StringVar(&opt.Ink, "ink", "", "XJDF: ink set of printed items")
	flags.StringVar(&opt.Mode, "mode", "", "XJDF: print mode of printed items")
	flags.BoolVar(&opt.JobPart, "job-part", false, "XJDF: make the job's id of JobID and JobPartID")
}

// checkMedia holds that the table leads to ids.
func checkMedia(opt xjdf.Options) error {
	for _, name := range slices.Sorted(maps.Keys(opt.Media)) {
		if id := opt.Media[name]; !tandemv1.ValidID(id) {
			return usagef("--media %s is %q: %s", name, id, tandemv1.IDRule)
		}
	}
	return nil
}

func (a *app) intake(ctx context.Context, c intake.Config) error {
	if a.actor == "" {
		return usagef("who asks? give a name with --actor or TANDEM_ACTOR")
	}
	if err := checkMedia(c.XJDF); err != nil {
		return err
	}
	for _, d := range []struct {
		flag  string
		value time.Duration
	}{{"settle", c.Settle}, {"patience", c.Patience}, {"poll", c.Poll}} {
		if d.value <= 0 {
			return usagef("--%s is %v: give a time above zero, such as 2s", d.flag, d.value)
		}
	}
	client, err := a.jobs()
	if err != nil {
		return err
	}
	c.Jobs, c.Actor, c.Timeout, c.Tell = client, a.actor, a.timeout, a.intakeEvent
	sum, err := intake.Run(ctx, c)
	switch {
	case errors.Is(err, intake.ErrInUse):
		return err
	case err != nil:
		return &inputError{err}
	case !c.Once:
		return nil // ended by a signal, as it is meant to be
	case ctx.Err() != nil:
		return ctx.Err()
	case sum.Lost != nil:
		return &told{exitCode(sum.Lost)}
	case sum.Refused > 0:
		return &told{exitUsage}
	case sum.Left > 0:
		return &told{exitFailure}
	}
	return nil
}

// intakeEvent shows one line at once: people and other programs follow them.
func (a *app) intakeEvent(e intake.Event) {
	defer func() { _ = a.flush() }() // its error is told at the end
	if a.json {
		data, err := json.Marshal(e)
		if err != nil {
			panic("encode an event: " + err.Error()) // it holds nothing but text, numbers and a time
		}
		a.write(string(data) + "\n")
		return
	}
	if a.quiet && e.Job == "" && e.Kind != intake.Refused {
		switch e.Kind {
		case intake.Started, intake.Stopped, intake.Waiting, intake.Left, intake.Back, intake.Found:
			return
		default: // what must not be missed
		}
	}
	at := e.Time.In(a.zone).Format("15:04:05 ")
	file := []span{{faint, at}, {intakeStyle(e.Kind), string(e.Kind)}, {plain, " "}, {strong, e.File}}
	if e.To != "" {
		file = append(file, span{plain, " -> " + e.To})
	}
	switch {
	case e.Job != "" && a.quiet:
		a.text("%s", e.Job)
	case e.Job != "":
		a.line(append(file, span{plain, ": job " + e.Job + words("", prefixed(", code ", e.Code), ", "+wording.Count(e.Steps, "step"), prefixed("; ", e.Text))})...)
	case e.Kind == intake.Refused:
		rest := ""
		if len(e.Problems) > 0 {
			rest = ": " + e.Problems[0].String()
		}
		if len(e.Problems) > 1 {
			rest += " (and " + wording.Count(len(e.Problems)-1, "more problem") + ")"
		}
		a.line(append(file, span{plain, rest})...)
	case e.File != "":
		a.line(append(file, span{plain, ": " + e.Text})...)
	default:
		a.line(span{faint, at}, span{intakeStyle(e.Kind), string(e.Kind)}, span{plain, ": " + e.Text})
	}
}

func intakeStyle(kind intake.Kind) celltext.Style {
	switch kind {
	case intake.Taken, intake.Back, intake.Found:
		return good
	case intake.Refused, intake.Lost, intake.Gone:
		return bad
	case intake.Stuck, intake.Same:
		return warned
	default:
		return plain
	}
}

// prefixed puts a text before another unless that is empty.
func prefixed(before, s string) string {
	if s == "" {
		return ""
	}
	return before + s
}
