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
	"github.com/nats-io/nuid"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Each snapshot has a stream of its own that holds it in pieces of chunkBytes. The stream's metadata, written first, says
// what it must be: how many pieces and their common SHA-256. So half a snapshot is known by its missing pieces, and
// removing an old one removes a stream and touches no other: nothing is purged.
//
// The streams have few fixed names, so that what a kill leaves on disk without the server's knowing is found again when
// the name is used next. The subjects are unique, so that of two processes that save at the same time neither can write
// into the other's.
const (
	snapshotStream  = "TANDEM_SNAPSHOT_" // and one of snapshotSlots
	snapshotSubject = "tandem.ledger.snapshot."
	// chunkBytes stays below 1 MiB, the max_payload that a NATS server has unless told otherwise.
	chunkBytes = 512 << 10
)

// snapshotSlots end the names of the streams: enough for those that are kept, one that is being saved, and one to spare
// should the server be unable to make one of them.
const snapshotSlots = "ABCD"

// Metadata keys of a snapshot's stream.
const (
	metaNumber   = "tandem-number"   // grows with every snapshot, decimal
	metaRevision = "tandem-revision" // of the record, decimal
	metaHash     = "tandem-hash"     // of the record, hexadecimal
	metaSum      = "tandem-sha256"   // of the snapshot's bytes, hexadecimal
	metaChunks   = "tandem-chunks"   // number of pieces, decimal
)

// storedSnapshot is what the store says about a snapshot, whole or not.
type storedSnapshot struct {
	name     string // of its stream
	subject  string // of its pieces
	number   uint64 // grows with every snapshot
	revision uint64
	hash     []byte // of the record
	sum      []byte // SHA-256 of the snapshot
	chunks   uint64 // pieces it must have
	present  uint64 // pieces it has
}

// whole reports whether every piece is there.
func (s storedSnapshot) whole() bool { return s.chunks > 0 && s.present == s.chunks }

// parseSnapshot reads what a stream of a snapshot says about itself. What it does not say stays zero: it is not whole then.
func parseSnapshot(info *jetstream.StreamInfo) storedSnapshot {
	s, meta := storedSnapshot{name: info.Config.Name}, info.Config.Metadata
	if len(info.Config.Subjects) == 1 {
		s.subject = info.Config.Subjects[0]
	}
	s.number, _ = strconv.ParseUint(meta[metaNumber], 10, 64)
	s.revision, _ = strconv.ParseUint(meta[metaRevision], 10, 64)
	s.hash, _ = hex.DecodeString(meta[metaHash])
	s.sum, _ = hex.DecodeString(meta[metaSum])
	if s.revision > 0 && len(s.hash) == hashSize && len(s.sum) == hashSize {
		s.chunks, _ = strconv.ParseUint(meta[metaChunks], 10, 64)
	}
	if info.State.FirstSeq == 1 && info.State.LastSeq == info.State.Msgs {
		s.present = info.State.Msgs
	}
	return s
}

// listSnapshots returns all snapshots, whole or not, newest first.
func (l *JetStream) listSnapshots(ctx context.Context) ([]storedSnapshot, error) {
	var found []storedSnapshot
	streams := l.js.ListStreams(ctx, jetstream.WithStreamListSubject(snapshotSubject+"*"))
	for info := range streams.Info() {
		if strings.HasPrefix(info.Config.Name, snapshotStream) {
			found = append(found, parseSnapshot(info))
		}
	}
	if err := streams.Err(); err != nil {
		return nil, fmt.Errorf("list snapshots: %w", err)
	}
	slices.SortFunc(found, func(a, b storedSnapshot) int {
		return cmp.Or(cmp.Compare(b.revision, a.revision), cmp.Compare(b.number, a.number))
	})
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
		subject: snapshotSubject + nuid.Next(), number: 1,
		revision: snap.GetRevision(), hash: snap.GetHash(), sum: sum[:],
		chunks: uint64((len(data) + chunkBytes - 1) / chunkBytes),
	}
	for _, old := range before {
		s.number = max(s.number, old.number+1)
	}
	if s.name, err = l.makeSnapshotStream(ctx, s, before); err != nil {
		return fmt.Errorf("save snapshot of revision %d: %w", snap.GetRevision(), err)
	}
	if err := l.writeSnapshot(ctx, s, data); err != nil {
		return fmt.Errorf("save snapshot of revision %d: %w", snap.GetRevision(), err)
	}
	if err := l.removeSnapshots(ctx); err != nil {
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

// makeSnapshotStream makes the stream of a snapshot under a name that none of those to be kept has, and returns the name.
func (l *JetStream) makeSnapshotStream(ctx context.Context, s storedSnapshot, before []storedSnapshot) (string, error) {
	kept := map[string]bool{}
	for _, old := range newestWhole(before) {
		kept[old.name] = true
	}
	var failed error
	for _, slot := range snapshotSlots {
		s.name = snapshotStream + string(slot)
		if kept[s.name] {
			continue
		}
		err := l.makeEmptyStream(ctx, snapshotConfig(l.opts, s))
		if err == nil {
			return s.name, nil
		}
		failed = errors.Join(failed, err)
	}
	return "", failed
}

// makeEmptyStream makes a stream in place of what may be there: a stream, or what a kill has left of one.
func (l *JetStream) makeEmptyStream(ctx context.Context, cfg jetstream.StreamConfig) error {
	for range 2 {
		if err := l.removeStream(ctx, cfg.Name); err != nil {
			return err
		}
		info, err := l.makeStream(ctx, cfg)
		if err != nil {
			return err
		}
		if info.State.LastSeq == 0 {
			return nil
		}
	}
	return fmt.Errorf("stream %s is not empty when it is made; stop the daemon and remove its directory", cfg.Name)
}

// removeStream removes a stream if it is there.
func (l *JetStream) removeStream(ctx context.Context, name string) error {
	if err := l.js.DeleteStream(ctx, name); err != nil && !errors.Is(err, jetstream.ErrStreamNotFound) {
		return fmt.Errorf("remove stream %s: %w", name, err)
	}
	return nil
}

// writeSnapshot fills the stream of a snapshot; what it cannot finish it removes.
func (l *JetStream) writeSnapshot(ctx context.Context, s storedSnapshot, data []byte) (err error) {
	defer func() {
		if err != nil {
			ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), l.opts.AppendTimeout)
			defer cancel()
			_ = l.removeStream(ctx, s.name) // or the next one that is saved does
		}
	}()
	for i := range s.chunks {
		begin := int(i) * chunkBytes
		if err := l.writeChunk(ctx, s, i, data[begin:min(begin+chunkBytes, len(data))]); err != nil {
			return fmt.Errorf("write piece %d of %d: %w", i+1, s.chunks, err)
		}
	}
	return nil
}

