package engine_test

import (
	"context"
	"fmt"
	"math"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// slowLedger takes its time for each record.
type slowLedger struct {
	ledger.Ledger
	takes time.Duration
}

func (l slowLedger) Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	time.Sleep(l.takes)
	return l.Ledger.Append(ctx, rec)
}

// lonelyShop is an engine without devices on a fake clock.
func lonelyShop(t *testing.T, opt engine.Options) *engine.Engine {
	t.Helper()
	opt.Clock, opt.Period, opt.File = clock.Wall(), time.Second, &tandemv1.FloorFile{}
	opt.Send = func(string, *driverv1.Order, func(*driverv1.Answer, error)) {}
	e, err := engine.Open(t.Context(), opt)
	if err != nil {
		t.Fatal(err)
	}
	return e
}

// whileItRuns hands in a job, and holds it or lets it go each second after that.
func whileItRuns(t *testing.T, e *engine.Engine, seconds int, after func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	var running sync.WaitGroup
	running.Go(func() { _ = e.Run(ctx) })
	next := time.Now()
	for i := range seconds {
		var c floor.Command = floor.CreateJob{Job: &tandemv1.Job{Id: "job", Pieces: 1, Steps: []*tandemv1.Step{{Id: "print", Operation: "print"}}}}
		switch {
		case i == 0:
		case i%2 == 1:
			c = floor.HoldJob{Job: "job"}
		default:
			c = floor.ReleaseJob{Job: "job"}
		}
		if _, err := e.Do(ctx, floor.Meta{Actor: "rip", RequestID: fmt.Sprint("r", i)}, c); err != nil {
			t.Fatal(err)
		}
		next = next.Add(time.Second)
		time.Sleep(time.Until(next))
	}
	after()
	cancel()
	running.Wait()
}

// An engine that needs 0.6 s for each second's work is busy for six tenths of its time; one that has nothing to do is not.
func TestBusy(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		e := lonelyShop(t, engine.Options{Ledger: slowLedger{ledger.NewMemory(), 600 * time.Millisecond}})
		whileItRuns(t, e, 60, func() {
			if got := e.Busy(); math.Abs(got-0.6) > 0.25 { // a mean over about a second
				t.Errorf("busy for %.2f of its time, want about 0.6", got)
			}
			time.Sleep(10 * time.Second)
			if got := e.Busy(); got > 0.01 {
				t.Errorf("busy for %.2f of its time after ten seconds with nothing to do", got)
			}
		})
	})
}

// However much there is to save, snapshots take no more than a twentieth of the time.
func TestSnapshotsTakeASmallShareOfTheTime(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		const each, seconds = 2 * time.Second, 400
		asked := 0
		var e *engine.Engine
		e = lonelyShop(t, engine.Options{Ledger: ledger.NewMemory(), SnapshotEvents: 1, Snapshot: func() (*ledgerv1.Snapshot, bool) {
			asked++
			time.Sleep(each)
			ctx, cancel := context.WithTimeout(context.Background(), time.Second) // the loop may have ended meanwhile
			defer cancel()
			var snap *ledgerv1.Snapshot
			err := e.View(ctx, func(s engine.State) {
				snap = s.Floor.Snapshot()
				snap.Hash = s.Head.Hash
			})
			return snap, err == nil
		}})
		whileItRuns(t, e, seconds, func() {})
		if most := seconds / 40; asked > most+1 || asked < most-1 { // there is enough for one every few seconds
			t.Errorf("%d snapshots of %v in %d s", asked, each, seconds)
		}
	})
}
