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
// No floor goes on from a copy before GoOn says so. One that was interrupted is gone on with by the next Copy, and so is a ledger
// that was moved away: what it lacks of the other is added. Both are opened with Options.Resting.
func Copy(ctx context.Context, from, to *JetStream, progress func(done, all uint64)) (Head, error) {
	if progress == nil {
		progress = func(uint64, uint64) {}
	}
	if err := from.Standing(); errors.Is(err, ErrUnfinished) {
		return Head{}, fmt.Errorf("copy ledger: what would be copied is itself a part: %w; finish that copy first", err)
	}
	held, err := from.held(ctx)
	if err != nil {
		return Head{}, fmt.Errorf("copy ledger: %w", err)
	}
	if held.first > 1 {
		return Head{}, fmt.Errorf("copy ledger: %w", &CompactedError{After: 0, Oldest: held.first})
	}
	if err := to.checkBegins(ctx, from, held); err != nil {
		return Head{}, fmt.Errorf("copy ledger: %w", err)
	}
	if err := to.describe(ctx, beingCopied); err != nil {
		return Head{}, fmt.Errorf("copy ledger: %w", err)
	}
	done := to.Head().Revision
	_, links, err := held.resume(0)
	if err != nil {
		return Head{}, fmt.Errorf("copy ledger: %w", err)
	}
	err = from.read(ctx, StreamName, 1, held.last, func(data []byte) error {
		rec, err := links.next(data)
		if err != nil {
			return err
		}
		if rec.GetRevision() > done {
			if _, err := to.Import(ctx, data); err != nil {
				return err
			}
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

// checkBegins refuses a ledger that holds anything but the beginning of another one, left by a copy or by a move.
func (l *JetStream) checkBegins(ctx context.Context, other *JetStream, held span) error {
	own, err := l.held(ctx)
	if err != nil {
		return err
	}
	snapshots, err := l.listSnapshots(ctx)
	if err != nil {
		return err
	}
	if own.last == 0 && len(snapshots) == 0 {
		return nil
	}
	holds := fmt.Sprintf("where the copy is to go there are %d revisions and %d snapshots", own.last, len(snapshots))
	if own.last > held.last {
		return fmt.Errorf("%w: %s, more than the %d that would be copied; give it an empty place", ErrNotEmpty, holds, held.last)
	}
	hash, err := other.hashAt(ctx, held, own.last)
	if err != nil {
		return err
	}
	if !bytes.Equal(hash, l.Head().Hash) {
		return fmt.Errorf("%w: %s of another ledger; give it an empty place", ErrNotEmpty, holds)
	}
	goesOn := l.Standing() == nil
	switch {
	case goesOn && own.last == held.last:
		return fmt.Errorf("%w: %s, the whole of this ledger: nothing is left to copy", ErrNotEmpty, holds)
	case goesOn:
		return fmt.Errorf("%w: %s, the beginning of this ledger, from which a floor may go on; give it an empty place", ErrNotEmpty, holds)
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
