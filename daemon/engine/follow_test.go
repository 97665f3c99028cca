package engine_test

import (
	"context"
	"errors"
	"fmt"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// shared is a ledger that several engines have open, each with the head that it knows: as processes on one cluster.
type shared struct {
	*ledger.Memory
}

func (s *shared) Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	if rec.GetRevision() != s.Memory.Head().Revision+1 {
		return ledger.Head{}, fmt.Errorf("%w: revision %d", ledger.ErrConflict, rec.GetRevision())
	}
	return s.Memory.Append(ctx, rec)
}

func following(t *testing.T, store ledger.Ledger, name string, leads func() error) *engine.Engine {
	t.Helper()
	e, err := engine.Open(t.Context(), engine.Options{
		Ledger: store, Clock: clock.Wall(), File: shop, Period: period, Leader: name, Leads: leads,
		Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
	})
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// One engine leads and another follows; the second takes over without reading anything again, and the first cannot store
// a thing afterwards.
func TestFollowAndTakeOver(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := ledger.NewMemory()
		old, young := following(t, &shared{Memory: store}, "old", nil), following(t, &shared{Memory: store}, "young", nil)
		ctx, cancel := context.WithCancel(t.Context())
		oldEnded := make(chan error, 1)
		go func() { oldEnded <- old.Run(ctx) }()
		followed := make(chan error, 1)
		following, stop := context.WithCancel(ctx)
		go func() { followed <- young.Follow(following) }()
		for i := range 20 {
			if _, err := old.Do(ctx, floor.Meta{Actor: "a"}, floor.CreateJob{Job: decals(fmt.Sprintf("job-%d", i), 1)}); err != nil {
				t.Fatal(err)
			}
		}
		synctest.Wait()
		stop()
		if err := <-followed; !errors.Is(err, context.Canceled) {
			t.Errorf("following ends with %v", err)
		}
		if young.Head().Revision != store.Head().Revision {
			t.Errorf("the follower is at revision %d, the ledger at %d", young.Head().Revision, store.Head().Revision)
		}
		if _, err := old.Do(ctx, floor.Meta{Actor: "a"}, floor.CreateJob{Job: decals("last", 1)}); err != nil {
			t.Fatal(err)
		}
		if n, err := young.CatchUp(ctx); err != nil || n != 1 {
			t.Errorf("%d records caught up, %v; want the one that came last", n, err)
		}
		youngEnded := make(chan error, 1)
		go func() { youngEnded <- young.Run(ctx) }()
		if _, err := young.Do(ctx, floor.Meta{Actor: "a"}, floor.CreateJob{Job: decals("next", 1)}); err != nil {
			t.Fatal(err)
		}
		if _, err := old.Do(ctx, floor.Meta{Actor: "a"}, floor.CreateJob{Job: decals("stale", 1)}); !errors.Is(err, engine.ErrStopped) {
			t.Errorf("the old leader answers with %v, want ErrStopped", err)
		}
		if err := <-oldEnded; !errors.Is(err, ledger.ErrConflict) || !errors.Is(err, engine.ErrStopped) {
			t.Errorf("the old leader ends with %v, want ErrConflict", err)
		}
		cancel()
		if err := <-youngEnded; err != nil {
			t.Error(err)
		}
		var leaders []string
		err := store.Replay(t.Context(), 0, func(rec *ledgerv1.Record) error {
			for _, e := range rec.GetEvents() {
				if b := e.GetTermBegan(); b != nil {
					leaders = append(leaders, fmt.Sprintf("%d %s", b.GetTerm(), b.GetLeader()))
				}
			}
			return nil
		})
		if err != nil || fmt.Sprint(leaders) != "[1 old 2 young]" {
			t.Errorf("the terms are %v, %v", leaders, err)
		}
	})
}

