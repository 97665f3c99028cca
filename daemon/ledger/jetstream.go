package ledger

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"sync"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// JetStream keeps a ledger in a JetStream stream: one message for each record, whose sequence number is the record's
// revision. It is opened with OpenJetStream; there is nothing to close, the connection belongs to the caller.
//
// A message is published with the sequence number that has to be the last one before it, so of two writers the store
// lets one through. Nothing in the stream is ever removed, deletion and purging are denied to everybody, and several
// records are never sent as one batch: a record with many events is as durable and far quicker.
type JetStream struct {
	js   jetstream.JetStream
	opts Options

	mu   sync.Mutex
	head Head
	lost error // set when the outcome of an append is unknown

	description string // of the stream; see Standing

	life    context.Context // ends with Abandon
	abandon context.CancelFunc

	// snapshots is held while snapshots are saved: they are numbered, and the old ones removed.
	snapshots sync.Mutex
}

var _ Ledger = (*JetStream)(nil)

// Head returns the last record's: as found at the start, or as appended since.
func (l *JetStream) Head() Head {
	l.mu.Lock()
	defer l.mu.Unlock()
	return l.head
}

// Append implements Ledger.
func (l *JetStream) Append(ctx context.Context, rec *ledgerv1.Record) (Head, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	data, head, err := seal(l.head, rec, l.opts.MaxRecordBytes)
	if err != nil {
		return Head{}, err
	}
	return l.store(ctx, data, head)
}

// Import appends a record in its stored form, byte for byte as Encode made it or a copy kept it: rebuilding a ledger
// must not depend on the record being encoded in the same way again. It answers as Append does.
func (l *JetStream) Import(ctx context.Context, data []byte) (Head, error) {
	l.mu.Lock()
	defer l.mu.Unlock()
	head, err := reseal(l.head, data, l.opts.MaxRecordBytes)
	if err != nil {
		return Head{}, err
	}
	return l.store(ctx, data, head)
}

// store publishes a checked record. The caller holds l.mu.
func (l *JetStream) store(ctx context.Context, data []byte, head Head) (Head, error) {
	if l.lost != nil {
		return Head{}, l.lost
	}
	if err := ctx.Err(); err != nil {
		return Head{}, fmt.Errorf("append record %d: %w", head.Revision, err)
	}
	msg := &nats.Msg{Subject: recordSubject, Data: data, Header: nats.Header{
		jetstream.ExpectedLastSeqHeader: {strconv.FormatUint(head.Revision-1, 10)},
	}}
	sending, cancel := context.WithTimeout(l.life, l.opts.AppendTimeout)
	defer cancel()
	ack, err := l.js.PublishMsg(sending, msg, jetstream.WithRetryWait(unheardAgain), jetstream.WithRetryAttempts(int(l.opts.AppendTimeout/unheardAgain)))
	if err != nil {
		return Head{}, l.refused(head.Revision, err)
	}
	if ack.Stream != StreamName || ack.Sequence != head.Revision {
		l.lost = corrupt(head.Revision, "the store put it into stream %s at %d", ack.Stream, ack.Sequence)
		return Head{}, l.lost
	}
	if err := l.opts.Stored(); err != nil {
		l.lost = fmt.Errorf("%w: record %d: %w", ErrOutcomeUnknown, head.Revision, err)
		return Head{}, l.lost
	}
	l.head = head
	l.opts.Note.set(head)
	return head, nil
}

// Abandon ends the wait of an append, and of every one to come, with ErrOutcomeUnknown: it is for whoever knows that the
// store has failed and will not answer. It may be called from any goroutine and does not wait.
func (l *JetStream) Abandon() { l.abandon() }

// Error codes of the JetStream API that nats.go does not name; from the server's errors.json.
const (
	CodeClusterNotAvailable jetstream.ErrorCode = 10008 // JetStream system temporarily unavailable
	CodeNoPeers             jetstream.ErrorCode = 10005 // no suitable peers for placement: not all have joined yet

	codeAccountResources jetstream.ErrorCode = 10002 // resource limits exceeded for account
	codeInsufficient     jetstream.ErrorCode = 10023 // insufficient resources
	codeStorageExceeded  jetstream.ErrorCode = 10047 // insufficient storage resources available
	codeMaxStreamBytes   jetstream.ErrorCode = 10122 // stream max bytes exceeds account limit
)

