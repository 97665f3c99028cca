package ledger

import (
	"bytes"
	"cmp"
	"context"
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Each snapshot has a stream of its own, numbered in the order of saving, that holds it in pieces of chunkBytes. The
// stream's metadata, written first, says what it must be: how many pieces and their common SHA-256. So half a snapshot
// is known by its missing pieces, and removing an old one removes a stream and touches no other: nothing is purged.
const (
	snapshotStream  = "TANDEM_SNAPSHOT_"
	snapshotSubject = "tandem.ledger.snapshot."
	// chunkBytes stays below 1 MiB, the max_payload that a NATS server has unless told otherwise.
	chunkBytes = 512 << 10
)

// Metadata keys of a snapshot's stream.
const (
	metaRevision = "tandem-revision" // of the record, decimal
	metaHash     = "tandem-hash"     // of the record, hexadecimal
	metaSum      = "tandem-sha256"   // of the snapshot's bytes, hexadecimal
	metaChunks   = "tandem-chunks"   // number of pieces, decimal
)

// storedSnapshot is what the store says about a snapshot, whole or not.
type storedSnapshot struct {
	number   uint64 // grows with every snapshot
	revision uint64
	hash     []byte // of the record
	sum      []byte // SHA-256 of the snapshot
	chunks   uint64 // pieces it must have
	present  uint64 // pieces it has
}

// name is the name of the snapshot's stream.
func (s storedSnapshot) name() string { return snapshotStream + strconv.FormatUint(s.number, 10) }

// subject is the subject of the snapshot's pieces.
func (s storedSnapshot) subject() string { return snapshotSubject + strconv.FormatUint(s.number, 10) }

// whole reports whether every piece is there.
func (s storedSnapshot) whole() bool { return s.chunks > 0 && s.present == s.chunks }

// parseSnapshot reads what a stream of a snapshot says about itself. What it does not say stays zero: it is not whole then.
func parseSnapshot(info *jetstream.StreamInfo) (s storedSnapshot, ok bool) {
	number, ok := strings.CutPrefix(info.Config.Name, snapshotStream)
	if !ok {
		return s, false
	}
	var err error
	if s.number, err = strconv.ParseUint(number, 10, 64); err != nil {
		return s, false
	}
	meta := info.Config.Metadata
	s.revision, _ = strconv.ParseUint(meta[metaRevision], 10, 64)
	s.hash, _ = hex.DecodeString(meta[metaHash])
	s.sum, _ = hex.DecodeString(meta[metaSum])
	if s.revision > 0 && len(s.hash) == hashSize && len(s.sum) == hashSize {
		s.chunks, _ = strconv.ParseUint(meta[metaChunks], 10, 64)
	}
	if info.State.FirstSeq == 1 && info.State.LastSeq == info.State.Msgs {
		s.present = info.State.Msgs
	}
	return s, true
}

// listSnapshots returns all snapshots, whole or not, newest first.
func (l *JetStream) listSnapshots(ctx context.Context) ([]storedSnapshot, error) {
	var found []storedSnapshot
	streams := l.js.ListStreams(ctx, jetstream.WithStreamListSubject(snapshotSubject+"*"))
	for info := range streams.Info() {
		if s, ok := parseSnapshot(info); ok {
			found = append(found, s)
		}
	}
	if err := streams.Err(); err != nil {
		return nil, fmt.Errorf("list snapshots: %w", err)
	}
	sortSnapshots(found)
	return found, nil
}

// SaveSnapshot implements Ledger.
func (l *JetStream) SaveSnapshot(ctx context.Context, snap *ledgerv1.Snapshot) error {
	data, err := encodeSnapshot(snap)
	if err != nil {
		return err
	}
	l.snapshots.Lock()
	defer l.snapshots.Unlock()
	if err := l.checkSnapshot(ctx, snap); err != nil {
		return err
	}
	before, err := l.listSnapshots(ctx)
	if err != nil {
		return fmt.Errorf("save snapshot of revision %d: %w", snap.GetRevision(), err)
	}
	sum := sha256.Sum256(data)
	s := storedSnapshot{
		number: 1, revision: snap.GetRevision(), hash: snap.GetHash(), sum: sum[:],
		chunks: uint64((len(data) + chunkBytes - 1) / chunkBytes),
	}
	for _, old := range before {
		s.number = max(s.number, old.number+1)
	}
	if err := l.writeSnapshot(ctx, s, data); err != nil {
		return fmt.Errorf("save snapshot of revision %d: %w", snap.GetRevision(), err)
	}
	s.present = s.chunks
	if err := l.removeSnapshots(ctx, append(before, s)); err != nil {
		return fmt.Errorf("save snapshot of revision %d: saved, but: %w", snap.GetRevision(), err)
	}
	return nil
}

// checkSnapshot compares a snapshot that is to be saved with the ledger.
func (l *JetStream) checkSnapshot(ctx context.Context, snap *ledgerv1.Snapshot) error {
	held, err := l.held(ctx)
	if err != nil {
		return fmt.Errorf("save snapshot of revision %d: %w", snap.GetRevision(), err)
	}
	switch revision := snap.GetRevision(); {
	case revision > held.last:
		return aheadOfLedger(revision, held.last)
	case revision+1 < held.first:
		return &CompactedError{After: revision, Oldest: held.first}
	}
	hash, err := l.hashAt(ctx, held, snap.GetRevision())
	if err != nil {
		return fmt.Errorf("save snapshot of revision %d: %w", snap.GetRevision(), err)
	}
	if hash == nil { // nothing held but the place where the ledger goes on
		hash = l.Head().Hash
	}
	return matchSnapshot(snap, hash)
}

// writeSnapshot makes the stream of a snapshot and fills it; what it cannot finish it removes.
func (l *JetStream) writeSnapshot(ctx context.Context, s storedSnapshot, data []byte) (err error) {
	if _, err := l.js.CreateStream(ctx, snapshotConfig(l.opts, s)); err != nil {
		return fmt.Errorf("make stream %s: %w", s.name(), err)
	}
	defer func() {
		if err != nil {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), l.opts.AppendTimeout)
			defer cancel()
			_ = l.js.DeleteStream(ctx, s.name()) // or the next one that is saved does
		}
	}()
	for i, chunk := range slices.Collect(slices.Chunk(data, chunkBytes)) {
		if err := l.writeChunk(ctx, s, uint64(i), chunk); err != nil {
			return fmt.Errorf("write piece %d of %d: %w", i+1, s.chunks, err)
		}
	}
	return nil
}

