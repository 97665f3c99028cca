package ledger

import (
	"context"

	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Stored is a ledger whose records can be read byte for byte, for a copy: a record that is encoded anew might not have the hash that
// the next one names.
type Stored interface {
	Ledger
	// Head returns the last record's.
	Head() Head
	// ReplayStored is Replay up to and including revision through, 0 being the last one stored at the time of the call, and hands
	// over each record's stored form, too, as Encode made it. It is valid during the call only.
	ReplayStored(ctx context.Context, after, through uint64, fn func(rec *ledgerv1.Record, stored []byte) error) error
}

var (
	_ Stored = (*JetStream)(nil)
	_ Stored = (*Memory)(nil)
)

// Chain verifies records in their stored form, one after another from the first: checksum, revision, the hash of the one before, and
// that term and commit time never go back. The zero Chain expects the first record.
type Chain struct{ links chain }

// Next verifies the record that must follow the ones before it. What is wrong is a *CorruptError.
func (c *Chain) Next(stored []byte) (*ledgerv1.Record, error) { return c.links.next(stored) }

// Head returns the last record's that was verified. Its hash shares memory with what Next was given.
func (c *Chain) Head() Head { return c.links.head }

// replay verifies the next record and hands it over if it comes after a revision.
func (c *chain) replay(d decoded, after uint64, fn func(*ledgerv1.Record, []byte) error) error {
	rec, err := c.nextDecoded(d)
	if err != nil {
		return err
	}
	if rec.GetRevision() <= after {
		return nil
	}
	return fn(rec, d.data)
}
