package lead

import (
	"context"
	"errors"
	"fmt"
	"strconv"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

const (
	// StreamName is the name of the stream that holds the lease.
	StreamName = "TANDEM_LEAD"

	leaseSubject = "tandem.lead.lease"
	// leaseBytes bounds a lease and what a stream of them takes on disk.
	leaseBytes = 4 << 10
)

// Stream is a Store in a JetStream stream of one message, on as many servers as the ledger. Reads are answered by the
// server that leads the stream, and a change is stored when more than half of the servers have it on disk.
type Stream struct {
	js     jetstream.JetStream
	stream jetstream.Stream
	config jetstream.StreamConfig
}

var _ Store = (*Stream)(nil)

// OpenStream returns the store in js, made if it is not there. The copies are 1, 3 or 5.
func OpenStream(ctx context.Context, js jetstream.JetStream, copies int) (*Stream, error) {
	config := streamConfig(copies)
	stream, err := js.CreateOrUpdateStream(ctx, config)
	if err != nil {
		return nil, fmt.Errorf("open the lease's stream %s: %w", StreamName, err)
	}
	return &Stream{js: js, stream: stream, config: config}, nil
}

func streamConfig(copies int) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:              StreamName,
		Description:       "tandem: who leads",
		Subjects:          []string{leaseSubject},
		Storage:           jetstream.FileStorage,
		Replicas:          copies,
		MaxMsgsPerSubject: 1,
		MaxMsgs:           1,
		MaxBytes:          -1,
		MaxMsgSize:        leaseBytes,
		Discard:           jetstream.DiscardOld,
		Duplicates:        2 * time.Minute, // the least that does not warn; no message carries an id
		DenyDelete:        true,
		DenyPurge:         true,
		AllowDirect:       false, // any copy might answer then, however old
	}
}

// Read implements Store. A stream that somebody has removed is made again: without it no daemon would lead ever after.
func (s *Stream) Read(ctx context.Context) (Entry, error) {
	msg, err := s.stream.GetLastMsgForSubject(ctx, leaseSubject)
	switch {
	case errors.Is(err, jetstream.ErrMsgNotFound):
		return Entry{}, nil
	case errors.Is(err, jetstream.ErrStreamNotFound):
		if _, err := s.js.CreateOrUpdateStream(ctx, s.config); err != nil {
			return Entry{}, fmt.Errorf("make the lease's stream %s again: %w", StreamName, err)
		}
		return Entry{}, nil
	case err != nil:
		return Entry{}, fmt.Errorf("read lease: %w", err)
	}
	return Entry{Value: msg.Data, Revision: msg.Sequence}, nil
}

// Swap implements Store.
func (s *Stream) Swap(ctx context.Context, value []byte, revision uint64) (uint64, error) {
	ack, err := s.js.PublishMsg(ctx, &nats.Msg{Subject: leaseSubject, Data: value, Header: nats.Header{
		jetstream.ExpectedLastSeqHeader: {strconv.FormatUint(revision, 10)},
	}})
	var api jetstream.JetStreamError
	switch {
	case errors.As(err, &api) && api.APIError() != nil && (api.APIError().ErrorCode == jetstream.JSErrCodeStreamWrongLastSequence ||
		api.APIError().ErrorCode == jetstream.JSErrCodeStreamWrongLastSequenceConstant):
		return 0, fmt.Errorf("%w: it is not at revision %d", ErrChanged, revision)
	case err != nil:
		return 0, fmt.Errorf("store lease: %w", err)
	}
	return ack.Sequence, nil
}
