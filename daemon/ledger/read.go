package ledger

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

const (
	// readBatch is how many messages are asked for at once.
	readBatch = 4096
	// readBytes is how many bytes are asked for at once: at least the longest message, and well below the 64 MiB at which
	// nats.go drops what a subscription has not taken.
	readBytes = maxMessageBytes + headerBytes
	// readQueue is how many messages may wait between the goroutine that receives and the one that decodes.
	readQueue = 1024
	// readerLifetime is how long the store keeps an abandoned reader.
	readerLifetime = 30 * time.Second
)

// read calls fn with the bodies of the messages first to last of a stream, in order and without a gap. A message that is
// not there is a *CorruptError with its sequence number.
func (l *JetStream) read(ctx context.Context, stream string, first, last uint64, fn func(data []byte) error) error {
	if first > last {
		return nil
	}
	reader, err := l.js.OrderedConsumer(ctx, stream, jetstream.OrderedConsumerConfig{
		DeliverPolicy:     jetstream.DeliverByStartSequencePolicy,
		OptStartSeq:       first,
		InactiveThreshold: readerLifetime,
	})
	if err != nil {
		return fmt.Errorf("read stream %s: %w", stream, err)
	}
	queue, done := make(chan jetstream.Msg, readQueue), make(chan struct{})
	failed := make(chan error, 1)
	receiving, err := reader.Consume(
		func(msg jetstream.Msg) {
			select {
			case queue <- msg:
			case <-done:
			}
		},
		jetstream.PullMaxMessagesWithBytesLimit(readBatch, readBytes),
		jetstream.StopAfter(int(last-first+1)),
		jetstream.ConsumeErrHandler(func(_ jetstream.ConsumeContext, err error) {
			select {
			case failed <- err:
			default:
			}
		}),
	)
	if err != nil {
		return fmt.Errorf("read stream %s: %w", stream, err)
	}
	defer l.forget(stream, reader)
	defer receiving.Stop()
	defer close(done)

	idle := time.NewTimer(l.opts.ReadTimeout)
	defer idle.Stop()
	for next := first; next <= last; next++ {
		var msg jetstream.Msg
		select {
		case msg = <-queue:
		default:
			idle.Reset(l.opts.ReadTimeout)
			select {
			case msg = <-queue:
			case <-ctx.Done():
				return fmt.Errorf("read stream %s at %d: %w", stream, next, ctx.Err())
			case <-idle.C:
				return l.silent(ctx, stream, next, failed)
			}
		}
		meta, err := msg.Metadata()
		if err != nil {
			return fmt.Errorf("read stream %s at %d: %w", stream, next, err)
		}
		if meta.Sequence.Stream != next {
			return corrupt(next, "missing in stream %s, which goes on with %d", stream, meta.Sequence.Stream)
		}
		if err := fn(msg.Data()); err != nil {
			return err
		}
	}
	return nil
}

// silent says why a reader hears nothing: the store cannot give out the next message, or does not answer at all.
func (l *JetStream) silent(ctx context.Context, stream string, next uint64, failed <-chan error) error {
	var cause error
	select {
	case cause = <-failed:
	default:
		cause = context.DeadlineExceeded
	}
	handle, err := l.js.Stream(ctx, stream)
	if err != nil {
		return fmt.Errorf("read stream %s at %d: nothing for %v (%w): %w", stream, next, l.opts.ReadTimeout, cause, err)
	}
	var api jetstream.JetStreamError
	switch _, err := handle.GetMsg(ctx, next); {
	case errors.As(err, &api) && api.APIError() != nil:
		return corrupt(next, "stream %s does not give it out: %v", stream, err)
	case err != nil: // the store is away: that says nothing about what it holds
		return fmt.Errorf("read stream %s at %d: nothing for %v (%w): %w", stream, next, l.opts.ReadTimeout, cause, err)
	}
	return fmt.Errorf("read stream %s at %d: nothing for %v: %w", stream, next, l.opts.ReadTimeout, cause)
}

// forgetWithin is how long it is waited for that the store has heard of a reader that is done. Who stops reading may be about
// to take over, and the reader may be on a server that was lost.
const forgetWithin = 200 * time.Millisecond

// forget lets the store know that a reader is done; it would notice by itself after readerLifetime.
func (l *JetStream) forget(stream string, reader jetstream.Consumer) {
	heard := make(chan struct{})
	go func() {
		defer close(heard)
		ctx, cancel := context.WithTimeout(context.Background(), l.opts.AppendTimeout)
		defer cancel()
		_ = l.js.DeleteConsumer(ctx, stream, reader.CachedInfo().Name)
	}()
	select {
	case <-heard:
	case <-time.After(forgetWithin):
	}
}
