package main

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"time"

	"github.com/spf13/cobra"
	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/clients/wording"
	"tandem/proto/durable"
	tandemv1 "tandem/proto/tandem/v1"
)

func (a *app) backupCommand() *cobra.Command {
	var replace bool
	cmd := &cobra.Command{
		Use:   "backup FILE",
		Short: "Make a backup of the whole ledger while the floor goes on.",
		Example: `  tandem backup floor-$(date +%F).tgz
  tandemd backup verify floor-2026-11-25.tgz         verify it; no daemon is needed
  tandemd restore floor-2026-11-25.tgz --data-dir D  restore it into an empty folder`,
		Long: `The file holds everything up to one moment, and appears under its name only when it is whole. It is an archive of the
tar and gzip sort. Keep it on another disk, better in another house, and note the ledger head that is printed: it tells
later whether the file was changed. The file names customers' jobs and people, so only its owner may read it.`,
		Args: cobra.ExactArgs(1),
	}
	cmd.RunE = a.runs(func(cmd *cobra.Command, args []string) error {
		path := args[0]
		switch there, err := os.Lstat(path); {
		case err != nil: // nothing is in the way, or what is wrong is told of when the file is made
		case !there.Mode().IsRegular():
			return usagef("%s is no file whose place a backup could take: give another name", path)
		case !replace:
			return usagef("%s is there already: give another name, or --replace", path)
		}
		client, err := a.admin()
		if err != nil {
			return err
		}
		summary, err := a.saveBackup(cmd.Context(), client, path)
		if err != nil {
			return err
		}
		a.showBackup(path, summary)
		return nil
	})
	cmd.Flags().BoolVar(&replace, "replace", false, "take the place of a file of that name, once the new one is whole")
	return cmd
}

// saveBackup writes the backup beside its name, and gives it the name once it is whole and on disk.
func (a *app) saveBackup(ctx context.Context, client tandemv1.AdminServiceClient, path string) (summary *tandemv1.BackupSummary, err error) {
	file, err := os.CreateTemp(filepath.Dir(path), "."+filepath.Base(path)+".part-*") // made for its owner only
	if err != nil {
		return nil, usagef("make the file: %w", err)
	}
	defer func() {
		if err != nil {
			_ = file.Close()
			_ = os.Remove(file.Name())
		}
	}()
	if summary, err = a.receiveBackup(ctx, client, file); err != nil {
		return nil, err
	}
	if err := errors.Join(file.Sync(), file.Close()); err != nil {
		return nil, fmt.Errorf("write %s: %w", path, err)
	}
	if err := os.Rename(file.Name(), path); err != nil {
		return nil, fmt.Errorf("give %s its name: %w", path, err)
	}
	if err := durable.SyncFolder(filepath.Dir(path)); err != nil {
		return nil, fmt.Errorf("%s is there, but a loss of power may take its name: %w", path, err)
	}
	return summary, nil
}

// receiveBackup copies the stream into w, and compares it with what the daemon says it sent.
func (a *app) receiveBackup(ctx context.Context, client tandemv1.AdminServiceClient, w io.Writer) (*tandemv1.BackupSummary, error) {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	stalled := time.AfterFunc(a.timeout, func() { cancel(context.DeadlineExceeded) })
	defer stalled.Stop()
	fail := func(err error) error {
		if cause := context.Cause(ctx); errors.Is(cause, context.DeadlineExceeded) {
			return fmt.Errorf("nothing came from the daemon for %v: %w", a.timeout, cause)
		}
		return err
	}
	stream, err := client.Backup(ctx, &tandemv1.BackupRequest{})
	if err != nil {
		return nil, fail(err)
	}
	sum, n := sha256.New(), int64(0)
	for {
		part, err := stream.Recv()
		switch {
		case errors.Is(err, io.EOF):
			return nil, errors.New("the daemon ended the backup without saying that it is whole: make it again")
		case status.Code(err) == codes.Unavailable: // the daemon is going, or another has taken over
			return nil, fail(&remedyError{"there is no backup, and nothing is kept of the unfinished one: run the same command again once the daemon is back", err})
		case err != nil:
			return nil, fail(err)
		}
		stalled.Reset(a.timeout)
		if s := part.GetSummary(); s != nil {
			if s.GetBytes() != n || !bytes.Equal(s.GetSha256(), sum.Sum(nil)) {
				return nil, errors.New("what came is not what the daemon sent: make the backup again")
			}
			return s, drained(stream)
		}
		sum.Write(part.GetData())
		n += int64(len(part.GetData()))
		if _, err := w.Write(part.GetData()); err != nil {
			return nil, fmt.Errorf("write the file: %w", err)
		}
	}
}

// drained waits for the end of a stream whose last message has come.
func drained(stream grpc.ServerStreamingClient[tandemv1.BackupResponse]) error {
	if _, err := stream.Recv(); err != nil && !errors.Is(err, io.EOF) {
		return err
	}
	return nil
}

func (a *app) showBackup(path string, s *tandemv1.BackupSummary) {
	switch {
	case a.json:
		a.message(s)
		return
	case a.quiet:
		a.text("%s", path)
		return
	}
	var f facts
	f.add("backup", fmt.Sprintf("%s, %s", path, wording.Count(int(s.GetBytes()), "byte")))
	f.add("revision", fmt.Sprintf("%d: %s with %s", s.GetRevision(), wording.Count(int(s.GetRecords()), "record"), wording.Count(int(s.GetEvents()), "event")))
	f.add("ledger head", s.GetLedgerHead())
	f.print(a.printer)
}
