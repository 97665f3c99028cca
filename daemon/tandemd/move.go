package main

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"syscall"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/config"
	"tandem/daemon/datadir"
	"tandem/daemon/history"
	"tandem/daemon/lead"
	"tandem/daemon/ledger"
	"tandem/proto/durable"
)

const (
	toCluster = "cluster"
	toDataDir = "data-dir"
	// moverName is the name under which a move holds the lease.
	moverName = "ledger-move"
	// leaseWithin is longer than a lease that nobody renews lasts: who leads after that does.
	leaseWithin = 2 * lead.DefaultDuration
	// reachWithin is how long a command that moves or verifies a cluster's ledger waits for a server to take its connection.
	reachWithin = 10 * time.Second
	// progressEvery is how often, in records, the copy tells how far it is.
	progressEvery = 10_000
)

func moveCommand() *cobra.Command {
	var to string
	cmd := &cobra.Command{
		Use:   "move --to cluster|data-dir",
		Short: "Copy the ledger from the data folder to a cluster, or back",
		Long: "Copies every record of the ledger, byte for byte, to a place that holds none yet, reads the copy from its first record to its\n" +
			"last and compares the heads. It refuses while a daemon runs on either side. What was copied stays where it was: keep it until\n" +
			"the first day on the new place is over. No daemon goes on with it, or the floor's story would go on in two ways; nor with a\n" +
			"copy that was interrupted: run the same command again, and it goes on where it was.",
		Example: "  tandemd ledger move --to cluster --data-dir /var/lib/tandem --cluster tls://nats-1:4222,tls://nats-2:4222,tls://nats-3:4222 --name floor-1",
		Args:    cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if to != toCluster && to != toDataDir {
				return &usageError{fmt.Errorf("--to is %q: give %s or %s", to, toCluster, toDataDir)}
			}
			set, err := config.LoadSettings(cmd.Flags(), config.ThisHost())
			if err != nil {
				return &usageError{err}
			}
			if len(set.Cluster) == 0 {
				return &usageError{errors.New("no cluster is set: name its servers with --cluster")}
			}
			log, err := newLogger(set.LogLevel, set.LogFormat)
			if err != nil {
				return err
			}
			return moveLedger(cmd.Context(), set, to, log, cmd.OutOrStdout())
		},
	}
	cmd.Flags().StringVar(&to, "to", "", "where to: cluster or data-dir")
	config.Flags(cmd.Flags())
	return cmd
}

// moveLedger copies the ledger, with nobody else at either side of it.
func moveLedger(ctx context.Context, set *config.Settings, to string, log *zap.Logger, out io.Writer) (err error) {
	check := datadir.CheckFinished
	if to == toCluster {
		check = datadir.CheckLedger
	}
	if err := check(set.DataDir); err != nil {
		return offline(err)
	}
	server, err := bus.StartServer(bus.ServerConfig{
		StoreDir: datadir.BusDir(set.DataDir), MaxStore: datadir.MostStore, MaxPayload: ledger.ServerMaxPayload, Descriptions: ledger.Descriptions(), Log: natsLog(log),
	})
	if err != nil {
		return err
	}
	defer func() {
		server.Shutdown()
		err = errors.Join(err, datadir.GiveToOwner(set.DataDir, datadir.BusDir(set.DataDir)))
	}()
	note, err := ledger.OpenNote(datadir.NotePath(set.DataDir))
	if err != nil {
		return err
	}
	defer func() { _ = note.Close() }()
	past, err := historyOf(ctx, set.DataDir)
	if err != nil {
		return err
	}
	// Whichever ledger is copied must hold what the folder's history holds: a copy of one that has lost records would pass for
	// the whole one.
	knownHere, knownThere := past, ledger.Head{}
	if to == toDataDir {
		knownHere, knownThere = ledger.Head{}, past
	}
	local, err := openLedger(ctx, server, ledger.Options{Known: knownHere, Note: note, Resting: true}, log)
	if err != nil {
		return fmt.Errorf("in %s: %w", set.DataDir, err)
	}
	cluster, err := bus.OpenCluster(bus.ClusterConfig{URLs: set.Cluster, Credentials: set.Credentials, Name: set.Name + "-move", ReachWithin: reachWithin, Log: natsLog(log)})
	if err != nil {
		return &usageError{err}
	}
	defer cluster.Shutdown()
	shared, release, err := aloneInCluster(ctx, cluster, knownThere, log)
	if err != nil {
		return err
	}
	defer release()
	from, target := local, shared
	if to == toDataDir {
		from, target = shared, local
	}
	if from.Head().Revision == 0 {
		return fmt.Errorf("there is nothing to move: the ledger that would be copied to %s is empty", to)
	}
	if err := checkNotLeft(set.DataDir, to, from, target); err != nil {
		return err
	}
	begin := time.Now()
	head, err := ledger.Copy(ctx, from, target, func(done, all uint64) {
		if done%progressEvery == 0 {
			log.Info("copying", zap.Uint64("records", done), zap.Uint64("of", all))
		}
	})
	if err != nil {
		return err
	}
	// The place that is left is told first: interrupted in between, neither goes on, and the same command ends it.
	if to == toDataDir {
		if err := server.StoreNames(); err != nil {
			return err
		}
		if err := from.MoveAway(ctx); err != nil {
			return err
		}
	}
	if err := markMoved(set.DataDir, to, head, time.Now()); err != nil {
		return err
	}
	if err := target.GoOn(ctx); err != nil {
		return err
	}
	fmt.Fprintf(out, "moved to %s: %d records in %v\nhead: revision %d, term %d, SHA-256 %x\n", to, head.Revision, time.Since(begin).Round(time.Millisecond),
		head.Revision, head.Term, head.Hash)
	return nil
}

