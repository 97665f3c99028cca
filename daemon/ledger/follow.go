package ledger

import (
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go/jetstream"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Followed is a ledger that can be read while another process writes it, by one who may have to go on writing where the
// other ended.
type Followed interface {
	Ledger

	// CatchUp calls fn with every record after a revision, up to the last one stored at the time of the call, and with the
	// head that the record makes, verified as Replay verifies. Afterwards Append follows the last of them.
	CatchUp(ctx context.Context, after uint64, fn func(*ledgerv1.Record, Head) error) error

	// Follow is CatchUp without an end: it waits for further records until ctx ends, whose error it returns. A store that is
	// away is waited for. An error of fn ends it and is returned as it is, and so do damage and records no longer held.
	Follow(ctx context.Context, after uint64, fn func(*ledgerv1.Record, Head) error) error
}

var (
	_ Followed = (*JetStream)(nil)
	_ Followed = (*Memory)(nil)
)

const (
	// lookEvery is how often a follower that hears nothing asks whether there is something to hear.
	lookEvery = time.Second
	// stalledAfter is how long a reader may leave records lie before another is made in its place: readers of a stream have
	// stopped for good without an error.
	stalledAfter = 5 * time.Second
	// followAgain is the pause before a reader that has failed is made anew.
	followAgain = 250 * time.Millisecond
)

// errStalled ends a reader that gives nothing out although there is something.
var errStalled = errors.New("the reader has stopped")

// CatchUp implements Followed.
func (l *JetStream) CatchUp(ctx context.Context, after uint64, fn func(*ledgerv1.Record, Head) error) error {
	held, err := l.heldSoon(ctx)
	if err != nil {
		return fmt.Errorf("catch up: %w", err)
	}
	from, links, err := held.resume(after)
	if err != nil {
		return err
	}
	err = l.records(ctx, from, held.last, func(data []byte) error {
		return l.follow(&links, data, after, fn)
	})
	if refused, ok := errors.AsType[*refusedRecord](err); ok {
		return refused.error
	}
	return err
}

// follow takes the next record of another writer.
func (l *JetStream) follow(links *chain, data []byte, after uint64, fn func(*ledgerv1.Record, Head) error) error {
	rec, err := links.next(data)
	if err != nil {
		return err
	}
	if rec.GetRevision() > after {
		if err := fn(rec, links.head); err != nil {
			return &refusedRecord{err}
		}
	}
	l.opts.Note.set(links.head)
	l.mu.Lock()
	defer l.mu.Unlock()
	if links.head.Revision > l.head.Revision {
		l.head = links.head
	}
	return nil
}

// refusedRecord is an error of the one who follows.
type refusedRecord struct{ error }

func (e *refusedRecord) Unwrap() error { return e.error }

// Follow implements Followed.
func (l *JetStream) Follow(ctx context.Context, after uint64, fn func(*ledgerv1.Record, Head) error) error {
	for {
		err := l.followOnce(ctx, &after, fn)
		refused, ok := errors.AsType[*refusedRecord](err)
		switch {
		case ctx.Err() != nil:
			return ctx.Err()
		case ok:
			return refused.error
		case errors.Is(err, ErrCorrupt), errors.Is(err, ErrCompacted):
			return err
		}
		l.opts.Survived(fmt.Errorf("follow the ledger from revision %d: %w; reading it anew", after, err))
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-time.After(followAgain):
		}
	}
}

// followOnce follows with one reader until it fails, and keeps in after how far it has come.
func (l *JetStream) followOnce(ctx context.Context, after *uint64, fn func(*ledgerv1.Record, Head) error) error {
	held, err := l.held(ctx)
	if err != nil {
		return err
	}
	from, links, err := held.resume(*after)
	if err != nil {
		return err
	}
	messages, stop, err := l.listen(ctx, from)
	if err != nil {
		return err
	}
	defer stop()
	look := time.NewTicker(lookEvery)
	defer look.Stop()
	next, progress := from, time.Now()
	for {
		select {
		case <-ctx.Done():
			return ctx.Err()
		case msg := <-messages:
			meta, err := msg.Metadata()
			if err != nil {
				return err
			}
			if meta.Sequence.Stream != next {
				return fmt.Errorf("%w: revision %d came where %d was due", errStalled, meta.Sequence.Stream, next)
			}
			if err := l.follow(&links, msg.Data(), *after, fn); err != nil {
				return err
			}
			*after = max(*after, next)
			next, progress = next+1, time.Now()
		case <-look.C:
			held, err := l.held(ctx)
			switch {
			case err != nil: // it is away: what is to be read waits there
				progress = time.Now()
			case held.last <= *after: // less: a server that has just begun to lead the stream, and has yet to count what it holds
				progress = time.Now()
			case time.Since(progress) > stalledAfter:
				return fmt.Errorf("%w: it gives nothing out after revision %d, and the store holds %d", errStalled, *after, held.last)
			}
		}
	}
}

// listen begins to read the ledger at a revision, without an end.
func (l *JetStream) listen(ctx context.Context, from uint64) (<-chan jetstream.Msg, func(), error) {
	// One that is being made when ctx ends would be left behind for as long as readerLifetime.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), l.opts.AttemptTimeout)
	defer cancel()
	reader, err := l.js.OrderedConsumer(ctx, StreamName, jetstream.OrderedConsumerConfig{
		DeliverPolicy: jetstream.DeliverByStartSequencePolicy, OptStartSeq: max(from, 1), InactiveThreshold: readerLifetime,
	})
	if err != nil {
		return nil, nil, fmt.Errorf("read stream %s: %w", StreamName, err)
	}
	messages, done := make(chan jetstream.Msg, readQueue), make(chan struct{})
	receiving, err := reader.Consume(
		func(msg jetstream.Msg) {
			select {
			case messages <- msg:
			case <-done:
			}
		},
		jetstream.PullMaxMessagesWithBytesLimit(readBatch, readBytes),
	)
	if err != nil {
		return nil, nil, fmt.Errorf("read stream %s: %w", StreamName, err)
	}
	return messages, func() {
		close(done)
		receiving.Stop()
		l.forget(StreamName, reader)
	}, nil
}

// CatchUp implements Followed.
func (m *Memory) CatchUp(ctx context.Context, after uint64, fn func(*ledgerv1.Record, Head) error) error {
	return m.Replay(ctx, after, func(rec *ledgerv1.Record) error {
		hash, err := Hash(rec)
		if err != nil {
			return err
		}
		return fn(rec, headOf(rec, hash))
	})
}

// Follow implements Followed.
func (m *Memory) Follow(ctx context.Context, after uint64, fn func(*ledgerv1.Record, Head) error) error {
	for {
		grown := m.growth()
		err := m.CatchUp(ctx, after, func(rec *ledgerv1.Record, head Head) error {
			if err := fn(rec, head); err != nil {
				return err
			}
			after = rec.GetRevision()
			return nil
		})
		if err != nil {
			return err
		}
		select {
		case <-ctx.Done():
			return ctx.Err()
		case <-grown:
		}
	}
}

// growth returns a channel that is closed when a record is appended.
func (m *Memory) growth() <-chan struct{} {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.grown == nil {
		m.grown = make(chan struct{})
	}
	return m.grown
}
