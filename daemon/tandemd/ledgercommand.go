package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tandem/daemon/audit"
	"tandem/daemon/config"
	"tandem/daemon/datadir"
	"tandem/scheduler/floor"
)

func ledgerCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "ledger",
		Short: "Verify the ledger of a stopped daemon, make it anew, or move it",
		Args:  cobra.NoArgs,
	}
	cmd.AddCommand(ledgerVerifyCommand(), ledgerRebuildCommand(), moveCommand())
	return cmd
}

func ledgerVerifyCommand() *cobra.Command {
	var asJSON bool
	cmd := &cobra.Command{
		Use:   "verify",
		Short: "Read the whole ledger and verify it",
		Long: "Reads every record: its checksum, the chain of hashes, that terms and times never go back; replays them all, checks the rules\n" +
			"of the floor, and compares the newest snapshot and the history. It changes no record. The daemon must be stopped; the ledger of\n" +
			"a cluster is read while its daemons run, and compared with the history of the daemon in the data folder.\n\n" +
			"It ends with 0 if the ledger can be relied on, and with 1 if it cannot, or if a newer program wrote it: so it also tells\n" +
			"before an upgrade, or after going back to an older program, whether this one reads it.",
		Example: "  tandemd ledger verify --data-dir /var/lib/tandem",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			set, err := config.LoadSettings(cmd.Flags(), config.ThisHost())
			if err != nil {
				return &usageError{err}
			}
			report, err := verifyLedger(cmd.Context(), set)
			if err != nil {
				return offline(err)
			}
			for _, doubt := range report.Doubts {
				fmt.Fprintln(cmd.ErrOrStderr(), "warning:", doubt)
			}
			if asJSON {
				return writeJSON(cmd.OutOrStdout(), map[string]any{
					"revision": report.Head.Revision, "ledger_head": fmt.Sprintf("%x", report.Head.Hash), "term": report.Head.Term,
					"records": report.Audit.Records, "events": report.Audit.Events, "schemas": schemas(report.Audit), "schema_read": floor.Schema,
					"jobs": len(report.Audit.Floor().Jobs), "jobs_open": report.Audit.JobsOpen(), "snapshot": report.Snapshot, "history": report.History,
					"warnings": len(report.Doubts),
				})
			}
			out := cmd.OutOrStdout()
			fmt.Fprintln(out, "the ledger is good")
			showAudit(out, report.Audit)
			show(out, "ledger head", fmt.Sprintf("%x", report.Head.Hash))
			show(out, "term", report.Head.Term)
			show(out, "snapshot", orNone(report.Snapshot))
			show(out, "history", orNone(report.History))
			return nil
		},
	}
	dataDirFlags(cmd, "cluster", "credentials", "name")
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func ledgerRebuildCommand() *cobra.Command {
	opt := datadir.RebuildOptions{}
	cmd := &cobra.Command{
		Use:   "rebuild",
		Short: "Make a damaged ledger anew from its history",
		Long: "Makes the ledger anew, byte for byte, from the history, the second copy that the daemon keeps beside it, and verifies it. The\n" +
			"old one is kept aside and never removed. What the history did not have yet is taken from the old one, as far as that can be\n" +
			"read. The daemon must be stopped.\n\n" +
			"The history follows the ledger at a distance of moments, and that of a daemon which followed another one ends where it last led.\n" +
			"Unless the note beside the ledger tells that the history has all that was acknowledged, nothing is made without --without-last:\n" +
			"then the new ledger counts as restored from a backup, and each step that may have been done meanwhile waits until somebody has\n" +
			"said so with `tandem review`.",
		Example: "  tandemd ledger rebuild --data-dir /var/lib/tandem",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			dataDir, err := dataDirOf(cmd)
			if err != nil {
				return err
			}
			if opt.WithoutLast && opt.Actor == "" {
				return &usageError{errors.New("--actor: say who goes on without the last records; it is kept in the ledger")}
			}
			opt.Now = time.Now()
			made, err := datadir.Rebuild(cmd.Context(), dataDir, opt)
			if err != nil {
				return offline(err)
			}
			out := cmd.OutOrStdout()
			fmt.Fprintln(out, "the ledger is made anew from its history, and was read back and verified")
			if made.Salvaged > 0 {
				show(out, "salvaged", fmt.Sprintf("%d records that the history did not have yet, from the damaged ledger", made.Salvaged))
			}
			switch {
			case made.Missing > 0:
				show(out, "missing", fmt.Sprintf("%d records at its end: jobs, scans and reports of the last moments before the damage", made.Missing))
				showMarked(out, made.Marked)
			case made.Doubt:
				show(out, "missing", "perhaps what came after its last record: nobody knows")
				showMarked(out, made.Marked)
			}
			showAudit(out, made.Audit)
			show(out, "ledger head", fmt.Sprintf("%x", made.Head.Hash))
			if made.Aside != "" {
				show(out, "old ledger", "kept in "+made.Aside)
			}
			return nil
		},
	}
	dataDirFlags(cmd)
	cmd.Flags().BoolVar(&opt.WithoutLast, "without-last", false, "go on also if the history lacks the last records, or may lack them")
	cmd.Flags().StringVar(&opt.Actor, "actor", currentUser(), "who goes on without them; kept in the ledger")
	return cmd
}

func showAudit(out io.Writer, a *audit.Audit) {
	show(out, "records", fmt.Sprintf("%d, with %d events", a.Records, a.Events))
	show(out, "revision", a.Revision)
	show(out, "floor's time", fmt.Sprintf("%s to %s", a.First.Format("2006-01-02 15:04:05"), a.Last.Format("2006-01-02 15:04:05 MST")))
	show(out, "jobs", fmt.Sprintf("%d, of which %d open", len(a.Floor().Jobs), a.JobsOpen()))
	show(out, "schema", fmt.Sprintf("%s; this program reads up to %d and writes %d", schemas(a), floor.Schema, floor.Schema))
}

// schemas says which revisions have which schema.
func schemas(a *audit.Audit) string {
	text := ""
	for _, s := range a.Schemas {
		if text != "" {
			text += ", "
		}
		text += fmt.Sprintf("%d in revisions %d to %d", s.Schema, s.First, s.Last)
	}
	return text
}

func show(out io.Writer, name string, value any) { fmt.Fprintf(out, "    %-13s %v\n", name, value) }

func orNone(revision uint64) string {
	if revision == 0 {
		return "none"
	}
	return fmt.Sprintf("revision %d", revision)
}

func writeJSON(out io.Writer, v any) error { return json.NewEncoder(out).Encode(v) }

// offline sorts out the caller's mistakes.
func offline(err error) error {
	if errors.Is(err, datadir.ErrNoLedger) {
		return &usageError{err}
	}
	return err
}

// dataDirFlags adds the settings that say where the data folder is, and those that are named.
func dataDirFlags(cmd *cobra.Command, more ...string) {
	all := pflag.NewFlagSet("", pflag.ContinueOnError)
	config.Flags(all)
	for _, name := range append([]string{"config", "data-dir"}, more...) {
		cmd.Flags().AddFlag(all.Lookup(name))
	}
}

// dataDirOf finds the data folder where `tandemd serve` would find it.
func dataDirOf(cmd *cobra.Command) (string, error) {
	set, err := config.LoadSettings(cmd.Flags(), config.ThisHost())
	if err != nil {
		return "", &usageError{err}
	}
	return set.DataDir, nil
}
