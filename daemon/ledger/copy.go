package ledger

import (
	"bytes"
	"context"
	"errors"
	"fmt"
)

// ErrNotEmpty means that records were to be copied to where there are records already.
var ErrNotEmpty = errors.New("ledger: not empty")

// Copy copies every record of a ledger to an empty one, byte for byte, and the newest snapshot; progress, if not nil, is
// told how many of the records are there. Nobody may write to either meanwhile. Afterwards the copy is read from its
// first record to its last, and its head, which by the chain of hashes stands for every byte before it, is compared.
//
// A copy that failed half-way is no ledger to go on with, and is not gone on with: it is refused as not empty.
func Copy(ctx context.Context, from, to *JetStream, progress func(done, all uint64)) (Head, error) {
	if progress == nil {
		progress = func(uint64, uint64) {}
	}
	if err := to.checkEmpty(ctx); err != nil {
		return Head{}, fmt.Errorf("copy ledger: %w", err)
	}
	held, err := from.held(ctx)
	if err != nil {
		return Head{}, fmt.Errorf("copy ledger: %w", err)
	}
	if held.first > 1 {
		return Head{}, fmt.Errorf("copy ledger: %w", &CompactedError{After: 0, Oldest: held.first})
	}
	_, links, err := held.resume(0)
	if err != nil {
		return Head{}, fmt.Errorf("copy ledger: %w", err)
	}
	err = from.read(ctx, StreamName, 1, held.last, func(data []byte) error {
		rec, err := links.next(data)
		if err != nil {
			return err
		}
		if _, err := to.Import(ctx, data); err != nil {
			return err
		}
		progress(rec.GetRevision(), held.last)
		return nil
	})
	if err != nil {
		return Head{}, fmt.Errorf("copy ledger: %w", err)
	}
	if err := copySnapshot(ctx, from, to); err != nil {
		return Head{}, fmt.Errorf("copy ledger: %w", err)
	}
	head := from.Head()
	if err := to.compareHead(ctx, head); err != nil {
		return Head{}, fmt.Errorf("copy ledger: read the copy: %w", err)
	}
	if after, err := from.held(ctx); err != nil || after.last != head.Revision {
		return Head{}, fmt.Errorf("copy ledger: %w", errors.Join(err,
			fmt.Errorf("%w: the ledger that was copied has grown from revision %d to %d meanwhile; stop who writes to it and copy anew", ErrConflict, head.Revision, after.last)))
	}
	return head, nil
}

// checkEmpty refuses a ledger that holds anything.
func (l *JetStream) checkEmpty(ctx context.Context) error {
	held, err := l.held(ctx)
	if err != nil {
		return err
	}
	snapshots, err := l.listSnapshots(ctx)
	if err != nil {
		return err
	}
	if held.last > 0 || len(snapshots) > 0 {
		return fmt.Errorf("%w: where the copy is to go there are %d revisions and %d snapshots; give it an empty place", ErrNotEmpty, held.last, len(snapshots))
	}
	return nil
}

// copySnapshot copies the newest snapshot, so that the next start is quick.
func copySnapshot(ctx context.Context, from, to *JetStream) error {
	snap, err := from.LoadSnapshot(ctx)
	if err != nil || snap == nil {
		return err
	}
	return to.SaveSnapshot(ctx, snap)
}

// compareHead reads a ledger from the first record to the last and compares its head.
func (l *JetStream) compareHead(ctx context.Context, want Head) error {
	held, err := l.held(ctx)
	if err != nil {
		return err
	}
	if held.first > 1 || held.last != want.Revision {
		return corrupt(want.Revision, "revisions %d to %d are held, not 1 to %d", held.first, held.last, want.Revision)
	}
	_, links, err := held.resume(0)
	if err != nil {
		return err
	}
	err = l.read(ctx, StreamName, 1, held.last, func(data []byte) error {
		_, err := links.next(data)
		return err
	})
	if err != nil {
		return err
	}
	if !bytes.Equal(links.head.Hash, want.Hash) {
		return corrupt(want.Revision, "its hash is %x, and %x was copied", links.head.Hash, want.Hash)
	}
	return nil
}

// Readers returns how many readers the store knows of: one of each process that follows the ledger, for as long as it
// follows and, if it was killed, for half a minute more.
func (l *JetStream) Readers(ctx context.Context) (int, error) {
	info, err := l.info(ctx)
	if err != nil {
		return 0, err
	}
	return info.State.Consumers, nil
}