// writeChunk appends a piece after the ones before it.
func (l *JetStream) writeChunk(ctx context.Context, s storedSnapshot, before uint64, chunk []byte) error {
	ctx, cancel := context.WithTimeout(ctx, l.opts.AppendTimeout)
	defer cancel()
	_, err := l.js.PublishMsg(ctx, &nats.Msg{Subject: s.subject(), Data: chunk, Header: nats.Header{
		jetstream.ExpectedLastSeqHeader: {strconv.FormatUint(before, 10)},
	}})
	return err
}

// removeSnapshots removes all but the newest whole ones.
func (l *JetStream) removeSnapshots(ctx context.Context, all []storedSnapshot) error {
	sortSnapshots(all)
	kept := 0
	for _, s := range all {
		if s.whole() && kept < keptSnapshots {
			kept++
			continue
		}
		if err := l.js.DeleteStream(ctx, s.name()); err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) {
			return fmt.Errorf("remove old stream %s: %w", s.name(), err)
		}
	}
	return nil
}

// newestSnapshot loads the newest of the snapshots that is whole and that the records held can go on from; nil if there
// is none. One that is damaged is reported and passed over, one that contradicts the ledger is an error.
func (l *JetStream) newestSnapshot(ctx context.Context, held span, snapshots []storedSnapshot) (*ledgerv1.Snapshot, error) {
	for _, s := range snapshots {
		if err := l.compareSnapshot(ctx, held, s); err != nil {
			return nil, err
		}
		if s.revision+1 < held.first {
			continue
		}
		snap, err := l.loadSnapshot(ctx, s)
		if err == nil {
			return snap, nil
		}
		if !errors.Is(err, errDamagedSnapshot) {
			return nil, fmt.Errorf("load snapshot: %w", err)
		}
		l.opts.Survived(err)
	}
	return nil, nil
}

