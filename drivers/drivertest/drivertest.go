// Package drivertest holds the conformance suite that every kind of driver passes, and a daemon in memory for tests of
// hosts and drivers. The suite runs in virtual time: a run of forty minutes takes no time. A kind's Example must work
// without a device, or with one that the test provides in the same process.
package drivertest

import (
	"context"
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
		{"reads the marks of its panels", testMarks},
	} {
		t.Run(test.name, func(t *testing.T) {
			dir := t.TempDir()
			synctest.Test(t, func(t *testing.T) { test.run(&floor{T: t, kind: kind, dir: dir}) })
		})
	}
}

func testKind(t *testing.T, kind drivers.Kind) {
	if kind.New == nil {
		t.Fatal("there is no New")
	}
	testNames(t, kind)
	env := drivers.Env{Device: "device-1", Operations: []string{operation}, Clock: clock.Wall()}
	if _, err := drivers.NewHost(kind, env, kind.Example); err != nil {
		t.Errorf("with settings %v: %v", kind.Example, err)
	}
	_, err := drivers.NewHost(kind, env, nil)
	if named := func(s drivers.Setting) bool { return strings.Contains(err.Error(), "setting "+s.Name+" ") }; err != nil &&
		!slices.ContainsFunc(kind.Settings, named) {
		t.Errorf("without settings: error %v, want none, or one that names the setting that is missing", err)
	}
	_, err = drivers.NewHost(kind, env, map[string]string{"no-such-setting": "1"})
	if err == nil || !strings.Contains(err.Error(), "no-such-setting") {
		t.Errorf("with a setting that is not known: error %v, want one that names it", err)
	}
}

// testNames looks at what people see of a kind.
func testNames(t *testing.T, kind drivers.Kind) {
	if !drivers.ValidID(kind.Name) {
		t.Errorf("name %q is no id", kind.Name)
	}
	if kind.Summary == "" || strings.ContainsRune(kind.Summary, '\n') {
		t.Errorf("summary %q is not one line", kind.Summary)
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
}

// floor is one host with the driver under test, and its daemon.
type floor struct {
	*testing.T
	kind   drivers.Kind
	dir    string
	daemon *Daemon
	tap    *tap
	panels map[string][]string // run -> codes of the panels whose marks it was told of
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
	return slices.Clip(d.statuses)
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
			case len(r.GetMarkReadings()) > 0 && r.GetState() == tandemv1.JobState_JOB_STATE_PENDING:
				f.Fatalf("marks are read before the run has begun, and reading them moves the device: %v", r)
			case !f.readsItsOwn(r):
				f.Fatalf("marks are read that are no two to four of a panel in %v: %v", f.panels[r.GetRun()], r)
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
