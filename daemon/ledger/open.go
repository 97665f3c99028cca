package ledger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
)

// OpenJetStream opens the ledger in js, or makes an empty one if there is none and nothing says that there was. It
// refuses one that is not durable (ErrNotDurable), damaged, or not what this package would have made (*CorruptError): the
// settings of the stream, a gap, the last record's checksum, and the records that snapshots and Options.Known name are
// compared. The records before the last are verified when they are replayed.
//
// After ErrConflict or ErrOutcomeUnknown from Append the ledger is opened anew, and replayed, before it is written again.
func OpenJetStream(ctx context.Context, js jetstream.JetStream, opts Options) (*JetStream, error) {
	opts, err := opts.withDefaults()
	if err != nil {
		return nil, fmt.Errorf("open ledger: %w", err)
	}
	l := &JetStream{js: js, opts: opts}
	l.life, l.abandon = context.WithCancel(context.WithoutCancel(ctx))
	ctx, cancel := context.WithTimeout(ctx, opts.OpenTimeout)
	defer cancel()
	for {
		err := l.open(ctx)
		if err == nil {
			return l, nil
		}
		if !temporary(err) {
			return nil, fmt.Errorf("open ledger: %w", err)
		}
		select {
		case <-ctx.Done():
			return nil, fmt.Errorf("open ledger: gave up after %v: %w", opts.OpenTimeout, err)
		case <-time.After(retryWait):
		}
	}
}

// retryWait is the time between two tries.
const retryWait = 100 * time.Millisecond

// temporary reports whether a store that is starting, or a cluster that is choosing a leader, may answer like this.
func temporary(err error) bool {
	if errors.Is(err, ErrCorrupt) || errors.Is(err, nats.ErrConnectionClosed) {
		return false
	}
	var api jetstream.JetStreamError
	if errors.As(err, &api) && api.APIError() != nil {
		switch api.APIError().ErrorCode {
		case CodeClusterNotAvailable, CodeNoPeers, jetstream.JSErrCodeStreamNameInUse: // the last: another daemon makes it now
			return true
		}
		return false
	}
	return errors.Is(err, context.DeadlineExceeded) || errors.Is(err, nats.ErrTimeout) || errors.Is(err, nats.ErrNoResponders) ||
		errors.Is(err, jetstream.ErrNoStreamResponse)
}

// open makes one try.
func (l *JetStream) open(ctx context.Context) error {
	ctx, cancel := context.WithTimeout(ctx, l.opts.ReadTimeout+l.opts.AttemptTimeout)
	defer cancel()
	if err := l.checkDurable(); err != nil {
		return err
	}
	if limit, need := l.js.Conn().MaxPayload(), int64(l.opts.MaxRecordBytes+headerBytes); limit < need {
		return fmt.Errorf("%w options: MaxRecordBytes %d needs max_payload %d at the server, which has %d; raise the one or lower the other",
			ErrInvalid, l.opts.MaxRecordBytes, need, limit)
	}
	snapshots, err := l.listSnapshots(ctx)
	if err != nil {
		return err
	}
	info, err := l.openStream(ctx, len(snapshots) > 0)
	if err != nil {
		return err
	}
	l.description = info.Config.Description
	if err := checkWhole(info.State); err != nil {
		return err
	}
	held := spanOf(info.State)
	if err := l.findHead(ctx, held, snapshots); err != nil {
		return err
	}
	for _, s := range snapshots {
		if err := l.compareSnapshot(ctx, held, s); err != nil {
			return err
		}
	}
	for _, known := range []Head{l.opts.Known, l.opts.Note.Head()} {
		if err := l.compareKnown(ctx, held, known); err != nil {
			return err
		}
	}
	l.opts.Note.set(l.Head())
	return nil
}

// checkDurable asks the store whether it writes to disk before it acknowledges.
func (l *JetStream) checkDurable() error {
	always, err := l.opts.SyncAlways()
	if err != nil {
		return fmt.Errorf("%w, as far as can be told: %w", ErrNotDurable, err)
	}
	if !always {
		return fmt.Errorf(`%w: set sync_interval to "always" (SyncAlways in an embedded server) on every server and start them again`, ErrNotDurable)
	}
	return nil
}

