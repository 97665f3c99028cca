package mirror_test

import (
	"context"
	"fmt"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/daemon/mirror"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// A snapshot of the mirror is the one that the engine's own floor would give, hash included, so the ledger takes it and a start from it
// goes on where the engine was.
func TestSnapshotsOfTheMirror(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := ledger.NewMemory()
		var copied *mirror.Mirror
		asked := 0
		opt := engine.Options{
			Ledger: store, Clock: clock.Wall(), Period: time.Second, SnapshotEvents: 5,
			File: &tandemv1.FloorFile{Devices: []*tandemv1.Device{{Id: "printer", Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "print"}}}}},
			Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {},
			Snapshot: func() (*ledgerv1.Snapshot, bool) {
				asked++
				return copied.Snapshot()
			},
		}
		e, err := engine.Open(t.Context(), opt)
		if err != nil {
			t.Fatal(err)
		}
		copied = mirror.New(e, time.Now, nil)
		if _, ok := copied.Snapshot(); ok {
			t.Error("a mirror that has not begun has a snapshot")
		}
		ctx, cancel := context.WithCancel(t.Context())
		var running sync.WaitGroup
		running.Go(func() { _ = e.Run(ctx) })
		running.Go(func() { copied.Run(ctx) })
		for i := range 20 {
			j := &tandemv1.Job{Id: fmt.Sprint("job-", i), Pieces: 1, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}}}
			if _, err := e.Do(ctx, floor.Meta{Actor: "rip", RequestID: fmt.Sprint("r", i)}, floor.CreateJob{Job: j}); err != nil {
				t.Fatal(err)
			}
			time.Sleep(time.Second)
		}
		synctest.Wait()
		var want *ledgerv1.Snapshot
		if err := e.View(ctx, func(st engine.State) {
			want = st.Floor.Snapshot()
			want.Hash = st.Head.Hash
		}); err != nil {
			t.Fatal(err)
		}
		if got, ok := copied.Snapshot(); !ok || !proto.Equal(got, want) {
			t.Errorf("the mirror says %v, the engine's floor %v", got, want)
		}
		saved, err := store.LoadSnapshot(ctx)
		if err != nil || saved.GetRevision() < 10 || asked < 2 {
			t.Errorf("asked %d times, and the ledger has a snapshot of revision %d: %v", asked, saved.GetRevision(), err)
		}
		cancel()
		running.Wait()
	})
}

// Those who compute take turns, rest as long as their share of a core says, and stop with their context.
func TestPace(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		load := 0.
		pace := mirror.NewPace(func() float64 { return load })
		ctx, cancel := context.WithCancel(t.Context())
		busy, most := 0, 0
		work := func(s *mirror.Stint, total time.Duration) {
			for done := time.Duration(0); done < total; done += time.Millisecond {
				busy++
				most = max(most, busy)
				time.Sleep(time.Millisecond) // stands for computing
				busy--
				if err := s.Breathe(ctx); err != nil {
					t.Error(err)
				}
			}
		}
		began := time.Now()
		one, err := pace.Begin(ctx, 0.25)
		if err != nil {
			t.Fatal(err)
		}
		work(one, 100*time.Millisecond)
		if took := time.Since(began); took != 400*time.Millisecond || one.Spent() != 100*time.Millisecond {
			t.Errorf("100 ms of work at a quarter of a core took %v, of which %v were counted", took, one.Spent())
		}
		one.End()
		for _, c := range []struct {
			busy float64
			want time.Duration
		}{{0.5, 80 * time.Millisecond}, {1, 320 * time.Millisecond}} {
			load, began = c.busy, time.Now()
			if one, err = pace.Begin(ctx, 0.25); err != nil {
				t.Fatal(err)
			}
			work(one, 10*time.Millisecond)
			if took := time.Since(began); took != c.want {
				t.Errorf("10 ms of work at a quarter of a core took %v beside an engine that is busy for %v of its time, want %v", took, c.busy, c.want)
			}
			one.End()
		}
		load = 0
		var all sync.WaitGroup
		for range 3 {
			all.Go(func() {
				s, err := pace.Begin(ctx, 0.5)
				if err != nil {
					t.Error(err)
					return
				}
				defer s.End()
				work(s, 50*time.Millisecond)
			})
		}
		all.Wait()
		if most != 1 {
			t.Errorf("%d computed at the same time", most)
		}
		holds, err := pace.Begin(ctx, 1)
		if err != nil {
			t.Fatal(err)
		}
		all.Go(func() {
			if _, err := pace.Begin(ctx, 1); err == nil {
				t.Error("began although another computes")
			}
		})
		synctest.Wait()
		cancel()
		all.Wait()
		holds.End()
		holds.End()
		if holds.Breathe(ctx) == nil {
			t.Error("breathes on after its context has ended")
		}
	})
}