// A record of an older term counts for nothing, however it came into the ledger.
func TestOldTermIsRefused(t *testing.T) {
	store := ledger.NewMemory()
	w := open(t, store)
	w.do(floor.Meta{Actor: "a"}, floor.CreateJob{Job: decals("one", 1)})
	if err := w.stop(); err != nil {
		t.Fatal(err)
	}
	head := store.Head()
	late := &staleReader{Followed: store, change: func(rec *ledgerv1.Record) { rec.Term = head.Term - 1 }, at: head.Revision}
	var refused *floor.Error
	if _, err := engine.Open(t.Context(), engine.Options{Ledger: late, Clock: clock.Wall(), Period: period}); !errors.As(err, &refused) || refused.Reason != "OLD_TERM" {
		t.Errorf("restored from a record of an older term: %v", err)
	}
	e, err := engine.Open(t.Context(), engine.Options{Ledger: &staleReader{Followed: store, until: head.Revision - 1, change: late.change, at: late.at}, Clock: clock.Wall(), Period: period})
	if err != nil {
		t.Fatal(err)
	}
	if _, err := e.CatchUp(t.Context()); !errors.As(err, &refused) || refused.Reason != "OLD_TERM" {
		t.Errorf("caught up with a record of an older term: %v", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Second)
	defer cancel()
	if err := e.Follow(ctx); !errors.As(err, &refused) || refused.Reason != "OLD_TERM" {
		t.Errorf("followed a record of an older term: %v", err)
	}
}

// staleReader is a ledger that gives out one record changed, as the store never should; Replay ends at until, if set.
type staleReader struct {
	ledger.Followed
	change    func(*ledgerv1.Record)
	at, until uint64
}

var errEnough = errors.New("enough")

func (s *staleReader) changed(rec *ledgerv1.Record) *ledgerv1.Record {
	rec = proto.CloneOf(rec)
	if rec.GetRevision() == s.at {
		s.change(rec)
	}
	return rec
}

func (s *staleReader) LoadSnapshot(context.Context) (*ledgerv1.Snapshot, error) { return nil, nil }

func (s *staleReader) Replay(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error) error {
	err := s.Followed.Replay(ctx, after, func(rec *ledgerv1.Record) error {
		if s.until > 0 && rec.GetRevision() > s.until {
			return errEnough
		}
		return fn(s.changed(rec))
	})
	if errors.Is(err, errEnough) {
		return nil
	}
	return err
}

func (s *staleReader) CatchUp(ctx context.Context, after uint64, fn func(*ledgerv1.Record, ledger.Head) error) error {
	return s.Followed.CatchUp(ctx, after, func(rec *ledgerv1.Record, h ledger.Head) error { return fn(s.changed(rec), h) })
}

func (s *staleReader) Follow(ctx context.Context, after uint64, fn func(*ledgerv1.Record, ledger.Head) error) error {
	return s.Followed.Follow(ctx, after, func(rec *ledgerv1.Record, h ledger.Head) error { return fn(s.changed(rec), h) })
}

// An engine that is told that it no longer leads stores nothing more, and says so before it touches the ledger.
func TestLeadsNoMore(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := ledger.NewMemory()
		over := errors.New("over")
		var lost error
		e := following(t, store, "a", func() error { return lost })
		ended := make(chan error, 1)
		go func() { ended <- e.Run(t.Context()) }()
		if _, err := e.Do(t.Context(), floor.Meta{Actor: "a"}, floor.CreateJob{Job: decals("one", 1)}); err != nil {
			t.Fatal(err)
		}
		synctest.Wait()
		before := store.Head().Revision
		lost = over
		if _, err := e.Do(t.Context(), floor.Meta{Actor: "a"}, floor.CreateJob{Job: decals("two", 1)}); !errors.Is(err, over) {
			t.Errorf("got %v", err)
		}
		if err := <-ended; !errors.Is(err, over) || !errors.Is(err, engine.ErrStopped) {
			t.Errorf("the engine ends with %v", err)
		}
		if got := store.Head().Revision; got != before {
			t.Errorf("revision %d was stored after the lead was lost", got)
		}
	})
}

// A ledger of one process cannot be followed.
func TestFollowWhatIsNotShared(t *testing.T) {
	e := following(t, onlyLedger{ledger.NewMemory()}, "", nil)
	if err := e.Follow(t.Context()); err == nil {
		t.Error("it is followed")
	}
	if _, err := e.CatchUp(t.Context()); err == nil {
		t.Error("it is caught up with")
	}
}

type onlyLedger struct{ ledger.Ledger }
