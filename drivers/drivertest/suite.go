package drivertest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing/synctest"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

func testFirstReport(f *floor) {
	driver, err := f.kind.New(f.env(1), f.kind.Example)
	if err != nil {
		f.Fatal(err)
	}
	ctx, cancel := context.WithCancel(f.Context())
	reports := make(chan *driverv1.Status, 100)
	ended := make(chan error, 1)
	go func() { ended <- driver.Run(ctx, nil, func(s *driverv1.Status) { reports <- proto.CloneOf(s) }) }()
	select {
	case s := <-reports:
		if s.GetState() != tandemv1.DeviceState_DEVICE_STATE_IDLE || s.GetPhase() != tandemv1.DevicePhase_DEVICE_PHASE_IDLE || len(s.GetRuns()) != 0 {
			f.Errorf("the first report is %v, want idle with nothing in hand", s)
		}
	case <-time.After(promptly):
		f.Errorf("no report within %s", promptly)
	}
	cancel()
	f.returns(ended)
}

func (f *floor) returns(ended <-chan error) {
	f.Helper()
	select {
	case err := <-ended:
		if err != nil {
			f.Errorf("Run returns %v after its context has ended, want nil", err)
		}
	case <-time.After(promptly):
		f.Errorf("Run has not returned %s after its context ended", promptly)
	}
}

func testAttendedStart(f *floor) {
	if f.kind.Manual {
		f.Skip("people move what there is to move")
	}
	defer f.start()()
	f.take(f.daemon.Grant(f.marked(job("r1", 1, false))))
	f.within(promptly, "the run waits for its start", func() bool {
		return f.state("r1") == tandemv1.JobState_JOB_STATE_PENDING &&
			slices.Contains(f.daemon.Run("r1").GetStateReasons(), drivers.ReasonAwaitingStart)
	})
	time.Sleep(longEnough)
	for _, s := range f.tap.reports() {
		if r := find(s, "r1"); r != nil && r.GetState() != tandemv1.JobState_JOB_STATE_PENDING {
			f.Fatalf("without a start the run is %v", r)
		}
		if s.GetState() != tandemv1.DeviceState_DEVICE_STATE_IDLE {
			f.Fatalf("without a start the device is %v", s)
		}
	}
	f.take(f.daemon.Grant(f.marked(started("r1", 1))))
	f.finish("r1", 1)
	f.check()
}

func testOneEnd(f *floor) {
	defer f.start()()
	f.take(f.daemon.Grant(started("r1", 1)))
	f.finish("r1", 1)
	f.take(f.daemon.Settle("r9", 9)) // concerns another run, and makes it report again
	time.Sleep(longEnough)
	f.check()
	if f.kind.Manual {
		return
	}
	r := f.daemon.Run("r1")
	if good, bad := r.GetPiecesGood(), r.GetPiecesSpoiled(); good+bad != pieces || r.GetFraction() != 1 {
		f.Errorf("completed with %d good and %d spoiled of %d pieces, fraction %g", good, bad, pieces, r.GetFraction())
	}
	if r.GetStartTime() == nil || r.GetEndTime() == nil || r.GetEndTime().AsTime().Before(r.GetStartTime().AsTime()) {
		f.Errorf("it has begun at %v and ended at %v", r.GetStartTime(), r.GetEndTime())
	}
}

func testSameOrder(f *floor) {
	defer f.start()()
	g := started("r1", 1)
	for range 3 {
		f.take(f.daemon.Grant(g))
	}
	f.works("r1")
	begin := f.daemon.Run("r1").GetStartTime().AsTime()
	for range 3 {
		time.Sleep(time.Minute)
		f.take(f.daemon.Grant(g))
	}
	// The same run with another content is the same run.
	g.Documents = []*tandemv1.Document{{Role: "cut", Uri: "file:cut"}}
	f.take(f.daemon.Grant(g))
	f.wait("the run ends", func() bool { return f.kind.Manual || drivers.Ended(f.state("r1")) })
	f.take(f.daemon.Grant(g))
	time.Sleep(longEnough)
	if got := f.daemon.Run("r1").GetStartTime().AsTime(); !got.Equal(begin) {
		f.Errorf("the run has begun at %v, and again at %v", begin, got)
	}
	f.check()
}

