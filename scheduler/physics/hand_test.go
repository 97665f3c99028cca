package physics

import (
	"math"
	"testing"
	"time"

	"pgregory.net/rapid"
)

func TestHand(t *testing.T) {
	h := Hand{Start: time.Minute, PerPiece: 20 * time.Second}
	for pieces, want := range map[int]time.Duration{0: 0, 1: 80 * time.Second, 60: 21 * time.Minute} {
		if got, err := h.Time(pieces); got != want || err != nil {
			t.Errorf("%d: %v, %v, want %v", pieces, got, err, want)
		}
	}
	_, err := h.Time(-1)
	wantField(t, "negative", err, "pieces")
	_, err = Hand{Start: -1}.Time(1)
	wantField(t, "negative", err, "start")
	_, err = Hand{PerPiece: -1}.Time(0)
	wantField(t, "negative", err, "per_piece")
	_, err = Hand{PerPiece: math.MaxInt64}.Time(2)
	wantField(t, "overflow", err, "per_piece")
}

func TestUsualHand(t *testing.T) {
	for _, op := range []Handwork{Weed, Mask, Pack} {
		u, err := op.Usually()
		if err != nil || u.Start[0] <= 0 || u.Start[0] >= u.Start[1] || u.PerPiece[0] <= 0 || u.PerPiece[0] >= u.PerPiece[1] {
			t.Errorf("%s: %+v, %v", op, u, err)
		}
	}
	_, err := Handwork("juggle").Usually()
	wantField(t, "unknown", err, "operation")
}

func TestHandAddsUp(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		h := Hand{Start: time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "start")), PerPiece: time.Duration(rapid.Int64Range(0, 1e12).Draw(t, "piece"))}
		a, b := rapid.IntRange(1, 1000).Draw(t, "a"), rapid.IntRange(1, 1000).Draw(t, "b")
		ta, err1 := h.Time(a)
		tb, err2 := h.Time(b)
		both, err3 := h.Time(a + b)
		if err1 != nil || err2 != nil || err3 != nil || ta+tb-both != h.Start {
			t.Errorf("%v and %v alone, %v together: want one start less", ta, tb, both)
		}
	})
}