// checkNotLeft refuses to copy what was left behind by an earlier move to a place where it would go on: the ledger goes on elsewhere
// already. A copy that was interrupted is finished, though, also when the place it comes from has been told.
func checkNotLeft(dataDir, to string, from, target *ledger.JetStream) error {
	standing := target.Standing()
	if errors.Is(standing, ledger.ErrUnfinished) || standing == nil && target.Head().Revision > 0 { // the latter is refused as not empty
		return nil
	}
	if to == toCluster {
		return checkNotMoved(dataDir)
	}
	if err := from.Standing(); errors.Is(err, ledger.ErrMovedAway) {
		return fmt.Errorf("the cluster's ledger was moved to a data folder before, and goes on there: %w: start the daemon there without --cluster. If that folder is lost, restore a backup, "+
			"or make a ledger from the history of the daemon that led last: tandemd ledger rebuild --without-last", err)
	}
	return nil
}

// historyOf returns the last record in the history of a data folder; the zero Head if there is none.
func historyOf(ctx context.Context, dataDir string) (ledger.Head, error) {
	past, err := history.OpenCopy(dataDir)
	if errors.Is(err, fs.ErrNotExist) {
		return ledger.Head{}, nil
	}
	if err != nil {
		return ledger.Head{}, err
	}
	head, err := past.Head(ctx)
	return head, errors.Join(err, past.Close())
}

// markMoved leaves word in a data folder that its ledger goes on elsewhere, or that it goes on here.
func markMoved(dataDir, to string, head ledger.Head, now time.Time) error {
	path := filepath.Join(dataDir, datadir.MovedFile)
	if to == toDataDir {
		if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
			return fmt.Errorf("take back that the ledger was moved: %w", err)
		}
		return durable.SyncFolder(dataDir)
	}
	text := fmt.Sprintf("The ledger of this folder was copied to a cluster at %s, at revision %d, SHA-256 %x, and goes on there.\n"+
		"A daemon that keeps its ledger itself does not start here while this file is here.\n", now.UTC().Format(time.RFC3339), head.Revision, head.Hash)
	if err := datadir.LeaveWord(dataDir, datadir.MovedFile, text); err != nil {
		return fmt.Errorf("leave word that the ledger was moved: %w", err)
	}
	return nil
}

// checkNotMoved refuses to go on with a ledger that goes on in a cluster: two floors would give work to the same devices.
func checkNotMoved(dataDir string) error {
	path := filepath.Join(dataDir, datadir.MovedFile)
	_, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist), errors.Is(err, syscall.ENOTDIR): // what is no folder is told of where it is made
		return nil
	case err != nil:
		return fmt.Errorf("look whether the ledger was moved: %w", err)
	}
	return &usageError{fmt.Errorf("the ledger of %s was moved to a cluster: start the daemon with --cluster. To come back from the cluster, move it into an "+
		"empty folder: tandemd ledger move --to data-dir --data-dir EMPTY-FOLDER. Only if no daemon has led on the cluster since, remove %s and start again", dataDir, path)}
}

