// Package drivertest holds the conformance suite that every kind of driver passes, and a daemon in memory for tests of
// hosts and drivers. The suite runs in virtual time: a run of forty minutes takes no time. A kind's Example must work
// without a device, or with one that the test provides in the same process.
package drivertest

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap/zaptest"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/drivers"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	tandemv1 "tandem/proto/tandem/v1"
)

const (
	// promptly is how long a driver may take to report, or to return.
	promptly = 5 * time.Second
	// longEnough is when a run of the suite must have ended.
	longEnough = 12 * time.Hour
	// pieces is how many a run of the suite has.
	pieces = 20
	// operation is one that every driver of the suite can do.
	operation = "cut"
)

// Run runs the suite over a kind.
func Run(t *testing.T, kind drivers.Kind) {
	t.Run("kind is complete", func(t *testing.T) { testKind(t, kind) })
	for _, test := range []struct {
		name string
		run  func(*floor)
	}{
		{"reports without an order", testFirstReport},
		{"waits for its start", testAttendedStart},
		{"ends once", testOneEnd},
		{"does the same order once", testSameOrder},
		{"stops while it waits", testStopWaiting},
		{"stops while it works", testStopWorking},
		{"settles", testSettle},
		{"works run after run", testRunAfterRun},
		{"keeps to its capacity", testCapacity},
		{"refuses other operations", testOperation},
		{"respects the ready time", testReadyTime},
		{"ignores what it does not know", testUnknownOrders},
		{"returns when idle", testReturnIdle},
		{"returns while waiting", testReturnWaiting},
		{"returns while working", testReturnWorking},
		{"takes no harm from another Run", testRunAgain},
	} {
		t.Run(test.name, func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) { test.run(&floor{T: t, kind: kind, dir: dir}) })
		})
	}
}

func testKind(t *testing.T, kind drivers.Kind) {
	if !drivers.ValidID(kind.Name) {
		t.Errorf("name %q is no id", kind.Name)
	}
	if kind.Summary == "" || strings.ContainsRune(kind.Summary, '\n') {
		t.Errorf("summary %q is not one line", kind.Summary)
	}
	if kind.New == nil {
		t.Fatal("there is no New")
	}
	known := map[string]bool{}
	for _, s := range kind.Settings {
		if !drivers.ValidID(s.Name) || s.Help == "" || known[s.Name] {
			t.Errorf("setting %q: it needs an id of its own and help", s.Name)
		}
		known[s.Name] = true
	}
	for name := range kind.Example {
		if !known[name] {
			t.Errorf("example has the setting %q, which is not declared", name)
		}
	}
	env := drivers.Env{Device: "device-1", Operations: []string{operation}, Clock: clock.Wall()}
	for _, settings := range []map[string]string{nil, kind.Example} {
		if _, err := drivers.NewHost(kind, env, settings); err != nil {
			t.Errorf("with settings %v: %v", settings, err)
		}
	}
	_, err := drivers.NewHost(kind, env, map[string]string{"no-such-setting": "1"})
	if err == nil || !strings.Contains(err.Error(), "no-such-setting") {
		t.Errorf("with a setting that is not known: error %v, want one that names it", err)
	}
}

// floor is one host with the driver under test, and its daemon.
type floor struct {
	*testing.T
	kind   drivers.Kind
	dir    string
	daemon *Daemon
	tap    *tap
}

// tap notes what the driver itself reports, before its host makes the best of it.
type tap struct {
	drivers.Driver
	mu       sync.Mutex
	statuses []*driverv1.Status
}

func (d *tap) Run(ctx context.Context, orders <-chan *driverv1.Order, report func(*driverv1.Status)) error {
	return d.Driver.Run(ctx, orders, func(s *driverv1.Status) {
		d.mu.Lock()
		d.statuses = append(d.statuses, proto.CloneOf(s))
		d.mu.Unlock()
		report(s)
	})
}

func (d *tap) reports() []*driverv1.Status {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.statuses[:len(d.statuses):len(d.statuses)]
}

// tapped is the kind under test with a tap on its driver.
func (f *floor) tapped() drivers.Kind {
	kind := f.kind
	kind.New = func(env drivers.Env, settings map[string]string) (drivers.Driver, error) {
		driver, err := f.kind.New(env, settings)
		f.tap = &tap{Driver: driver}
		return f.tap, err
	}
	return kind
}

func (f *floor) env(capacity int) drivers.Env {
	return drivers.Env{
		Device: "device-1", Operations: []string{operation}, Capacity: capacity, StateDir: f.dir,
		Clock: clock.Wall(), Log: zaptest.NewLogger(f.T),
	}
}

// start starts a host and returns when the daemon has welcomed it.
func (f *floor) start() (stop func()) {
	f.Helper()
	host, err := drivers.NewHost(f.tapped(), f.env(1), f.kind.Example)
	if err != nil {
		f.Fatal(err)
	}
	f.daemon = NewDaemon()
	ctx, cancel := context.WithCancel(f.Context())
	ended := make(chan error, 1)
	go func() { ended <- host.Serve(ctx, f.daemon) }()
	f.wait("the driver's first report", func() bool { return len(f.daemon.Statuses()) > 0 })
	return func() {
		f.Helper()
		cancel()
		if err := <-ended; err != nil {
			f.Errorf("host: %v", err)
		}
	}
}

