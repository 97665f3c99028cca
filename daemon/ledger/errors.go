package ledger

import (
	"errors"
	"fmt"
)

var (
	// ErrConflict means that the record does not follow the ledger's last one: another writer was faster. Nothing was
	// stored. The remedy is to open the ledger anew and replay, or to leave the writing to the other.
	ErrConflict = errors.New("ledger: record does not follow the last one")
	// ErrInvalid means that a record or snapshot breaks the contract; the text names the field. Nothing was stored.
	ErrInvalid = errors.New("ledger: invalid")
	// ErrTooLarge means that a record is longer than the limit. Nothing was stored or sent. The remedy is to split it.
	ErrTooLarge = errors.New("ledger: record too large")
	// ErrFull means that the store has no space left for the record, by its own limit. Nothing was stored. The remedy is
	// to free disk space or raise the limit, and to start the store again.
	ErrFull = errors.New("ledger: no space left")
	// ErrOutcomeUnknown means that no usable answer came in time: the record may or may not be stored. The remedy is to
	// open the ledger anew and replay.
	ErrOutcomeUnknown = errors.New("ledger: outcome of an append unknown, open the ledger anew and replay")
	// ErrNotDurable means that the store may acknowledge what is not yet on disk. It is refused at the start.
	ErrNotDurable = errors.New("ledger: store does not write to disk before it acknowledges")
	// ErrCorrupt is what every *CorruptError is.
	ErrCorrupt = errors.New("ledger: damaged")
	// ErrCompacted is what every *CompactedError is.
	ErrCompacted = errors.New("ledger: records no longer held")
)

// CorruptError says where a ledger is damaged. errors.Is finds it as ErrCorrupt.
type CorruptError struct {
	// Revision is the first record known to be missing, changed or out of order; 0 if it is not about one record.
	Revision uint64
	// Problem is what is wrong with it.
	Problem string
}

// Error names the revision, the problem and the remedy.
func (e *CorruptError) Error() string {
	const remedy = "stop the daemon, keep a copy of its data, and rebuild the ledger from the history or restore a backup"
	if e.Revision == 0 {
		return fmt.Sprintf("%v: %s; %s", ErrCorrupt, e.Problem, remedy)
	}
	return fmt.Sprintf("%v at revision %d: %s; %s", ErrCorrupt, e.Revision, e.Problem, remedy)
}

// Is makes errors.Is(err, ErrCorrupt) true.
func (e *CorruptError) Is(target error) bool { return target == ErrCorrupt }

// corrupt returns a *CorruptError with a formatted problem.
func corrupt(revision uint64, format string, args ...any) error {
	return &CorruptError{Revision: revision, Problem: fmt.Sprintf(format, args...)}
}

// CompactedError says that a replay asked for records that are no longer held. errors.Is finds it as ErrCompacted.
type CompactedError struct {
	// After is what was asked for: the records after this revision.
	After uint64
	// Oldest is the oldest revision still held, or the next one to be written if none is.
	Oldest uint64
}

// Error names both revisions and the remedy.
func (e *CompactedError) Error() string {
	return fmt.Sprintf("%v: asked for the records after revision %d, the oldest one held is %d; load the snapshot and replay from its revision",
		ErrCompacted, e.After, e.Oldest)
}

// Damage is what the error means of a floor's own ledger, which nothing ever takes records out of.
func (e *CompactedError) Damage() error {
	return corrupt(1, "the records before revision %d are missing", e.Oldest)
}

// Is makes errors.Is(err, ErrCompacted) true.
func (e *CompactedError) Is(target error) bool { return target == ErrCompacted }
