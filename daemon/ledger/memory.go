package ledger

import (
	"bytes"
	"cmp"
	"context"
	"fmt"
	"slices"
	"sync"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Memory keeps a ledger in memory, in the form in which it would be stored, so that what is read back is what a restart
// would read. It is durable as long as the process lives. The zero Memory is an empty ledger, ready for use.
type Memory struct {
	mu        sync.Mutex
	base      Head     // the last record no longer held; zero if all are
	head      Head     // the last record
	records   [][]byte // records[i] has revision base.Revision+1+i; elements never change, so readers need no lock
	snapshots []memorySnapshot
	grown     chan struct{} // closed at the next record; nil: nobody waits for it
}

// memorySnapshot is an encoded snapshot.
type memorySnapshot struct {
	revision uint64
	data     []byte
}

var _ Ledger = (*Memory)(nil)

// NewMemory returns an empty ledger.
func NewMemory() *Memory { return new(Memory) }

// Head returns the last record's.
func (m *Memory) Head() Head {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.head
}

// Append implements Ledger. Records are limited to DefaultMaxRecordBytes.
func (m *Memory) Append(ctx context.Context, rec *ledgerv1.Record) (Head, error) {
	if err := ctx.Err(); err != nil {
		return Head{}, fmt.Errorf("append: %w", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	data, head, err := seal(m.head, rec, DefaultMaxRecordBytes)
	if err != nil {
		return Head{}, err
	}
	m.records = append(m.records, data)
	m.head = head
	if m.grown != nil {
		close(m.grown)
		m.grown = nil
	}
	return head, nil
}

// Replay implements Ledger.
func (m *Memory) Replay(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error) error {
	return m.ReplayStored(ctx, after, 0, func(rec *ledgerv1.Record, _ []byte) error { return fn(rec) })
}

// ReplayStored implements Stored.
func (m *Memory) ReplayStored(ctx context.Context, after, through uint64, fn func(*ledgerv1.Record, []byte) error) error {
	m.mu.Lock()
	base, records := m.base, m.records
	m.mu.Unlock()

	held := span{first: base.Revision + 1, last: base.Revision + uint64(len(records))}
	from, links, err := held.resume(after)
	if err != nil {
		return err
	}
	last, err := held.end(through)
	if err != nil {
		return err
	}
	read := func(ctx context.Context, first, last uint64, each func([]byte) error) error {
		for revision := first; revision <= last; revision++ {
			if err := ctx.Err(); err != nil {
				return fmt.Errorf("replay: %w", err)
			}
			if err := each(records[revision-held.first]); err != nil {
				return err
			}
		}
		return nil
	}
	return decodedInOrder(ctx, read, from, last, func(d decoded) error { return links.replay(d, after, fn) })
}

// SaveSnapshot implements Ledger.
func (m *Memory) SaveSnapshot(ctx context.Context, snap *ledgerv1.Snapshot) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("save snapshot: %w", err)
	}
	data, err := encodeSnapshot(snap)
	if err != nil {
		return err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	hash, err := m.hashAt(snap.GetRevision())
	if err != nil {
		return err
	}
	if err := matchSnapshot(snap, hash); err != nil {
		return err
	}
	m.snapshots = append(m.snapshots, memorySnapshot{revision: snap.GetRevision(), data: data})
	slices.SortStableFunc(m.snapshots, func(a, b memorySnapshot) int { return cmp.Compare(a.revision, b.revision) })
	m.snapshots = m.snapshots[max(0, len(m.snapshots)-keptSnapshots):]
	return nil
}

// LoadSnapshot implements Ledger.
func (m *Memory) LoadSnapshot(ctx context.Context) (*ledgerv1.Snapshot, error) {
	if err := ctx.Err(); err != nil {
		return nil, fmt.Errorf("load snapshot: %w", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.snapshots) == 0 {
		return nil, nil
	}
	return decodeSnapshot(m.snapshots[len(m.snapshots)-1].data)
}

// Compact lets go of the records up to and including revision through. A snapshot of that revision or a later one must
// have been saved, so that a restart is still possible.
func (m *Memory) Compact(ctx context.Context, through uint64) error {
	if err := ctx.Err(); err != nil {
		return fmt.Errorf("compact: %w", err)
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if len(m.snapshots) == 0 || m.snapshots[len(m.snapshots)-1].revision < through {
		return fmt.Errorf("%w compaction through revision %d: no snapshot reaches as far; save one first", ErrInvalid, through)
	}
	if through <= m.base.Revision {
		return nil
	}
	gone := through - m.base.Revision
	rec, hash, err := Decode(m.records[gone-1])
	if err != nil {
		return corrupt(through, "%v", err)
	}
	m.base = headOf(rec, bytes.Clone(hash))
	m.records = slices.Clone(m.records[gone:])
	return nil
}

// hashAt returns the hash of the record at revision.
func (m *Memory) hashAt(revision uint64) ([]byte, error) {
	switch {
	case revision > m.head.Revision:
		return nil, aheadOfLedger(revision, m.head.Revision)
	case revision < m.base.Revision:
		return nil, &CompactedError{After: revision, Oldest: m.base.Revision + 1}
	case revision == m.base.Revision:
		return m.base.Hash, nil
	}
	_, hash, err := Decode(m.records[revision-m.base.Revision-1])
	if err != nil {
		return nil, corrupt(revision, "%v", err)
	}
	return hash, nil
}
