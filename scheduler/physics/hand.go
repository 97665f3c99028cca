package physics

import "time"

// Hand is work whose pace a person sets: t = start + per piece * pieces.
type Hand struct {
	Start    time.Duration // fetch, lay out, clear away
	PerPiece time.Duration
}

// Time returns the time for this many pieces. No pieces take none.
func (h Hand) Time(pieces int) (time.Duration, error) {
	var t total
	t.count("pieces", pieces, 0)
	t.duration("start", h.Start)
	t.duration("per_piece", h.PerPiece)
	if pieces > 0 {
		t.add("start", h.Start, 1)
		t.add("per_piece", h.PerPiece, int64(pieces))
	}
	return t.result()
}

// Handwork is an operation done by hand.
type Handwork string

// The operations done by hand.
const (
	Weed Handwork = "weed" // take away the film around the pieces
	Mask Handwork = "mask" // lay application tape over them
	Pack Handwork = "pack"
)

// UsualHand is what handwork usually takes, from the least to the most.
type UsualHand struct {
	Start    [2]time.Duration
	PerPiece [2]time.Duration
}

// Usually returns the usual figures for pieces about the size of a hand (all of them common practice, no source): small
// lettering takes several times as long to weed. Weeding means blades and hooks: cut away from the hand, blades in a
// closed bin.
func (h Handwork) Usually() (UsualHand, error) {
	span := func(least, most int) [2]time.Duration {
		return [2]time.Duration{time.Duration(least) * time.Second, time.Duration(most) * time.Second}
	}
	switch h {
	case Weed:
		return UsualHand{Start: span(60, 300), PerPiece: span(5, 60)}, nil
	case Mask:
		return UsualHand{Start: span(60, 300), PerPiece: span(3, 30)}, nil
	case Pack:
		return UsualHand{Start: span(60, 600), PerPiece: span(2, 20)}, nil
	default:
		return UsualHand{}, bad("operation", "is %.40q: give %s, %s or %s, or times of your own", h, Weed, Mask, Pack)
	}
}
