// Package ledger is the store of record: an append-only chain of records, each of which is what one turn of the engine's
// loop decided, and snapshots that shorten a restart. A record that Append has acknowledged is on disk and survives a
// kill and the loss of power.
//
// The package never interprets events, never decides who may write and never repairs: damage is refused with the
// remedy, because a guess about what happened on the floor is worse than a daemon that does not start.
//
// Records form a chain: revisions are 1, 2, 3 and so on without a gap, each record names the SHA-256 of the one before,
// terms and commit times never go back. Two implementations keep it, [Memory] for simulation and tests and [JetStream]
// for a shop; both pass the suite in ledgertest.
package ledger

import (
	"context"
	"time"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Ledger is the store of record. It has one writer at a time; any number of goroutines may read while it writes.
type Ledger interface {
	// Append stores rec durably and returns once it is on disk, with rec as the new head. rec.Revision must be one more
	// than the last record's and rec.PreviousHash the last record's hash; otherwise the answer is ErrConflict and nothing
	// is stored: another writer was faster, and this one has to step down or replay before it writes again.
	//
	// A record whose term or commit time goes back is ErrInvalid, one that is too long ErrTooLarge, one for which there is
	// no space ErrFull; nothing is stored then either, and the caller may go on. After ErrOutcomeUnknown the record may
	// or may not be stored: the ledger must be opened anew and replayed, and every further Append is refused until then.
	//
	// The end of ctx is heeded before the record is handed to the store, not after: an answer that is on its way is
	// worth waiting for, and the wait is bounded by the store's own time limit.
	Append(ctx context.Context, rec *ledgerv1.Record) (Head, error)

	// Replay calls fn with every record after revision after, in order, verifying checksum and chain, up to the last one
	// stored at the time of the call; 0 begins with the first. It may run while Append runs in another goroutine, and fn
	// owns the record it is given. An error of fn ends the replay and is returned as it is.
	//
	// Records that are no longer held are a *CompactedError, damage is a *CorruptError. Where the record at after is
	// itself no longer held, the first record's previous hash cannot be compared with it: the caller compares it with
	// the snapshot it began from.
	Replay(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error) error

	// SaveSnapshot keeps snap, which must be of a record in the ledger: its revision and hash are compared. Only the two
	// newest are kept. When it fails or the process is killed half-way, the snapshots before it remain.
	SaveSnapshot(ctx context.Context, snap *ledgerv1.Snapshot) error

	// LoadSnapshot returns the newest whole snapshot, or nil if there is none. A snapshot that names a record the ledger
	// does not have, or has with another hash, is a *CorruptError: the ledger has lost or changed what it had stored.
	LoadSnapshot(ctx context.Context) (*ledgerv1.Snapshot, error)
}

// Head is the last record of a ledger: what the next one has to follow. The zero Head is that of an empty ledger.
type Head struct {
	// Revision of the record.
	Revision uint64
	// Term of the record.
	Term uint64
	// CommitTime of the record, UTC.
	CommitTime time.Time
	// Hash is the record's SHA-256, 32 bytes; nil in an empty ledger. It must not be changed.
	Hash []byte
}