// openStream returns the stream, made now if it is not there and nothing says that it was.
func (l *JetStream) openStream(ctx context.Context, hasSnapshots bool) (*jetstream.StreamInfo, error) {
	want, known := streamConfig(l.opts), max(l.opts.Known.Revision, l.opts.Note.Head().Revision)
	stream, err := l.js.Stream(ctx, StreamName)
	switch {
	case errors.Is(err, jetstream.ErrStreamNotFound) && hasSnapshots:
		return nil, corrupt(0, "there is no ledger, but there are snapshots of one")
	case errors.Is(err, jetstream.ErrStreamNotFound) && known > 0:
		return nil, corrupt(0, "there is no ledger, but its revision %d was known", known)
	case errors.Is(err, jetstream.ErrStreamNotFound):
		if _, err := l.makeStream(ctx, want); err != nil {
			return nil, err
		}
	case err != nil:
		return nil, fmt.Errorf("ask for stream %s: %w", StreamName, err)
	case stream.CachedInfo().Config.Description == beingMade || stream.CachedInfo().Config.Replicas != want.Replicas:
		changed := stream.CachedInfo().Config // the rest is compared below, not changed
		changed.Replicas = want.Replicas
		if changed.Description == beingMade {
			changed.Description = want.Description
		}
		if _, err := l.js.UpdateStream(ctx, changed); err != nil {
			return nil, fmt.Errorf("change stream %s: %w", StreamName, err)
		}
	}
	info, err := l.info(ctx)
	if err != nil {
		return nil, err
	}
	if standing := standingOf(info.Config.Description); standing != nil {
		if !l.opts.Resting {
			return nil, standing
		}
		want.Description = info.Config.Description
	}
	if diff := difference(info.Config, want); diff != "" {
		return nil, corrupt(0, "the settings of stream %s are not what this daemon makes (%s), so records may have been dropped or changed", StreamName, diff)
	}
	if info.State.NumDeleted > 0 {
		return l.info(ctx, jetstream.WithDeletedDetails(true))
	}
	return info, nil
}

// checkWhole looks for gaps.
func checkWhole(state jetstream.StreamState) error {
	held := spanOf(state)
	if len(state.Deleted) > 0 {
		return corrupt(state.Deleted[0], "%d records are missing from the ledger's revisions %d to %d", state.NumDeleted, held.first, held.last)
	}
	if n := held.last + 1 - held.first; state.Msgs != n || state.NumDeleted > 0 {
		return corrupt(0, "revisions %d to %d are %d records, but %d are held", held.first, held.last, n, state.Msgs)
	}
	return nil
}

// findHead reads the last record. Where none is held but there were some, only a snapshot knows the head.
func (l *JetStream) findHead(ctx context.Context, held span, snapshots []storedSnapshot) error {
	var head Head
	if held.last >= held.first {
		links := chain{head: Head{Revision: held.last - 1}, loose: held.last > 1}
		err := l.records(ctx, held.last, held.last, func(data []byte) error {
			_, err := links.next(bytes.Clone(data))
			return err
		})
		if err != nil {
			return err
		}
		head = links.head
	} else if held.last > 0 {
		snap, err := l.newestSnapshot(ctx, held, snapshots)
		if err != nil {
			return err
		}
		if snap == nil || snap.GetRevision() != held.last {
			return corrupt(held.last, "no record is held and no whole snapshot of this revision")
		}
		head = Head{Revision: snap.GetRevision(), Term: snap.GetTerm(), CommitTime: snap.GetCommitTime().AsTime(), Hash: snap.GetHash()}
	}
	l.mu.Lock()
	l.head = head
	l.mu.Unlock()
	return nil
}

// hashAt returns the hash of the record at a revision: from the record itself, or from the one after it. It is nil where
// neither is held.
func (l *JetStream) hashAt(ctx context.Context, held span, revision uint64) (hash []byte, err error) {
	at := revision
	if revision+1 == held.first {
		at = held.first
	}
	if at < held.first || at > held.last {
		return nil, nil
	}
	err = l.records(ctx, at, at, func(data []byte) error {
		rec, sum, err := Decode(data)
		if err != nil {
			return corrupt(at, "%v", err)
		}
		if hash = bytes.Clone(sum); at != revision {
			hash = rec.GetPreviousHash()
		}
		return nil
	})
	return hash, err
}

// compareKnown compares the ledger with the record that somebody else remembers.
func (l *JetStream) compareKnown(ctx context.Context, held span, known Head) error {
	if known.Revision == 0 {
		return nil
	}
	if known.Revision > held.last {
		return corrupt(held.last+1, "the ledger ends at revision %d, but revision %d was known", held.last, known.Revision)
	}
	hash, err := l.hashAt(ctx, held, known.Revision)
	if err != nil {
		return err
	}
	if known.Hash != nil && hash != nil && !bytes.Equal(known.Hash, hash) {
		return corrupt(known.Revision, "its hash is %x, but was known as %x", hash, known.Hash)
	}
	return nil
}
