package ledger_test

import (
	"bytes"
	"context"
	"errors"
	"testing"
	"time"

	"tandem/daemon/ledger"
	"tandem/daemon/ledger/ledgertest"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// pair is a ledger opened twice: by who writes and by who follows.
type pair struct {
	writer   ledger.Ledger
	follower ledger.Followed
}

func pairs(t *testing.T) map[string]pair {
	s := startStore(t, t.TempDir())
	memory := ledger.NewMemory()
	return map[string]pair{
		"jetstream": {s.open(t, s.options()), s.open(t, s.options())},
		"memory":    {memory, memory},
	}
}

// A follower hears each record once and in order while another writes, and goes on writing where that one ended.
func TestFollow(t *testing.T) {
	for name, p := range pairs(t) {
		t.Run(name, func(t *testing.T) {
			want, head := ledgertest.Fill(t, p.writer, ledger.Head{}, 20, 1)
			ctx, cancel := context.WithTimeout(t.Context(), 30*time.Second)
			defer cancel()
			type heard struct {
				rec  *ledgerv1.Record
				head ledger.Head
			}
			records := make(chan heard, 100)
			ended := make(chan error, 1)
			go func() {
				ended <- p.follower.Follow(ctx, 5, func(rec *ledgerv1.Record, head ledger.Head) error {
					records <- heard{rec, head}
					return nil
				})
			}()
			var got []*ledgerv1.Record
			var last ledger.Head
			take := func(n int) {
				for range n {
					select {
					case h := <-records:
						got, last = append(got, h.rec), h.head
					case <-ctx.Done():
						t.Fatalf("heard %d records, not %d more", len(got), n)
					}
				}
			}
			take(15)
			for range 3 {
				more, next := ledgertest.Fill(t, p.writer, head, 10, 2)
				want, head = append(want, more...), next
				take(10)
			}
			ledgertest.Same(t, got, want[5:])
			if last.Revision != head.Revision || !bytes.Equal(last.Hash, head.Hash) || last.Term != head.Term || !last.CommitTime.Equal(head.CommitTime) {
				t.Errorf("the follower's head is %+v, want %+v", last, head)
			}
			cancel()
			if err := <-ended; !errors.Is(err, context.Canceled) {
				t.Errorf("the end of the context ends it with %v", err)
			}
			ledgertest.Fill(t, p.follower, last, 3, 1)
		})
	}
}

func TestCatchUp(t *testing.T) {
	for name, p := range pairs(t) {
		t.Run(name, func(t *testing.T) {
			if err := p.follower.CatchUp(t.Context(), 0, func(*ledgerv1.Record, ledger.Head) error { return errors.New("called") }); err != nil {
				t.Errorf("an empty ledger: %v", err)
			}
			_, head := ledgertest.Fill(t, p.writer, ledger.Head{}, 9, 1)
			if name != "memory" { // there the two are one
				if _, err := p.follower.Append(t.Context(), ledgertest.Next(head, 1)); !errors.Is(err, ledger.ErrConflict) {
					t.Errorf("append before catching up: got error %v, want ErrConflict", err)
				}
			}
			var last ledger.Head
			err := p.follower.CatchUp(t.Context(), 4, func(_ *ledgerv1.Record, h ledger.Head) error { last = h; return nil })
			if err != nil || last.Revision != 9 || !bytes.Equal(last.Hash, head.Hash) {
				t.Errorf("caught up to %+v, error %v, want %+v", last, err, head)
			}
			ledgertest.Fill(t, p.follower, last, 1, 1)
			mine := errors.New("mine")
			if err := p.follower.CatchUp(t.Context(), 0, func(*ledgerv1.Record, ledger.Head) error { return mine }); err != mine { //nolint:errorlint // as it is
				t.Errorf("the follower's own error comes back as %v", err)
			}
			if err := p.follower.Follow(t.Context(), 0, func(*ledgerv1.Record, ledger.Head) error { return mine }); err != mine { //nolint:errorlint // as it is
				t.Errorf("and from Follow as %v", err)
			}
		})
	}
}

// A record that is not what its writer should have written ends the following.
func TestFollowDamage(t *testing.T) {
	s := startStore(t, t.TempDir())
	writer, follower := s.open(t, s.options()), s.open(t, s.options())
	_, head := ledgertest.Fill(t, writer, ledger.Head{}, 3, 1)
	forged := ledgertest.Next(head, 1)
	forged.PreviousHash = bytes.Repeat([]byte{7}, 32)
	publish(t, s, []*ledgerv1.Record{forged})
	ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
	defer cancel()
	n := 0
	err := follower.Follow(ctx, 0, func(*ledgerv1.Record, ledger.Head) error { n++; return nil })
	if !errors.Is(err, ledger.ErrCorrupt) || n != 3 {
		t.Errorf("%d records followed, then error %v; want 3, then ErrCorrupt", n, err)
	}
}

// Who has replayed what another wrote after the ledger was opened has nothing more to catch up with, and goes on from there.
func TestCatchUpWithNothing(t *testing.T) {
	s := startStore(t, t.TempDir())
	writer, follower := s.open(t, s.options()), s.open(t, s.options())
	_, head := ledgertest.Fill(t, writer, ledger.Head{}, 5, 1)
	ledgertest.Collect(t, follower, 0)
	if err := follower.CatchUp(t.Context(), 5, func(*ledgerv1.Record, ledger.Head) error { return errors.New("called") }); err != nil {
		t.Fatal(err)
	}
	ledgertest.Fill(t, follower, head, 1, 1)
}
