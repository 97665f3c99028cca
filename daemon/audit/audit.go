// Package audit replays a whole ledger, wherever its records come from, and says what it holds: how many records and events, in which
// schema, how it ends, and whether the floor that it makes keeps its own rules.
//
// It takes records that have been verified as a chain, and changes nothing.
package audit

import (
	"errors"
	"fmt"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// ErrUnfit is what a record that cannot be applied is.
var ErrUnfit = errors.New("record does not fit the floor")

// Apply applies a record that was read from somewhere. One that does not fit the floor, so that the floor panics, is ErrUnfit.
func Apply(f *floor.Floor, rec *ledgerv1.Record) (err error) {
	defer func() {
		if p := recover(); p != nil {
			err = fmt.Errorf("%w: revision %d: %v; use the program that wrote it, or restore a backup", ErrUnfit, rec.GetRevision(), p)
		}
	}()
	f.ApplyRecord(rec)
	return nil
}

// Span is a run of revisions that were written in one schema.
type Span struct {
	Schema      uint32
	First, Last uint64
}

// Audit is a replay under way. The zero Audit begins with the first record.
type Audit struct {
	Records, Events uint64
	First, Last     time.Time // commit times
	Revision        uint64    // of the last record
	Schemas         []Span    // in the order of their revisions

	floor *floor.Floor
}

// Floor returns the floor as far as it has been replayed.
func (a *Audit) Floor() *floor.Floor {
	if a.floor == nil {
		a.floor = floor.New()
	}
	return a.floor
}

// Add takes the next record.
func (a *Audit) Add(rec *ledgerv1.Record) error {
	if err := a.Floor().Admit(rec); err != nil {
		return err
	}
	if err := Apply(a.Floor(), rec); err != nil {
		return err
	}
	a.Records++
	a.Events += uint64(len(rec.GetEvents()))
	a.Revision, a.Last = rec.GetRevision(), rec.GetCommitTime().AsTime()
	if a.Records == 1 {
		a.First = a.Last
	}
	if n := len(a.Schemas); n > 0 && a.Schemas[n-1].Schema == rec.GetSchema() {
		a.Schemas[n-1].Last = rec.GetRevision()
	} else {
		a.Schemas = append(a.Schemas, Span{rec.GetSchema(), rec.GetRevision(), rec.GetRevision()})
	}
	return nil
}

// Finish verifies the floor that all records together make.
func (a *Audit) Finish() error {
	if err := a.Floor().Check(); err != nil {
		return fmt.Errorf("the floor that the records make breaks its own rules: %w", err)
	}
	return nil
}

// Agrees compares a snapshot with the floor as replayed up to its revision. One of an older schema tells less, and is not compared.
func (a *Audit) Agrees(snap *ledgerv1.Snapshot) error {
	if snap.GetSchema() != floor.Schema {
		return nil
	}
	if snap.GetRevision() != a.Revision {
		return fmt.Errorf("compare snapshot of revision %d with the floor at %d: they are not the same moment", snap.GetRevision(), a.Revision)
	}
	replayed := a.Floor().Snapshot()
	replayed.Hash = snap.GetHash()
	if !proto.Equal(replayed, snap) {
		return fmt.Errorf("snapshot of revision %d is not what the records up to it make; the records count", snap.GetRevision())
	}
	return nil
}

// JobsOpen returns how many jobs have not ended.
func (a *Audit) JobsOpen() int {
	n := 0
	for _, j := range a.Floor().Jobs {
		if j.End.IsZero() {
			n++
		}
	}
	return n
}

// Snapshot returns a snapshot of the floor at a head.
func (a *Audit) Snapshot(head ledger.Head) *ledgerv1.Snapshot {
	snap := a.Floor().Snapshot()
	snap.Hash = head.Hash
	return snap
}