// wait lets virtual time pass until something holds.
func (f *floor) wait(what string, holds func() bool) {
	f.Helper()
	f.within(longEnough, what, holds)
}

func (f *floor) within(limit time.Duration, what string, holds func() bool) {
	f.Helper()
	deadline := time.Now().Add(limit)
	for step := time.Millisecond; ; step = min(2*step, 10*time.Second) {
		synctest.Wait()
		if holds() {
			return
		}
		if time.Now().After(deadline) {
			f.Fatalf("not within %s: %s; the last status is %v", limit, what, f.daemon.Last())
		}
		time.Sleep(step)
	}
}

// job is a run of 40 minutes.
func job(run string, fence uint64, mayStart bool) *driverv1.Grant {
	return &driverv1.Grant{
		Run: run, Fence: fence, Job: "job-1", Step: "step-1", Operation: operation, Pieces: pieces, MayStart: mayStart,
		ExpectedSetup: durationpb.New(5 * time.Minute), ExpectedWork: durationpb.New(35 * time.Minute),
	}
}

// started is job as the daemon grants it when somebody has started it.
func started(run string, fence uint64) *driverv1.Grant {
	g := job(run, fence, true)
	g.StartTime = timestamppb.Now()
	g.StartBefore = timestamppb.New(time.Now().Add(10 * time.Minute))
	return g
}

func (f *floor) take(answer *driverv1.Answer) {
	f.Helper()
	if answer == nil {
		f.Fatal("an order has no answer")
	}
	if answer.GetRefused() != "" {
		f.Fatalf("an order is refused: %s", answer.GetRefused())
	}
}

func (f *floor) state(run string) tandemv1.JobState { return f.daemon.Run(run).GetState() }

// works waits until a run is under way, or over for a device at which nothing takes time.
func (f *floor) works(run string) {
	f.Helper()
	f.wait(run+" works", func() bool {
		return f.state(run) == tandemv1.JobState_JOB_STATE_PROCESSING || drivers.Ended(f.state(run))
	})
}

// finish waits until a run is over, for which a manual device needs a person's word.
func (f *floor) finish(run string, fence uint64) {
	f.Helper()
	if f.kind.Manual {
		f.works(run)
		f.take(f.daemon.Settle(run, fence))
		f.idle()
		return
	}
	f.wait(run+" ends", func() bool { return drivers.Ended(f.state(run)) })
	if s := f.state(run); s != tandemv1.JobState_JOB_STATE_COMPLETED {
		f.Fatalf("%s ends as %v, want completed", run, s)
	}
}

// idle waits until the device has nothing to do.
func (f *floor) idle() {
	f.Helper()
	f.wait("the device is idle", func() bool {
		s := f.daemon.Last()
		return s.GetState() == tandemv1.DeviceState_DEVICE_STATE_IDLE && s.GetPhase() == tandemv1.DevicePhase_DEVICE_PHASE_IDLE
	})
}

// check looks through everything the driver has ever reported.
func (f *floor) check() {
	f.Helper()
	last := map[string]*driverv1.RunStatus{}
	for _, s := range f.tap.reports() {
		if s.GetState() == tandemv1.DeviceState_DEVICE_STATE_UNSPECIFIED || s.GetPhase() == tandemv1.DevicePhase_DEVICE_PHASE_UNSPECIFIED {
			f.Fatalf("a status has no state or no phase: %v", s)
		}
		for _, r := range s.GetRuns() {
			before := last[r.GetRun()]
			last[r.GetRun()] = r
			switch {
			case r.GetState() == tandemv1.JobState_JOB_STATE_UNSPECIFIED:
				f.Fatalf("a run has no state: %v", r)
			case r.GetPiecesGood() < 0 || r.GetPiecesSpoiled() < 0 || r.GetPiecesGood()+r.GetPiecesSpoiled() > pieces:
				f.Fatalf("not from 0 to %d pieces: %v", pieces, r)
			case before == nil:
			case drivers.Ended(before.GetState()) && !proto.Equal(before, r):
				f.Fatalf("a run has ended as %v and now is %v", before, r)
			case begun(before) && !begun(r) && !drivers.Ended(r.GetState()):
				f.Fatalf("a run that had begun is waiting again: %v, then %v", before, r)
			case r.GetPiecesGood()+r.GetPiecesSpoiled() < before.GetPiecesGood()+before.GetPiecesSpoiled():
				f.Fatalf("pieces are made undone: %v, then %v", before, r)
			}
		}
	}
}

func begun(r *driverv1.RunStatus) bool {
	return r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING || r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED
}

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
	f.take(f.daemon.Grant(job("r1", 1, false)))
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
	f.take(f.daemon.Grant(started("r1", 1)))
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
