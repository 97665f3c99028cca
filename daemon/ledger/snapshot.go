package ledger

import (
	"bytes"
	"fmt"
	"math"

	"google.golang.org/protobuf/proto"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// keptSnapshots is how many snapshots are kept: the newest, and one more in case the newest is damaged.
const keptSnapshots = 2

// encodeSnapshot checks what a snapshot must name and returns its protobuf bytes, map entries in key order.
func encodeSnapshot(snap *ledgerv1.Snapshot) ([]byte, error) {
	switch {
	case snap.GetRevision() == 0:
		return nil, fmt.Errorf("%w snapshot: revision is 0; a snapshot is of a record", ErrInvalid)
	case len(snap.GetHash()) != hashSize:
		return nil, fmt.Errorf("%w snapshot of revision %d: hash has %d bytes; give the %d of the record's SHA-256",
			ErrInvalid, snap.GetRevision(), len(snap.GetHash()), hashSize)
	}
	opts := proto.MarshalOptions{Deterministic: true}
	if size := opts.Size(snap); size > math.MaxInt32 {
		return nil, fmt.Errorf("%w snapshot of revision %d: %d bytes are more than protobuf can hold (2 GiB)", ErrInvalid, snap.GetRevision(), size)
	}
	data, err := opts.Marshal(snap)
	if err != nil {
		return nil, fmt.Errorf("%w snapshot of revision %d: %w", ErrInvalid, snap.GetRevision(), err)
	}
	return data, nil
}

// decodeSnapshot is the reverse of encodeSnapshot.
func decodeSnapshot(data []byte) (*ledgerv1.Snapshot, error) {
	snap := new(ledgerv1.Snapshot)
	if err := unmarshalSnapshot(data, snap); err != nil {
		return nil, fmt.Errorf("decode snapshot: %w", err)
	}
	return snap, nil
}

// matchSnapshot reports whether snap is of the record that has hash in the ledger.
func matchSnapshot(snap *ledgerv1.Snapshot, hash []byte) error {
	if bytes.Equal(snap.GetHash(), hash) {
		return nil
	}
	return fmt.Errorf("%w snapshot of revision %d: its hash %x is not the record's %x; it was made from another ledger",
		ErrInvalid, snap.GetRevision(), snap.GetHash(), hash)
}

// aheadOfLedger is the refusal of a snapshot of a record that is still to come.
func aheadOfLedger(revision, last uint64) error {
	return fmt.Errorf("%w snapshot of revision %d: the ledger ends at %d; append the record first", ErrInvalid, revision, last)
}