func testStopWaiting(f *floor) {
	defer f.start()()
	g := job("r1", 1, false)
	g.ReadyTime = timestamppb.New(time.Now().Add(time.Hour))
	f.take(f.daemon.Grant(g))
	f.within(promptly, "the run is in hand", func() bool { return f.daemon.Run("r1") != nil })
	f.take(f.daemon.Stop("r1", 1))
	f.within(promptly, "it is canceled", func() bool { return f.state("r1") == tandemv1.JobState_JOB_STATE_CANCELED })
	f.idle()
	f.check()
}

func testStopWorking(f *floor) {
	defer f.start()()
	g := started("r1", 1)
	g.ReadyTime = timestamppb.New(time.Now().Add(time.Hour))
	f.take(f.daemon.Grant(g))
	f.works("r1")
	time.Sleep(10 * time.Minute)
	for range 2 {
		f.take(f.daemon.Stop("r1", 1))
	}
	f.wait("it is canceled", func() bool { return f.state("r1") == tandemv1.JobState_JOB_STATE_CANCELED })
	f.idle()
	f.check()
	f.take(f.daemon.Settle("r1", 1))
	f.take(f.daemon.Grant(started("r2", 2)))
	f.finish("r2", 2)
}

func testSettle(f *floor) {
	defer f.start()()
	f.take(f.daemon.Settle("r0", 1)) // of a run that it has never had
	f.take(f.daemon.Grant(started("r1", 2)))
	f.finish("r1", 2)
	for range 2 {
		f.take(f.daemon.Settle("r1", 2))
	}
	f.idle()
	time.Sleep(longEnough)
	if runs := f.daemon.Last().GetRuns(); len(runs) != 0 {
		f.Errorf("after it was settled the device has in hand %v", runs)
	}
	reports := f.tap.reports()
	if runs := reports[len(reports)-1].GetRuns(); len(runs) != 0 {
		f.Errorf("after it was settled the driver still lists %v", runs)
	}
	f.check()
}

func testRunAfterRun(f *floor) {
	defer f.start()()
	for i := range uint64(5) {
		run := fmt.Sprintf("r%d", i)
		f.take(f.daemon.Grant(started(run, i+1)))
		f.finish(run, i+1)
		if i%2 == 0 {
			f.take(f.daemon.Settle(run, i+1))
		}
	}
	f.idle()
	f.check()
}

func testCapacity(f *floor) {
	defer f.start()()
	g := started("r1", 1)
	g.ReadyTime = timestamppb.New(time.Now().Add(time.Hour))
	f.take(f.daemon.Grant(g))
	f.works("r1")
	answer := f.daemon.Grant(started("r2", 2))
	if !strings.HasPrefix(answer.GetRefused(), drivers.RefusedBusy) || !strings.Contains(answer.GetRefused(), "r1") {
		f.Errorf("a second run is answered with %v, want busy with r1", answer)
	}
	f.finish("r1", 1)
	time.Sleep(longEnough)
	for _, s := range f.daemon.Statuses() {
		if find(s.Status, "r2") != nil {
			f.Fatalf("a run that was refused is in hand: %v", s.Status)
		}
	}
}

func testOperation(f *floor) {
	defer f.start()()
	g := started("r1", 1)
	g.Operation = "engrave"
	if answer := f.daemon.Grant(g); !strings.HasPrefix(answer.GetRefused(), drivers.RefusedOperation) {
		f.Errorf("an operation that is not its own is answered with %v", answer)
	}
	time.Sleep(longEnough)
	if s := f.daemon.Last(); len(s.GetRuns()) != 0 || s.GetState() != tandemv1.DeviceState_DEVICE_STATE_IDLE {
		f.Errorf("and leaves the device as %v", s)
	}
}

func testReadyTime(f *floor) {
	defer f.start()()
	ready := time.Now().Add(2 * time.Hour)
	g := started("r1", 1)
	g.ReadyTime = timestamppb.New(ready)
	f.take(f.daemon.Grant(g))
	f.finish("r1", 1)
	time.Sleep(longEnough)
	for _, s := range f.daemon.Statuses() {
		if r := find(s.Status, "r1"); r.GetState() == tandemv1.JobState_JOB_STATE_COMPLETED && s.At.Before(ready) {
			f.Fatalf("completed at %v, not ready before %v", s.At, ready)
		}
	}
	f.check()
}