// refused turns the store's refusal of a record into an error, and remembers it when the record may be stored after all:
// only an answer that is known to come before anything is written counts as a refusal. The caller holds l.mu.
func (l *JetStream) refused(revision uint64, err error) error {
	var api jetstream.JetStreamError
	if errors.As(err, &api) && api.APIError() != nil {
		switch api.APIError().ErrorCode {
		case jetstream.JSErrCodeStreamWrongLastSequence, jetstream.JSErrCodeStreamWrongLastSequenceConstant:
			return l.conflict(revision, err)
		case jetstream.JSErrCodeStreamMessageExceedsMaximum:
			return fmt.Errorf("%w: record %d: %w", ErrTooLarge, revision, err)
		case codeAccountResources, codeInsufficient, codeStorageExceeded, codeMaxStreamBytes:
			return fmt.Errorf("%w: record %d: %w", ErrFull, revision, err)
		}
	}
	if errors.Is(err, jetstream.ErrNoStreamResponse) || errors.Is(err, nats.ErrMaxPayload) {
		return fmt.Errorf("append record %d: not sent, the store does not listen: %w", revision, err)
	}
	l.lost = fmt.Errorf("%w: record %d: %w", ErrOutcomeUnknown, revision, err)
	return l.lost
}

// conflict tells another writer's record from a store that has forgotten records it had acknowledged. The caller holds l.mu.
func (l *JetStream) conflict(revision uint64, cause error) error {
	ctx, cancel := context.WithTimeout(context.Background(), l.opts.AppendTimeout)
	defer cancel()
	if info, err := l.info(ctx); err == nil && info.State.LastSeq < l.head.Revision {
		l.lost = corrupt(info.State.LastSeq+1, "the store ends at revision %d, but had acknowledged %d", info.State.LastSeq, l.head.Revision)
		return l.lost
	}
	return fmt.Errorf("%w: record %d: %w; open the ledger anew and replay", ErrConflict, revision, cause)
}

// info asks the store about the stream as it is now.
func (l *JetStream) info(ctx context.Context, opts ...jetstream.StreamInfoOpt) (*jetstream.StreamInfo, error) {
	stream, err := l.js.Stream(ctx, StreamName)
	if err != nil {
		return nil, fmt.Errorf("ask for stream %s: %w", StreamName, err)
	}
	if len(opts) == 0 {
		return stream.CachedInfo(), nil
	}
	info, err := stream.Info(ctx, opts...)
	if err != nil {
		return nil, fmt.Errorf("ask for stream %s: %w", StreamName, err)
	}
	return info, nil
}

// held returns the revisions that the store holds now.
func (l *JetStream) held(ctx context.Context) (span, error) {
	info, err := l.info(ctx)
	if err != nil {
		return span{}, err
	}
	return spanOf(info.State), nil
}

// spanOf returns the revisions of a stream; an empty one has first sequence 0 or the one to come.
func spanOf(state jetstream.StreamState) span {
	if state.Msgs == 0 {
		return span{first: state.LastSeq + 1, last: state.LastSeq}
	}
	return span{first: state.FirstSeq, last: state.LastSeq}
}

// Replay implements Ledger.
func (l *JetStream) Replay(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error) error {
	return l.ReplayStored(ctx, after, 0, func(rec *ledgerv1.Record, _ []byte) error { return fn(rec) })
}

// ReplayStored implements Stored.
func (l *JetStream) ReplayStored(ctx context.Context, after, through uint64, fn func(*ledgerv1.Record, []byte) error) error {
	held, err := l.held(ctx)
	if err != nil {
		return fmt.Errorf("replay: %w", err)
	}
	from, links, err := held.resume(after)
	if err != nil {
		return err
	}
	last, err := held.end(through)
	if err != nil {
		return err
	}
	return decodedInOrder(ctx, l.records, from, last, func(d decoded) error { return links.replay(d, after, fn) })
}