// checkNoneOfItsOwn refuses to serve a cluster's ledger from a folder that holds one of its own: what is in that one would be missing
// on the floor.
func checkNoneOfItsOwn(dataDir string) error {
	if err := datadir.CheckLedger(dataDir); err != nil {
		return nil //nolint:nilerr // none is there, or what is half restored, which is refused where the folder is opened
	}
	if _, err := os.Stat(filepath.Join(dataDir, datadir.MovedFile)); err == nil {
		return nil
	}
	return &usageError{fmt.Errorf("%s holds a ledger of its own that was not moved to the cluster: with every daemon stopped, move it with `tandemd ledger move --to cluster --data-dir %q`; "+
		"or, if what it holds does not count, give this daemon an empty data folder", dataDir, dataDir)}
}

// openShared opens the ledger of a cluster, or makes an empty one, for who is no member of it. It may be one that no floor may go on from.
func openShared(ctx context.Context, cluster *bus.Cluster, known ledger.Head, survived func(error)) (_ *ledger.JetStream, _ jetstream.JetStream, end func(), err error) {
	conn, err := cluster.LedgerConn(ctx)
	if err != nil {
		return nil, nil, nil, err
	}
	defer func() {
		if err != nil {
			conn.Close()
		}
	}()
	system, err := cluster.SystemConn(ctx)
	if err != nil {
		return nil, nil, nil, err
	}
	defer func() {
		if err != nil {
			system.Close()
		}
	}()
	js, err := jetstream.New(conn)
	if err != nil {
		return nil, nil, nil, fmt.Errorf("reach JetStream: %w", err)
	}
	store, err := ledger.OpenJetStream(ctx, js, ledger.Options{
		SyncAlways: ledger.MajoritySyncAlways(system, durableWithin), Replicas: clusterCopies, Known: known,
		ReadTimeout: readWithin, AttemptTimeout: attemptWithin, Survived: survived, Resting: true,
	})
	if err != nil {
		return nil, nil, nil, withServersRemedy(err, conn.IsConnected(), conn.LastError(), cluster.PasswordRemedy(bus.LedgerUser))
	}
	return store, js, func() { conn.Close(); system.Close() }, nil
}

// aloneInCluster opens the ledger of a cluster and holds the lease, so that no daemon begins to lead meanwhile.
func aloneInCluster(ctx context.Context, cluster *bus.Cluster, known ledger.Head, log *zap.Logger) (_ *ledger.JetStream, release func(), err error) {
	var closing []func()
	undo := func() {
		for _, end := range slices.Backward(closing) {
			end()
		}
	}
	defer func() {
		if err != nil {
			undo()
		}
	}()
	store, js, end, err := openShared(ctx, cluster, known, func(err error) { log.Warn("trouble with the ledger survived", zap.Error(err)) })
	if err != nil {
		return nil, nil, err
	}
	closing = append(closing, end)
	leases, err := lead.OpenStream(ctx, js, clusterCopies)
	if err != nil {
		return nil, nil, withServersRemedy(err, true, nil, "")
	}
	elector, err := lead.New(leases, lead.Options{Name: moverName, Log: log})
	if err != nil {
		return nil, nil, err
	}
	waiting, cancel := context.WithTimeout(ctx, leaseWithin)
	defer cancel()
	lease, err := elector.Acquire(waiting)
	switch {
	case ctx.Err() != nil:
		return nil, nil, ctx.Err()
	case err != nil:
		l := elector.Leader()
		if l.Name == moverName {
			return nil, nil, errors.New("another `tandemd ledger move` is under way, or was killed a moment ago: wait for it, or run the same command again in some seconds")
		}
		if l.Name == "" {
			return nil, nil, withServersRemedy(fmt.Errorf("take the lease on the cluster's ledger: %w", cmp.Or(elector.Trouble(), err)), true, nil, "")
		}
		return nil, nil, fmt.Errorf("the daemon %s (%s) leads on the cluster's ledger: stop every daemon of the cluster first", l.Name, l.Address)
	}
	closing = append(closing, func() { lease.Release(context.WithoutCancel(ctx)) })
	readers, err := store.Readers(ctx)
	if err != nil {
		return nil, nil, err
	}
	if readers > 0 {
		return nil, nil, fmt.Errorf("the cluster's ledger is read by %d others, or was less than half a minute ago: stop every daemon of the cluster; "+
			"where none runs, it was a command that was killed: run this one again in half a minute", readers)
	}
	return store, undo, nil
}