// writeChunk appends a piece after the ones before it.
func (l *JetStream) writeChunk(ctx context.Context, s storedSnapshot, before uint64, chunk []byte) error {
	ctx, cancel := context.WithTimeout(ctx, l.opts.AppendTimeout)
	defer cancel()
	_, err := l.js.PublishMsg(ctx, &nats.Msg{Subject: s.subject, Data: chunk, Header: nats.Header{
		jetstream.ExpectedLastSeqHeader: {strconv.FormatUint(before, 10)},
	}})
	return err
}

// newestWhole returns those of all snapshots, newest first, that are kept.
func newestWhole(all []storedSnapshot) []storedSnapshot {
	var kept []storedSnapshot
	for _, s := range all {
		if s.whole() && len(kept) < keptSnapshots {
			kept = append(kept, s)
		}
	}
	return kept
}

// removeSnapshots removes all but the newest whole ones.
func (l *JetStream) removeSnapshots(ctx context.Context) error {
	all, err := l.listSnapshots(ctx)
	if err != nil {
		return err
	}
	kept := newestWhole(all)
	for _, s := range all {
		if !slices.ContainsFunc(kept, func(k storedSnapshot) bool { return k.name == s.name }) {
			if err := l.removeStream(ctx, s.name); err != nil {
				return err
			}
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
		return nil, fmt.Errorf("%w: stream %s has %d pieces of %d", errDamagedSnapshot, s.name, s.present, s.chunks)
	}
	data := make([]byte, 0, s.chunks*chunkBytes)
	err := l.read(ctx, s.name, 1, s.chunks, func(chunk []byte) error {
		data = append(data, chunk...)
		return nil
	})
	switch {
	case errors.Is(err, ErrCorrupt):
		return nil, fmt.Errorf("%w: stream %s lacks a piece: %w", errDamagedSnapshot, s.name, err)
	case err != nil:
		return nil, err
	}
	if sum := sha256.Sum256(data); !bytes.Equal(sum[:], s.sum) {
		return nil, fmt.Errorf("%w: the SHA-256 of stream %s does not match its bytes", errDamagedSnapshot, s.name)
	}
	snap, err := decodeSnapshot(data)
	if err != nil {
		return nil, fmt.Errorf("%w: stream %s: %w", errDamagedSnapshot, s.name, err)
	}
	if snap.GetRevision() != s.revision || !bytes.Equal(snap.GetHash(), s.hash) {
		return nil, fmt.Errorf("%w: stream %s holds another snapshot than it says", errDamagedSnapshot, s.name)
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
		Name:        s.name,
		Description: "tandem: snapshot",
		Subjects:    []string{s.subject},
		Discard:     jetstream.DiscardNew,
		Storage:     jetstream.FileStorage,
		Replicas:    o.Replicas,
		DenyDelete:  true,
		DenyPurge:   true,
		Metadata: map[string]string{
			metaNumber:   strconv.FormatUint(s.number, 10),
			metaRevision: strconv.FormatUint(s.revision, 10),
			metaHash:     hex.EncodeToString(s.hash),
			metaSum:      hex.EncodeToString(s.sum),
			metaChunks:   strconv.FormatUint(s.chunks, 10),
		},
	}
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
