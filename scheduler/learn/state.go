package learn

import (
	"fmt"
	"slices"
	"time"

	"tandem/scheduler/badfield"
)

// State is all a model holds.
type State struct {
	Turn uint64 // observations so far
	Keys []KeyState
}

// KeyState is what a model holds of one key.
type KeyState struct {
	Key           Key
	Ratios        []int32 // working time over predicted time in millionths, oldest first
	Counts        Counts
	Turn          uint64 // of the last observation
	LastPredicted time.Duration
	LastActual    time.Duration
}

// State returns a copy of what the model holds, by device, operation and mode.
func (m *Model) State() State {
	s := State{Turn: m.turn, Keys: make([]KeyState, 0, len(m.keys))}
	for _, r := range m.sorted() {
		s.Keys = append(s.Keys, KeyState{
			Key: r.key, Ratios: r.oldestFirst(), Counts: r.counts, Turn: r.turn,
			LastPredicted: r.lastPredicted, LastActual: r.lastActual,
		})
	}
	return s
}

// Restore returns a model that answers, and goes on learning, as the one whose state this is. Assume is as in New. An error is
// an *Error.
func Restore(s State, assume func(operation string) Prior) (*Model, error) {
	if len(s.Keys) > mostKeys {
		return nil, badfield.New("keys", "has %d of them; at most %d are held", len(s.Keys), mostKeys)
	}
	m := New(assume)
	m.turn = s.Turn
	turns := make(map[uint64]bool, len(s.Keys))
	for i, k := range s.Keys {
		err := k.check(s.Turn)
		switch {
		case err != nil:
		case m.keys[k.Key] != nil:
			err = badfield.New("key", "%v is there twice; keep one", k.Key)
		case turns[k.Turn]:
			err = badfield.New("turn", "%d is that of another key; an observation has one key", k.Turn)
		}
		if err != nil {
			return nil, badfield.New(fmt.Sprintf("keys[%d].%s", i, err.Field), "%s", err.Message)
		}
		turns[k.Turn] = true
		r := &record{
			key: k.Key, ring: slices.Clone(k.Ratios), counts: k.Counts, turn: k.Turn,
			lastPredicted: k.LastPredicted, lastActual: k.LastActual,
		}
		m.keys[k.Key] = r
		m.touch(r)
	}
	return m, nil
}

func (k KeyState) check(turn uint64) *Error {
	if err := k.Key.check(); err != nil {
		return err
	}
	if len(k.Ratios) > ringSize {
		return badfield.New("ratios", "has %d of them; at most %d are held", len(k.Ratios), ringSize)
	}
	for i, r := range k.Ratios {
		if r < leastRatio || r > largestRatio {
			return badfield.New(fmt.Sprintf("ratios[%d]", i), "is %d; it must be from %d to %d millionths", r, leastRatio, largestRatio)
		}
	}
	switch {
	case k.Counts.Learned < uint64(len(k.Ratios)):
		return badfield.New("counts.learned", "is %d; there are %d ratios", k.Counts.Learned, len(k.Ratios))
	case k.Turn == 0 || k.Turn > turn:
		return badfield.New("turn", "is %d; it must be from 1 to the %d observations so far", k.Turn, turn)
	case k.LastPredicted < 0 || k.LastPredicted > longest:
		return badfield.New("last_predicted", "is %v; it must be from 0 to %v", k.LastPredicted, longest)
	case k.LastActual < 0 || k.LastActual > longest:
		return badfield.New("last_actual", "is %v; it must be from 0 to %v", k.LastActual, longest)
	}
	return nil
}
