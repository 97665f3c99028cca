package api_test

import (
	"context"
	"crypto/sha256"
	"fmt"
	"slices"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// store is the ledger of these tests: encoded records in memory, of which the oldest can be let go. The API does not know
// the daemon's ledgers, and neither do its tests: the head's type is the one that the engine tells its state with.
type store[H ~struct {
	Revision   uint64
	Term       uint64
	CommitTime time.Time
	Hash       []byte
}] struct {
	mu       sync.Mutex
	gone     uint64   // revisions up to this one are no longer held
	records  [][]byte // records[i] has revision gone+1+i
	snapshot []byte
	failing  error // answer of every further Append
}

func newStore[H ~struct {
	Revision   uint64
	Term       uint64
	CommitTime time.Time
	Hash       []byte
}](_ H,
) *store[H] {
	return &store[H]{}
}

// Append implements the engine's ledger. It refuses what does not follow.
func (s *store[H]) Append(_ context.Context, rec *ledgerv1.Record) (H, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var none H
	if s.failing != nil {
		return none, s.failing
	}
	if last := s.gone + uint64(len(s.records)); rec.GetRevision() != last+1 {
		return none, fmt.Errorf("revision %d after %d", rec.GetRevision(), last)
	}
	data, err := proto.MarshalOptions{Deterministic: true}.Marshal(rec)
	if err != nil {
		return none, err
	}
	s.records = append(s.records, data)
	hash := sha256.Sum256(data)
	return H{Revision: rec.GetRevision(), Term: rec.GetTerm(), CommitTime: rec.GetCommitTime().AsTime(), Hash: hash[:]}, nil
}

// Replay implements the engine's ledger.
func (s *store[H]) Replay(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error) error {
	s.mu.Lock()
	gone, records := s.gone, slices.Clone(s.records)
	s.mu.Unlock()
	if after < gone {
		return &engine.CompactedError{Oldest: gone + 1}
	}
	for _, data := range records[after-gone:] {
		rec := &ledgerv1.Record{}
		if err := proto.Unmarshal(data, rec); err != nil {
			return err
		}
		if err := fn(rec); err != nil {
			return err
		}
	}
	return ctx.Err()
}

// SaveSnapshot implements the engine's ledger.
func (s *store[H]) SaveSnapshot(_ context.Context, snap *ledgerv1.Snapshot) error {
	data, err := proto.Marshal(snap)
	s.mu.Lock()
	defer s.mu.Unlock()
	s.snapshot = data
	return err
}

// LoadSnapshot implements the engine's ledger.
func (s *store[H]) LoadSnapshot(context.Context) (*ledgerv1.Snapshot, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.snapshot == nil {
		return nil, nil
	}
	snap := &ledgerv1.Snapshot{}
	return snap, proto.Unmarshal(s.snapshot, snap)
}

// compact lets go of the records up to and including revision through.
func (s *store[H]) compact(through uint64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.records = slices.Clone(s.records[through-s.gone:])
	s.gone = through
}

// fail makes every further Append fail.
func (s *store[H]) fail(err error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.failing = err
}
