package main

import (
	"errors"
	"fmt"
	"io"
	"os"
	"os/user"
	"time"

	"github.com/spf13/cobra"

	"tandem/daemon/backup"
	"tandem/daemon/datadir"
)

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
			"A job that was handed in after the backup was made is not in it either. Before somebody hands it in again, look whether its\n" +
			"pieces are made already: if no device speaks of them any more, nothing here can tell, and they are made once more.\n\n" +
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
	showMarked(out, done.Marked)
	show(out, "drivers", "those of other processes need the new token in "+datadir.BusDir(dataDir))
}

// showMarked tells what waits for people where the last records may be missing.
func showMarked(out io.Writer, m datadir.Marked) {
	show(out, "fences", fmt.Sprintf("grants go on after %d: a device that reports an earlier one which the ledger does not know is listed", m.Fence))
	if m.Unknown > 0 {
		show(out, "in hand then", fmt.Sprintf("%d runs, whose outcome is unknown until their devices have been heard", m.Unknown))
	}
	if m.Review > 0 {
		show(out, "to review", fmt.Sprintf("%d steps may have been done since: start the daemon, walk along the machines, and say so with `tandem review`", m.Review))
	}
}

func showBackup(out io.Writer, report backup.Report) {
	m := report.Manifest
	show(out, "made", fmt.Sprintf("%s by %s", m.MadeTime.Local().Format("2006-01-02 15:04:05"), m.Program))
	showAudit(out, report.Audit)
	show(out, "ledger head", m.LedgerHead)
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
