package main

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"github.com/spf13/cobra"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/config"
	"tandem/daemon/datadir"
	"tandem/daemon/lead"
	"tandem/daemon/ledger"
)

const (
	toCluster = "cluster"
	toDataDir = "data-dir"
	// leaseWithin is longer than a lease that nobody renews lasts: who leads after that does.
	leaseWithin = 2 * lead.DefaultDuration
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
			"the first day on the new place is over, and never start a daemon on it again, or the floor's story goes on in two ways.",
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
func moveLedger(ctx context.Context, set *config.Settings, to string, log *zap.Logger, out io.Writer) error {
	server, err := bus.StartServer(bus.ServerConfig{
		StoreDir: datadir.BusDir(set.DataDir), MaxStore: mostStore, MaxPayload: ledger.ServerMaxPayload, Log: natsLog(log),
	})
	if err != nil {
		return err
	}
	defer server.Shutdown()
	local, err := openLedger(ctx, server, ledger.Head{}, nil, log)
	if err != nil {
		return err
	}
	cluster, err := bus.OpenCluster(bus.ClusterConfig{URLs: set.Cluster, Credentials: set.Credentials, Name: set.Name + "-move", Log: natsLog(log)})
	if err != nil {
		return &usageError{err}
	}
	defer cluster.Shutdown()
	shared, release, err := aloneInCluster(ctx, cluster, log)
	if err != nil {
		return err
	}
	defer release()
	from, target := local, shared
	if to == toDataDir {
		from, target = shared, local
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
	fmt.Fprintf(out, "moved to %s: %d records in %v\nhead: revision %d, term %d, SHA-256 %x\n", to, head.Revision, time.Since(begin).Round(time.Millisecond),
		head.Revision, head.Term, head.Hash)
	return nil
}

// aloneInCluster opens the ledger of a cluster and holds the lease, so that no daemon begins to lead meanwhile.
func aloneInCluster(ctx context.Context, cluster *bus.Cluster, log *zap.Logger) (_ *ledger.JetStream, release func(), err error) {
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
	conn, err := cluster.LedgerConn(ctx)
	if err != nil {
		return nil, nil, err
	}
	closing = append(closing, conn.Close)
	system, err := cluster.SystemConn(ctx)
	if err != nil {
		return nil, nil, err
	}
	closing = append(closing, system.Close)
	js, err := jetstream.New(conn)
	if err != nil {
		return nil, nil, fmt.Errorf("reach JetStream: %w", err)
	}
	store, err := ledger.OpenJetStream(ctx, js, ledger.Options{
		SyncAlways: ledger.MajoritySyncAlways(system, durableWithin), Replicas: clusterCopies,
		ReadTimeout: readWithin, AttemptTimeout: attemptWithin,
		Survived: func(err error) { log.Warn("trouble with the ledger survived", zap.Error(err)) },
	})
	if err != nil {
		return nil, nil, err
	}
	leases, err := lead.OpenStream(ctx, js, clusterCopies)
	if err != nil {
		return nil, nil, err
	}
	elector, err := lead.New(leases, lead.Options{Name: "ledger-move", Log: log})
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
		return nil, nil, fmt.Errorf("the daemon %s (%s) leads on the cluster's ledger: stop every daemon of the cluster first", l.Name, l.Address)
	}
	closing = append(closing, func() { lease.Release(context.WithoutCancel(ctx)) })
	readers, err := store.Readers(ctx)
	if err != nil {
		return nil, nil, err
	}
	if readers > 0 {
		return nil, nil, fmt.Errorf("%d daemons follow the cluster's ledger, or did so half a minute ago: stop every daemon of the cluster first", readers)
	}
	return store, undo, nil
}
