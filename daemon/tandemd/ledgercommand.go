package main

import (
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"time"

	"github.com/spf13/cobra"
	"github.com/spf13/pflag"

	"tandem/daemon/audit"
	"tandem/daemon/backup"
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
			"of the floor, and compares the newest snapshot and the history. It changes nothing. The daemon must be stopped.\n\n" +
			"It ends with 0 if the ledger can be relied on, and with 1 if it cannot, or if a newer program wrote it: so it also tells\n" +
			"before an upgrade, or after going back to an older program, whether this one reads it.",
		Example: "  tandemd ledger verify --data-dir /var/lib/tandem",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			dataDir, err := dataDirOf(cmd)
			if err != nil {
				return err
			}
			report, err := datadir.Verify(cmd.Context(), dataDir)
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
	dataDirFlags(cmd)
	cmd.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	return cmd
}

func ledgerRebuildCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "rebuild",
		Short: "Make a damaged ledger anew from its history",
		Long: "Makes the ledger anew, byte for byte, from the history, the second copy that the daemon keeps beside it, and verifies it. The\n" +
			"old one is kept aside and never removed. The daemon must be stopped.",
		Example: "  tandemd ledger rebuild --data-dir /var/lib/tandem",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			dataDir, err := dataDirOf(cmd)
			if err != nil {
				return err
			}
			made, err := datadir.Rebuild(cmd.Context(), dataDir, time.Now())
			if err != nil {
				return offline(err)
			}
			out := cmd.OutOrStdout()
			fmt.Fprintln(out, "the ledger is made anew from its history, and was read back and verified")
			showAudit(out, made.Audit)
			show(out, "ledger head", fmt.Sprintf("%x", made.Head.Hash))
			if made.Aside != "" {
				show(out, "old ledger", "kept in "+made.Aside)
			}
			return nil
		},
	}
	dataDirFlags(cmd)
	return cmd
}

func backupCommand() *cobra.Command {
	cmd := &cobra.Command{
		Use:   "backup",
		Short: "Verify a backup (`tandem backup FILE` makes one, while the daemon runs)",
		Args:  cobra.NoArgs,
	}
	var asJSON bool
	verify := &cobra.Command{
		Use:   "verify FILE",
		Short: "Read a backup and verify all of it",
		Long: "Verifies every sum and checksum, the chain of hashes, and that the file is whole; replays the records and checks the rules of\n" +
			"the floor. It needs no daemon. It ends with 0 if the backup can be relied on, and with 1 if it cannot. Compare the ledger head\n" +
			"with the one that was noted when the backup was made: a file that was changed with care has another one.",
		Example: "  tandemd backup verify /media/backup/floor.tgz",
		Args:    exactly(1, "name the file"),
		RunE: func(cmd *cobra.Command, args []string) error {
			f, err := os.Open(args[0])
			if err != nil {
				return &usageError{err}
			}
			defer f.Close()
			report, err := backup.Verify(cmd.Context(), f, nil)
			if err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			if report.Doubt != nil {
				fmt.Fprintln(cmd.ErrOrStderr(), "warning:", report.Doubt)
			}
			if asJSON {
				return writeJSON(cmd.OutOrStdout(), map[string]any{
					"revision": report.Manifest.Revision, "ledger_head": report.Manifest.LedgerHead, "made_time": report.Manifest.MadeTime, "program": report.Manifest.Program,
					"records": report.Audit.Records, "events": report.Audit.Events, "schemas": schemas(report.Audit), "jobs": len(report.Audit.Floor().Jobs), "jobs_open": report.Audit.JobsOpen(),
				})
			}
			fmt.Fprintln(cmd.OutOrStdout(), "the backup is good")
			showBackup(cmd.OutOrStdout(), report)
			return nil
		},
	}
	verify.Flags().BoolVar(&asJSON, "json", false, "print JSON")
	cmd.AddCommand(verify)
	return cmd
}