// errDamagedSnapshot marks a snapshot that is passed over.
var errDamagedSnapshot = errors.New("ledger: snapshot passed over")

// loadSnapshot reads a snapshot and compares it with what its stream says about it.
func (l *JetStream) loadSnapshot(ctx context.Context, s storedSnapshot) (*ledgerv1.Snapshot, error) {
	if !s.whole() {
		return nil, fmt.Errorf("%w: stream %s has %d pieces of %d", errDamagedSnapshot, s.name(), s.present, s.chunks)
	}
	data := make([]byte, 0, s.chunks*chunkBytes)
	err := l.read(ctx, s.name(), 1, s.chunks, func(chunk []byte) error {
		data = append(data, chunk...)
		return nil
	})
	switch {
	case errors.Is(err, ErrCorrupt):
		return nil, fmt.Errorf("%w: stream %s lacks a piece: %w", errDamagedSnapshot, s.name(), err)
	case err != nil:
		return nil, err
	}
	if sum := sha256.Sum256(data); !bytes.Equal(sum[:], s.sum) {
		return nil, fmt.Errorf("%w: the SHA-256 of stream %s does not match its bytes", errDamagedSnapshot, s.name())
	}
	snap, err := decodeSnapshot(data)
	if err != nil {
		return nil, fmt.Errorf("%w: stream %s: %w", errDamagedSnapshot, s.name(), err)
	}
	if snap.GetRevision() != s.revision || !bytes.Equal(snap.GetHash(), s.hash) {
		return nil, fmt.Errorf("%w: stream %s holds another snapshot than it says", errDamagedSnapshot, s.name())
	}
	return snap, nil
}

// compareSnapshot compares the record that a snapshot names, be it whole or not, with the ledger's.
func (l *JetStream) compareSnapshot(ctx context.Context, held span, s storedSnapshot) error {
	if s.chunks == 0 { // it names none
		return nil
	}
	if s.revision > held.last {
		return corrupt(held.last+1, "the ledger ends at revision %d, but there is a snapshot of revision %d", held.last, s.revision)
	}
	hash, err := l.hashAt(ctx, held, s.revision)
	if err != nil {
		return err
	}
	if hash != nil && !bytes.Equal(hash, s.hash) {
		return corrupt(s.revision, "its hash is %x, but a snapshot names it as %x", hash, s.hash)
	}
	return nil
}

// snapshotConfig is what the stream of a snapshot has to be.
func snapshotConfig(o Options, s storedSnapshot) jetstream.StreamConfig {
	return jetstream.StreamConfig{
		Name:        s.name(),
		Description: "tandem: snapshot",
		Subjects:    []string{s.subject()},
		Discard:     jetstream.DiscardNew,
		Storage:     jetstream.FileStorage,
		Replicas:    o.Replicas,
		DenyDelete:  true,
		DenyPurge:   true,
		Metadata: map[string]string{
			metaRevision: strconv.FormatUint(s.revision, 10),
			metaHash:     hex.EncodeToString(s.hash),
			metaSum:      hex.EncodeToString(s.sum),
			metaChunks:   strconv.FormatUint(s.chunks, 10),
		},
	}
}

// sortSnapshots puts the newest first.
func sortSnapshots(all []storedSnapshot) {
	slices.SortFunc(all, func(a, b storedSnapshot) int {
		return cmp.Or(cmp.Compare(b.revision, a.revision), cmp.Compare(b.number, a.number))
	})
}

// LoadSnapshot implements Ledger.
func (l *JetStream) LoadSnapshot(ctx context.Context) (*ledgerv1.Snapshot, error) {
	held, err := l.held(ctx)
	if err != nil {
		return nil, fmt.Errorf("load snapshot: %w", err)
	}
	snapshots, err := l.listSnapshots(ctx)
	if err != nil {
		return nil, fmt.Errorf("load snapshot: %w", err)
	}
	snap, err := l.newestSnapshot(ctx, held, snapshots)
	if err != nil {
		return nil, err
	}
	if snap == nil && held.first > 1 {
		return nil, corrupt(0, "the oldest record held is %d, and no whole snapshot stands for those before", held.first)
	}
	return snap, nil
}