func testUnknownOrders(f *floor) {
	driver, err := f.kind.New(f.env(1), f.kind.Example)
	if err != nil {
		f.Fatal(err)
	}
	ctx, cancel := context.WithCancel(f.Context())
	orders := make(chan *driverv1.Order)
	ended := make(chan error, 1)
	var last *driverv1.Status
	go func() { ended <- driver.Run(ctx, orders, func(s *driverv1.Status) { last = proto.CloneOf(s) }) }()
	for _, o := range []*driverv1.Order{
		{},
		{Kind: &driverv1.Order_Stop{Stop: &driverv1.Stop{Run: "r9", Fence: 9}}},
		{Kind: &driverv1.Order_Settle{Settle: &driverv1.Settle{Run: "r9", Fence: 9}}},
		{Kind: &driverv1.Order_Stop{}},
	} {
		select {
		case orders <- o:
		case err := <-ended:
			f.Fatalf("Run returns %v", err)
		case <-time.After(promptly):
			f.Fatalf("the driver has not taken %v within %s", o, promptly)
		}
	}
	synctest.Wait()
	if last.GetState() != tandemv1.DeviceState_DEVICE_STATE_IDLE || len(last.GetRuns()) != 0 {
		f.Errorf("after orders for runs it does not have, the driver reports %v", last)
	}
	cancel()
	f.returns(ended)
}

func testReturnIdle(f *floor) {
	f.start()()
}

func testReturnWaiting(f *floor) {
	stop := f.start()
	f.take(f.daemon.Grant(job("r1", 1, false)))
	f.within(promptly, "the run is in hand", func() bool { return f.daemon.Run("r1") != nil })
	begin := time.Now()
	stop()
	f.promptlySince(begin)
}

func testReturnWorking(f *floor) {
	for wait := range 5 {
		fence := uint64(wait + 1)
		stop := f.start()
		run := fmt.Sprintf("r%d", wait)
		for _, r := range f.daemon.Last().GetRuns() { // what the device has gone on with
			f.take(f.daemon.Settle(r.GetRun(), r.GetFence()))
		}
		f.idle()
		f.take(f.daemon.Grant(started(run, fence)))
		f.works(run)
		time.Sleep(time.Duration(wait) * 9 * time.Minute)
		begin := time.Now()
		stop()
		f.promptlySince(begin)
	}
}

func (f *floor) promptlySince(begin time.Time) {
	f.Helper()
	if took := time.Since(begin); took > promptly {
		f.Errorf("the host has taken %s to return, want at most %s", took, promptly)
	}
}

// testRunAgain calls Run a second time, as the host does when a device has been lost. What may have begun is handed over
// again without its start, and must not begin anew.
func testRunAgain(f *floor) {
	driver, err := f.kind.New(f.env(1), f.kind.Example)
	if err != nil {
		f.Fatal(err)
	}
	var last *driverv1.Status
	var begun []time.Time
	run := func(g *driverv1.Grant, during time.Duration) {
		ctx, cancel := context.WithTimeout(f.Context(), during)
		defer cancel()
		orders := make(chan *driverv1.Order, 1)
		orders <- &driverv1.Order{Kind: &driverv1.Order_Grant{Grant: g}}
		err := driver.Run(ctx, orders, func(s *driverv1.Status) {
			last = proto.CloneOf(s)
			if r := find(s, g.GetRun()); r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING && r.GetStartTime() != nil {
				begun = append(begun, r.GetStartTime().AsTime())
			}
		})
		if err != nil && !errors.Is(err, context.DeadlineExceeded) {
			f.Fatalf("Run returns %v", err)
		}
	}
	g := started("r1", 1)
	run(g, 10*time.Minute)
	before := find(last, "r1")
	if before == nil {
		f.Fatalf("the run is not in hand: %v", last)
	}
	g = proto.CloneOf(g)
	g.MayStart = f.kind.Manual
	run(g, longEnough)
	after := find(last, "r1")
	if after == nil {
		f.Fatalf("after another Run the run is not in hand: %v", last)
	}
	if len(begun) > 0 && slices.ContainsFunc(begun, func(t time.Time) bool { return !t.Equal(begun[0]) }) {
		f.Errorf("it has begun at %v", slices.Compact(begun))
	}
	if after.GetPiecesGood() < before.GetPiecesGood() {
		f.Errorf("it has made %d pieces, and then %d", before.GetPiecesGood(), after.GetPiecesGood())
	}
}