func restoreCommand() *cobra.Command {
	var actor string
	var nothingDone bool
	cmd := &cobra.Command{
		Use:   "restore FILE",
		Short: "Restore a backup into an empty data folder",
		Long: "Makes the ledger of a backup in an empty folder, reads it back and verifies it. It never touches a folder with something in it.\n\n" +
			"What was done on the floor after the backup was made is not in it. So nothing that may have been done is done again by itself:\n" +
			"each step that was waiting is given to no device until somebody has said with `tandem review` whether it was done; work that\n" +
			"devices report and the ledger does not have is listed there, and never counted by itself; runs that devices had in hand have an\n" +
			"unknown outcome until they have been heard. Walk along the machines before you start the daemon, and take what is loaded, and how\n" +
			"much is left on the rolls, from what you see, not from the ledger.\n\n" +
			"Stop the old daemon first, for good: two floors that give work to the same devices are one too many.",
		Example: "  tandemd restore /media/backup/floor.tgz --data-dir /var/lib/tandem\n" +
			"  tandemd restore floor.tgz --data-dir data --nothing-done     # moved to another computer, nothing was done since",
		Args: exactly(1, "name the backup"),
		RunE: func(cmd *cobra.Command, args []string) error {
			if actor == "" {
				return &usageError{errors.New("--actor: say who restores it; it is kept with the record")}
			}
			dataDir, err := dataDirOf(cmd)
			if err != nil {
				return err
			}
			f, err := os.Open(args[0])
			if err != nil {
				return &usageError{err}
			}
			defer f.Close()
			// A backup that is no good must not leave a half-filled folder behind.
			if _, err := backup.Verify(cmd.Context(), f, nil); err != nil {
				return fmt.Errorf("%s: %w", args[0], err)
			}
			if _, err := f.Seek(0, io.SeekStart); err != nil {
				return fmt.Errorf("read %s again: %w", args[0], err)
			}
			done, err := datadir.Restore(cmd.Context(), f, dataDir, datadir.RestoreOptions{Actor: actor, Now: time.Now(), NothingDone: nothingDone})
			if err != nil {
				return offline(err)
			}
			showRestored(cmd.OutOrStdout(), dataDir, done)
			return nil
		},
	}
	dataDirFlags(cmd)
	cmd.Flags().StringVar(&actor, "actor", currentUser(), "who restores it; kept in the ledger")
	cmd.Flags().BoolVar(&nothingDone, "nothing-done", false, "nothing was done on the floor since the backup was made: steps go on unless a device reports otherwise")
	return cmd
}

func showRestored(out io.Writer, dataDir string, done datadir.Restored) {
	fmt.Fprintf(out, "the backup is restored into %s, and was read back and verified\n", dataDir)
	show(out, "backup made", fmt.Sprintf("%s by %s, at revision %d", done.Manifest.MadeTime.Local().Format("2006-01-02 15:04:05"), done.Manifest.Program, done.Manifest.Revision))
	show(out, "backup's head", done.Manifest.LedgerHead)
	showAudit(out, done.Audit)
	show(out, "ledger head", fmt.Sprintf("%x", done.Head.Hash))
	show(out, "fences", fmt.Sprintf("grants go on after %d: a device that reports an earlier one from after the backup is listed", done.Fence))
	if done.Unknown > 0 {
		show(out, "in hand then", fmt.Sprintf("%d runs, whose outcome is unknown until their devices have been heard", done.Unknown))
	}
	if done.Review > 0 {
		show(out, "to review", fmt.Sprintf("%d steps may have been done since: start the daemon, walk along the machines, and say so with `tandem review`", done.Review))
	}
	show(out, "drivers", "those of other processes need the new token in "+datadir.BusDir(dataDir))
}

func showBackup(out io.Writer, report backup.Report) {
	m := report.Manifest
	show(out, "made", fmt.Sprintf("%s by %s", m.MadeTime.Local().Format("2006-01-02 15:04:05"), m.Program))
	showAudit(out, report.Audit)
	show(out, "ledger head", m.LedgerHead)
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

// dataDirFlags adds the settings that say where the data folder is.
func dataDirFlags(cmd *cobra.Command) {
	all := pflag.NewFlagSet("", pflag.ContinueOnError)
	config.Flags(all)
	for _, name := range []string{"config", "data-dir"} {
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

func exactly(n int, remedy string) cobra.PositionalArgs {
	return func(_ *cobra.Command, args []string) error {
		if len(args) != n {
			return &usageError{fmt.Errorf("%d arguments given, %d wanted: %s", len(args), n, remedy)}
		}
		return nil
	}
}

func currentUser() string {
	if u, err := user.Current(); err == nil {
		return u.Username
	}
	return ""
}
