package ledger

import (
	"context"
	"errors"
	"fmt"
)

// Whether a floor may go on from a ledger stands in the description of its stream: it is stored where the records are, goes where
// they go, and a program that does not know the words refuses the settings.
const (
	// goesOn is the description of a ledger that is written.
	goesOn = "tandem: store of record; never purge, never delete"
	// beingCopied is that of one into which another is being copied: what it holds is a part.
	beingCopied = "tandem: copy not finished; do not go on from it"
	// movedAway is that of one that was copied to another place and goes on there.
	movedAway = "tandem: moved away; do not go on from it"
)

// Descriptions returns those that the stream of a ledger may have, one after the other.
func Descriptions() []string { return []string{beingMade, goesOn, beingCopied, movedAway} }

var (
	// ErrUnfinished means that a ledger is part of a copy that was interrupted. The remedy is to copy again, which goes on there.
	ErrUnfinished = errors.New("ledger: the copy into this place is not finished")
	// ErrMovedAway means that a ledger was copied to another place and goes on there. The remedy is to go on there, or to copy it
	// back, which adds what is missing here.
	ErrMovedAway = errors.New("ledger: moved away from this place")
)

// Standing is nil for a ledger that a floor may go on from, or ErrUnfinished or ErrMovedAway: only Options.Resting opens one of
// those.
func (l *JetStream) Standing() error {
	l.mu.Lock()
	defer l.mu.Unlock()
	return standingOf(l.description)
}

func standingOf(description string) error {
	switch description {
	case beingCopied:
		return ErrUnfinished
	case movedAway:
		return ErrMovedAway
	}
	return nil
}

// GoOn lets floors go on from a copy. It is called when the place that it was copied from has been told that it is left.
func (l *JetStream) GoOn(ctx context.Context) error { return l.describe(ctx, goesOn) }

// MoveAway keeps floors from going on from a ledger that was copied to another place.
func (l *JetStream) MoveAway(ctx context.Context) error { return l.describe(ctx, movedAway) }

// describe changes the description of the stream, and nothing else.
func (l *JetStream) describe(ctx context.Context, description string) error {
	stream, err := l.js.Stream(ctx, StreamName)
	if err != nil {
		return fmt.Errorf("ask for stream %s: %w", StreamName, err)
	}
	if cfg := stream.CachedInfo().Config; cfg.Description != description {
		cfg.Description = description
		if _, err := l.js.UpdateStream(ctx, cfg); err != nil {
			return fmt.Errorf("change stream %s: %w", StreamName, err)
		}
	}
	l.mu.Lock()
	defer l.mu.Unlock()
	l.description = description
	return nil
}
