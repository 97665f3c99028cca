package main

import (
	"context"
	"errors"
	"fmt"
	"os"
	"os/signal"
	"strconv"
	"sync"
	"syscall"
	"time"

	natsserver "github.com/nats-io/nats-server/v2/server"
	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

const natsCommand = "nats-server"

// serveNATS is a NATS server in a process of its own.
func serveNATS(args []string) error {
	if len(args) != 2 {
		return errors.New("usage: DIR PORT")
	}
	port, err := strconv.Atoi(args[1])
	if err != nil {
		return err
	}
	s, err := natsserver.NewServer(&natsserver.Options{
		Host: "127.0.0.1", Port: port, JetStream: true, StoreDir: args[0], SyncAlways: true, NoSigs: true, DisableJetStreamBanner: true,
	})
	if err != nil {
		return err
	}
	s.Start()
	if !s.ReadyForConnections(10 * time.Second) {
		return errors.New("not ready for connections")
	}
	fmt.Println("ready")
	stop := make(chan os.Signal, 1)
	signal.Notify(stop, os.Interrupt, syscall.SIGTERM)
	<-stop
	s.Shutdown()
	s.WaitForShutdown()
	return nil
}

// jetstreamPeer is a JetStream work queue: one message for each step, published with a message id, acknowledged and the
// acknowledgement confirmed.
type jetstreamPeer struct {
	js   jetstream.JetStream
	done waiters
}

const jetstreamNote = "JetStream: work queue, file storage, sync always, one message id each, double ack, 64 workers on one pull consumer"

func newJetStreamPeer(ctx context.Context, b *bench) (*jetstreamPeer, error) {
	url, err := b.nats()
	if err != nil {
		return nil, err
	}
	nc, err := nats.Connect(url)
	if err != nil {
		return nil, err
	}
	b.later(nc.Close)
	js, err := jetstream.New(nc)
	if err != nil {
		return nil, err
	}
	p := &jetstreamPeer{js: js}
	stream, err := js.CreateStream(ctx, jetstream.StreamConfig{
		Name: "CHAINS", Subjects: []string{"chain.>"}, Retention: jetstream.WorkQueuePolicy, Storage: jetstream.FileStorage,
	})
	if err != nil {
		return nil, err
	}
	if _, err := js.CreateStream(ctx, jetstream.StreamConfig{
		Name: "SUBMITS", Subjects: []string{"submit"}, Retention: jetstream.WorkQueuePolicy, Storage: jetstream.FileStorage,
	}); err != nil {
		return nil, err
	}
	consumer, err := stream.CreateConsumer(ctx, jetstream.ConsumerConfig{Durable: "workers", AckPolicy: jetstream.AckExplicitPolicy, MaxAckPending: 4096})
	if err != nil {
		return nil, err
	}
	messages, err := consumer.Messages(jetstream.PullMaxMessages(256))
	if err != nil {
		return nil, err
	}
	var workers sync.WaitGroup
	for range 64 {
		workers.Go(func() {
			for {
				m, err := messages.Next()
				if err != nil {
					return
				}
				if err := p.work(context.WithoutCancel(ctx), m); err != nil {
					fmt.Fprintln(os.Stderr, "peers: JetStream worker:", err)
					return
				}
			}
		})
	}
	b.later(func() {
		messages.Stop()
		workers.Wait()
	})
	return p, nil
}

func (p *jetstreamPeer) submit(ctx context.Context, n int64) error {
	_, err := p.js.Publish(ctx, "submit", body(n, 0), jetstream.WithMsgID(p.done.unique("s", n)))
	return err
}

func (p *jetstreamPeer) chain(ctx context.Context, n int64) error {
	id := p.done.unique("c", n)
	done := p.done.add(id)
	if _, err := p.js.Publish(ctx, "chain.0."+id, body(n, 0), jetstream.WithMsgID(id+"-0")); err != nil {
		return err
	}
	return wait(ctx, done)
}

// work does nothing, lets the next step be done, and then confirms its own.
func (p *jetstreamPeer) work(ctx context.Context, m jetstream.Msg) error {
	var step int
	var id string
	if _, err := fmt.Sscanf(m.Subject(), "chain.%d.%s", &step, &id); err != nil {
		return err
	}
	if step < lastStep {
		if _, err := p.js.Publish(ctx, fmt.Sprintf("chain.%d.%s", step+1, id), m.Data(), jetstream.WithMsgID(fmt.Sprintf("%s-%d", id, step+1))); err != nil {
			return err
		}
	}
	if err := m.DoubleAck(ctx); err != nil {
		return err
	}
	if step == lastStep {
		p.done.finish(id)
	}
	return nil
}
