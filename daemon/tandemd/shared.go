package main

import (
	"context"
	"errors"
	"fmt"

	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"

	"tandem/daemon/bus"
	"tandem/daemon/config"
	"tandem/daemon/datadir"
	"tandem/daemon/ledger"
)

// verifyLedger verifies the ledger of a data folder, or of the cluster that the settings name.
func verifyLedger(ctx context.Context, set *config.Settings) (datadir.Report, error) {
	if len(set.Cluster) == 0 {
		report, err := datadir.Verify(ctx, set.DataDir)
		if err := withPlaceToGoOn(err, set.DataDir, false); err != nil {
			return report, err
		}
		if moved := checkNotMoved(set.DataDir); moved != nil {
			report.Doubts = append(report.Doubts, "this is what was left here: "+moved.Error())
		}
		return report, err
	}
	cluster, err := bus.OpenCluster(bus.ClusterConfig{URLs: set.Cluster, Credentials: set.Credentials, Name: set.Name + "-verify", ReachWithin: reachWithin, Log: zap.NewNop()})
	if err != nil {
		return datadir.Report{}, &usageError{err}
	}
	defer cluster.Shutdown()
	if err := checkLedgerThere(ctx, cluster); err != nil {
		return datadir.Report{}, err
	}
	var closing []func()
	defer func() {
		for _, end := range closing {
			end()
		}
	}()
	return datadir.VerifyShared(ctx, set.DataDir, func(survived func(error)) (*ledger.JetStream, error) {
		store, _, end, err := openShared(ctx, cluster, ledger.Head{}, survived)
		if err != nil {
			return nil, err
		}
		closing = append(closing, end)
		if err := withPlaceToGoOn(store.Standing(), set.DataDir, true); errors.Is(err, ledger.ErrUnfinished) {
			return nil, err
		} else if err != nil {
			survived(fmt.Errorf("this is what was left here: %w", err))
		}
		return store, nil
	})
}

// checkLedgerThere refuses a cluster that holds no ledger: to open it would make one.
func checkLedgerThere(ctx context.Context, cluster *bus.Cluster) error {
	conn, err := cluster.LedgerConn(ctx)
	if err != nil {
		return err
	}
	defer conn.Close()
	js, err := jetstream.New(conn)
	if err != nil {
		return fmt.Errorf("reach JetStream: %w", err)
	}
	_, err = js.Stream(ctx, ledger.StreamName)
	switch {
	case errors.Is(err, jetstream.ErrStreamNotFound):
		return fmt.Errorf("%w: the cluster at %s holds none", datadir.ErrNoLedger, cluster.URL())
	case err != nil:
		return fmt.Errorf("ask the cluster for its ledger: %w", err)
	}
	return nil
}
