package main

import (
	"context"
	"fmt"
	"path/filepath"
	"time"

	"github.com/nats-io/nats.go/jetstream"
	"google.golang.org/protobuf/proto"

	"tandem/daemon/bus"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

const (
	// singleStream holds each event as a message of its own.
	singleStream = "single"
	// mostUnderWay bounds the messages that are published and not acknowledged.
	mostUnderWay = 4096
)

// openStore starts a server on a store directory, and says how long that took.
func openStore(dir string) (*bus.Server, jetstream.JetStream, time.Duration, error) {
	begin := time.Now()
	server, err := bus.StartServer(bus.ServerConfig{StoreDir: dir, MaxStore: 1 << 40, MaxPayload: ledger.ServerMaxPayload})
	if err != nil {
		return nil, nil, 0, err
	}
	took := time.Since(begin)
	nc, err := server.LedgerConn()
	if err != nil {
		server.Shutdown()
		return nil, nil, 0, err
	}
	js, err := jetstream.New(nc, jetstream.WithPublishAsyncMaxPending(mostUnderWay))
	if err != nil {
		server.Shutdown()
	}
	return server, js, took, err
}

// openLedger opens the ledger of a store directory.
func openLedger(ctx context.Context, dir string) (*bus.Server, *ledger.JetStream, error) {
	server, js, _, err := openStore(dir)
	if err != nil {
		return nil, nil, err
	}
	l, err := ledger.OpenJetStream(ctx, js, ledger.Options{SyncAlways: server.SyncAlways})
	if err != nil {
		server.Shutdown()
	}
	return server, l, err
}

// copySingly copies the events of a ledger to a stream that has a message for each: what a replay reads of a store in which nothing is packed.
func (b *bench) copySingly(ctx context.Context, from, to string) error {
	quick, remove, err := b.quickDir()
	if err != nil {
		return err
	}
	defer remove()
	if err := writeSingly(ctx, from, quick); err != nil {
		return err
	}
	return moveOut(quick, to)
}

func writeSingly(ctx context.Context, from, to string) error {
	source, l, err := openLedger(ctx, filepath.Join(from, "bus"))
	if err != nil {
		return err
	}
	defer source.Shutdown()
	server, js, _, err := openStore(to)
	if err != nil {
		return err
	}
	defer server.Shutdown()
	if _, err := js.CreateStream(ctx, jetstream.StreamConfig{Name: singleStream, Subjects: []string{singleStream}}); err != nil {
		return err
	}
	err = l.Replay(ctx, 0, func(rec *ledgerv1.Record) error {
		for _, e := range rec.GetEvents() {
			data, err := proto.Marshal(e)
			if err != nil {
				return err
			}
			if _, err := js.PublishAsync(singleStream, data, jetstream.WithStallWait(time.Minute)); err != nil {
				return err
			}
		}
		return nil
	})
	if err != nil {
		return err
	}
	select {
	case <-js.PublishAsyncComplete():
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}

// readStream reads the messages of a stream in order and does nothing with them.
func readStream(ctx context.Context, data, stream string, messages int) (took, opening time.Duration, err error) {
	server, js, opening, err := openStore(filepath.Join(data, "bus"))
	if err != nil {
		return 0, 0, err
	}
	defer server.Shutdown()
	begin := time.Now()
	reader, err := js.OrderedConsumer(ctx, stream, jetstream.OrderedConsumerConfig{})
	if err != nil {
		return 0, 0, err
	}
	done := make(chan struct{})
	n := 0
	reading, err := reader.Consume(func(jetstream.Msg) {
		if n++; n == messages {
			close(done)
		}
	}, jetstream.PullMaxMessagesWithBytesLimit(4096, 16<<20))
	if err != nil {
		return 0, 0, err
	}
	defer reading.Stop()
	select {
	case <-done:
		return time.Since(begin), opening, nil
	case <-ctx.Done():
		return 0, 0, ctx.Err()
	case <-time.After(5 * time.Minute):
		return 0, 0, fmt.Errorf("%d of %d messages read in 5 minutes", n, messages)
	}
}
