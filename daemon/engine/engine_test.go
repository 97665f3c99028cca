package engine_test

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest"
	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/durationpb"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

const period = time.Second

var shop = &tandemv1.FloorFile{Devices: []*tandemv1.Device{
	{
		Id: "printer-1", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"},
		Abilities: []*tandemv1.Ability{{
			Operation: "print", PerPiece: durationpb.New(time.Minute),
			UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "mira", AllowTime: timestamppb.New(time.Date(2026, 3, 1, 0, 0, 0, 0, time.UTC))},
		}},
	},
	{
		Id: "cutter-1", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"},
		Abilities: []*tandemv1.Ability{{Operation: "cut", PerPiece: durationpb.New(time.Minute)}},
	},
}}

func decals(id string, pieces int32) *tandemv1.Job {
	return &tandemv1.Job{Id: id, Pieces: pieces, Steps: []*tandemv1.Step{
		{Id: "print", Operation: "print"},
		{Id: "cut", Operation: "cut", After: []string{"print"}},
	}}
}

// world is an engine with everything around it.
type world struct {
	t      *testing.T
	store  ledger.Ledger
	engine *engine.Engine
	stop   func() error

	mu     sync.Mutex
	orders []*driverv1.Order
	answer func(*driverv1.Order) (*driverv1.Answer, error)
}

func open(t *testing.T, store ledger.Ledger, change ...func(*engine.Options)) *world {
	t.Helper()
	w := &world{t: t, store: store}
	opts := engine.Options{
		Ledger: store, Clock: clock.Wall(), File: shop, Period: period, Log: zaptest.NewLogger(t, zaptest.Level(zapError)),
		Send: func(_ string, o *driverv1.Order, answered func(*driverv1.Answer, error)) {
			w.mu.Lock()
			w.orders = append(w.orders, o)
			answer := w.answer
			w.mu.Unlock()
			if answer != nil {
				go func() { answered(answer(o)) }()
			}
		},
	}
	for _, c := range change {
		c(&opts)
	}
	e, err := engine.Open(t.Context(), opts)
	if err != nil {
		t.Fatal(err)
	}
	w.engine = e
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() { ended <- e.Run(ctx) }()
	stopped := false
	w.stop = func() error {
		if stopped {
			return nil
		}
		stopped = true
		cancel()
		return <-ended
	}
	t.Cleanup(func() { _ = w.stop() })
	return w
}

const zapError = zapcore.ErrorLevel

func (w *world) taken() []*driverv1.Order {
	w.mu.Lock()
	defer w.mu.Unlock()
	out := w.orders
	w.orders = nil
	return out
}

func (w *world) do(m floor.Meta, c floor.Command) engine.Result {
	w.t.Helper()
	r, err := w.engine.Do(w.t.Context(), m, c)
	if err != nil {
		w.t.Fatalf("%T: %v", c, err)
	}
	return r
}

func (w *world) job(id string) *tandemv1.Job {
	w.t.Helper()
	var out *tandemv1.Job
	err := w.engine.View(w.t.Context(), func(s engine.State) {
		if j, ok := s.Floor.Job(id); ok {
			out = j.View(s.Now)
		}
		if err := s.Floor.Check(); err != nil {
			w.t.Error(err)
		}
	})
	if err != nil {
		w.t.Fatal(err)
	}
	return out
}

func idle(epoch, sequence uint64, runs ...*driverv1.RunStatus) *driverv1.Status {
	s := &driverv1.Status{Epoch: epoch, Sequence: sequence, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE, Runs: runs}
	for _, r := range runs {
		if r.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING {
			s.State = tandemv1.DeviceState_DEVICE_STATE_PROCESSING
		}
	}
	return s
}

func runIs(g *driverv1.Grant, state tandemv1.JobState, good int32) *driverv1.RunStatus {
	return &driverv1.RunStatus{Run: g.GetRun(), Fence: g.GetFence(), State: state, PiecesGood: good}
}

func (w *world) hello(device string, s *driverv1.Status) {
	w.t.Helper()
	if _, err := w.engine.Hello(w.t.Context(), device, s); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) status(device string, s *driverv1.Status) {
	w.t.Helper()
	if err := w.engine.Status(w.t.Context(), device, s); err != nil {
		w.t.Fatal(err)
	}
}

const (
	processing = tandemv1.JobState_JOB_STATE_PROCESSING
	completed  = tandemv1.JobState_JOB_STATE_COMPLETED
)

func TestNothingIsGrantedBeforeADriverHasSpoken(t *testing.T) {
	w := open(t, ledger.NewMemory())
	w.do(floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals("a", 3)})
	if got := w.taken(); len(got) != 0 {
		t.Fatalf("orders before any hello: %v", got)
	}
	w.hello("printer-1", idle(7, 1))
	orders := w.taken()
	if len(orders) != 1 || orders[0].GetGrant() == nil || orders[0].GetEpoch() != 7 || !orders[0].GetGrant().GetMayStart() {
		t.Fatalf("orders after hello: %v, want one grant in epoch 7 that may start", orders)
	}
}

// The end of one step and the grant of the next are one record.
func TestDoneAndGrantedAreOneRecord(t *testing.T) {
	store := ledger.NewMemory()
	w := open(t, store)
	w.hello("printer-1", idle(1, 1))
	w.hello("cutter-1", idle(1, 1))
	w.do(floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals("a", 3)})
	g := w.taken()[0].GetGrant()
	w.status("printer-1", idle(1, 2, runIs(g, processing, 0)))
	w.status("printer-1", idle(1, 3, runIs(g, completed, 3)))
	found := false
	err := store.Replay(t.Context(), 0, func(rec *ledgerv1.Record) error {
		done, granted := false, false
		for _, e := range rec.GetEvents() {
			done = done || e.GetRunChanged().GetState() == completed
			granted = granted || e.GetRunGranted().GetRun().GetDevice() == "cutter-1"
		}
		found = found || (done && granted)
		return nil
	})
	if err != nil || !found {
		t.Fatalf("no record holds both the end of print and the grant of cut (%v)", err)
	}
}

func TestRequestsAreIdempotentAtCommit(t *testing.T) {
	store := ledger.NewMemory()
	w := open(t, store)
	m := floor.Meta{Actor: "rip", RequestID: "r1", Fingerprint: []byte("one")}
	first := w.do(m, floor.CreateJob{Job: decals("a", 3)})
	var wg sync.WaitGroup
	for range 100 {
		wg.Go(func() {
			r, err := w.engine.Do(t.Context(), m, floor.CreateJob{Job: decals("a", 3)})
			if err != nil || r.Revision != first.Revision || r.Subject != "jobs/a" {
				t.Errorf("repeated: %v %v, want revision %d", r, err, first.Revision)
			}
		})
	}
	wg.Wait()
	m.Fingerprint = []byte("two")
	_, err := w.engine.Do(t.Context(), m, floor.CreateJob{Job: decals("b", 3)})
	var fe *floor.Error
	if !errors.As(err, &fe) || fe.Reason != "REQUEST_ID_REUSED" {
		t.Fatalf("other request under the same id: %v", err)
	}
	if err := w.stop(); err != nil {
		t.Fatal(err)
	}
	again := open(t, store)
	m.Fingerprint = []byte("one")
	if r := again.do(m, floor.CreateJob{Job: decals("a", 3)}); !r.Replayed || r.Revision != first.Revision {
		t.Fatalf("after a restart: %+v", r)
	}
}

// A restart from records, from a snapshot, and from a snapshot with records after it gives the same floor.
func TestRestartGivesTheSameFloor(t *testing.T) {
	store := ledger.NewMemory()
	w := open(t, store)
	w.hello("printer-1", idle(1, 1))
	for i := range 20 {
		w.do(floor.Meta{Actor: "test", RequestID: fmt.Sprint(i), Fingerprint: []byte("x")}, floor.CreateJob{Job: decals(fmt.Sprintf("job-%d", i), 5)})
	}
	g := w.taken()[0].GetGrant()
	w.status("printer-1", idle(1, 2, runIs(g, processing, 2)))
	snapshotOf := func(w *world) (out *ledgerv1.Snapshot) {
		if err := w.engine.View(t.Context(), func(s engine.State) { out = s.Floor.Snapshot() }); err != nil {
			t.Fatal(err)
		}
		return out
	}
	before := snapshotOf(w)
	if err := w.stop(); err != nil { // saves a snapshot
		t.Fatal(err)
	}
	replayed := floor.New()
	if err := store.Replay(t.Context(), 0, func(rec *ledgerv1.Record) error { replayed.ApplyRecord(rec); return nil }); err != nil {
		t.Fatal(err)
	}
	if !proto.Equal(replayed.Snapshot(), before) {
		t.Error("replaying every record gives another floor")
	}
	again := open(t, store)
	after := snapshotOf(again)
	if after.GetTerm() != before.GetTerm()+1 {
		t.Errorf("term %d after %d", after.GetTerm(), before.GetTerm())
	}
	run := again.job("job-0").GetSteps()[0].GetRuns()[0]
	if run.GetState() != processing || run.GetId() != g.GetRun() {
		t.Errorf("run after the restart: %v", run)
	}
	if got := again.taken(); len(got) != 0 {
		t.Errorf("orders before the driver was heard: %v", got)
	}
	// The machine went on meanwhile and has finished: taken, once.
	again.hello("printer-1", idle(2, 1, runIs(g, completed, 5)))
	if s := again.job("job-0").GetSteps()[0]; s.GetState() != completed || len(s.GetRuns()) != 1 {
		t.Errorf("print after the driver's hello: %v", s)
	}
}

func TestSilenceMakesTheOutcomeUnknown(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		w := open(t, ledger.NewMemory())
		w.hello("printer-1", idle(1, 1))
		w.do(floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals("a", 3)})
		g := w.taken()[0].GetGrant()
		w.status("printer-1", idle(1, 2, runIs(g, processing, 1)))
		time.Sleep(2 * period)
		if s := w.job("a").GetSteps()[0]; s.GetState() != processing {
			t.Fatalf("after two periods of silence: %v", s.GetState())
		}
		time.Sleep(3 * period)
		s := w.job("a").GetSteps()[0]
		if s.GetState() != tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED || s.GetStateReasons()[0] != floor.ReasonOutcomeUnknown {
			t.Fatalf("after five: %v %v", s.GetState(), s.GetStateReasons())
		}
		w.hello("printer-1", idle(1, 3, runIs(g, processing, 2)))
		if s := w.job("a").GetSteps()[0]; s.GetState() != processing || len(s.GetRuns()) != 1 {
			t.Fatalf("when it is back, still printing: %v", s)
		}
		if err := w.stop(); err != nil {
			t.Fatal(err)
		}
	})
}

func TestLostOrdersAreSentAgain(t *testing.T) {
	w := open(t, ledger.NewMemory())
	w.answer = func(*driverv1.Order) (*driverv1.Answer, error) { return nil, errors.New("no driver") }
	w.hello("printer-1", idle(1, 1))
	w.do(floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals("a", 3)})
	if n := len(w.taken()); n != 1 {
		t.Fatalf("%d orders, want 1", n)
	}
	w.status("printer-1", idle(1, 2))
	if n := len(w.taken()); n != 0 {
		t.Fatalf("%d orders right after the first, want none: it may be on its way", n)
	}
	w.hello("printer-1", idle(1, 3))
	if n := len(w.taken()); n != 1 {
		t.Fatalf("%d orders after a new hello, want the grant again", n)
	}
}

// A refusal by the epoch that was asked frees the step; one by another epoch says nothing.
func TestRefusals(t *testing.T) {
	for _, tt := range []struct {
		name  string
		epoch uint64
		want  tandemv1.JobState
	}{
		{"same epoch", 1, tandemv1.JobState_JOB_STATE_ABORTED},
		{"another epoch", 2, tandemv1.JobState_JOB_STATE_PENDING},
	} {
		t.Run(tt.name, func(t *testing.T) {
			w := open(t, ledger.NewMemory())
			heard := make(chan struct{})
			var once sync.Once
			w.answer = func(*driverv1.Order) (*driverv1.Answer, error) {
				defer once.Do(func() { close(heard) })
				return &driverv1.Answer{Refused: "no ink", Epoch: tt.epoch}, nil
			}
			w.hello("printer-1", idle(1, 1))
			w.do(floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals("a", 3)})
			<-heard
			deadline := time.Now().Add(5 * time.Second)
			for {
				got := w.job("a").GetSteps()[0].GetRuns()[0].GetState()
				if got == tt.want && (tt.epoch == 1 || time.Now().After(deadline.Add(-4800*time.Millisecond))) {
					return
				}
				if time.Now().After(deadline) {
					t.Fatalf("run is %v, want %v", got, tt.want)
				}
			}
		})
	}
}

// failing is a ledger whose next append fails.
type failing struct {
	ledger.Ledger
	fail bool
}

func (f *failing) Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	if f.fail {
		return ledger.Head{}, ledger.ErrOutcomeUnknown
	}
	return f.Ledger.Append(ctx, rec)
}

func TestAFailedAppendStopsTheEngine(t *testing.T) {
	store := &failing{Ledger: ledger.NewMemory()}
	w := open(t, store)
	w.do(floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals("a", 3)})
	store.fail = true
	if _, err := w.engine.Do(t.Context(), floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals("b", 3)}); !errors.Is(err, engine.ErrStopped) {
		t.Fatalf("answer of an append that failed: %v", err)
	}
	if err := w.stop(); !errors.Is(err, ledger.ErrOutcomeUnknown) {
		t.Fatalf("Run returned %v", err)
	}
	store.fail = false
	again := open(t, store)
	if again.job("a") == nil || again.job("b") != nil {
		t.Error("after opening anew: job a must be there, b must not")
	}
}

func TestWatch(t *testing.T) {
	store := ledger.NewMemory()
	w := open(t, store)
	for i := range 50 {
		w.do(floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals(fmt.Sprintf("job-%d", i), 5)})
	}
	if err := w.stop(); err != nil {
		t.Fatal(err)
	}
	again := open(t, store) // what came before must be read from the ledger
	enough := errors.New("enough")
	for _, from := range []uint64{0, 1, 25, 51} {
		next := from + 1
		err := again.engine.Watch(t.Context(), from, func(rec *ledgerv1.Record) error {
			if rec.GetRevision() != next {
				t.Fatalf("from %d: revision %d, want %d", from, rec.GetRevision(), next)
			}
			next++
			if next == 61 {
				return enough
			}
			return nil
		}, func(revision uint64) <-chan struct{} {
			if revision != next-1 {
				t.Errorf("idle at revision %d, want %d", revision, next-1)
			}
			go func() {
				_, _ = again.engine.Do(context.Background(), floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals(fmt.Sprintf("late-%d-%d", from, revision), 1)})
			}()
			return nil
		})
		if !errors.Is(err, enough) {
			t.Fatalf("from %d: %v", from, err)
		}
	}
}

// A device leaves the floor file with work in hand. Its driver is listened to, and if it falls silent a person is asked for as ever.
func TestADeviceThatLeavesTheFloorFileIsListenedTo(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		store := ledger.NewMemory()
		w := open(t, store)
		w.hello("printer-1", idle(1, 1))
		w.hello("cutter-1", idle(1, 1))
		w.do(floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals("a", 3)})
		g := w.taken()[0].GetGrant()
		w.status("printer-1", idle(1, 2, runIs(g, processing, 1)))
		if err := w.stop(); err != nil {
			t.Fatal(err)
		}
		bench := &tandemv1.FloorFile{Devices: []*tandemv1.Device{{Id: "bench", Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim"}, Abilities: []*tandemv1.Ability{{Operation: "pack"}}}}}
		w = open(t, store, func(o *engine.Options) { o.File = bench })
		if err := w.engine.View(t.Context(), func(engine.State) {
			if got := w.engine.Listens(); !slices.Equal(got, []string{"bench", "printer-1"}) {
				t.Errorf("it listens to %q", got)
			}
		}); err != nil {
			t.Fatal(err)
		}
		w.hello("printer-1", idle(1, 3, runIs(g, processing, 2)))
		if s := w.job("a").GetSteps()[0]; s.GetState() != processing {
			t.Fatalf("at work, and heard: %v", s)
		}
		time.Sleep(5 * period)
		if s := w.job("a").GetSteps()[0]; s.GetStateReasons()[0] != floor.ReasonOutcomeUnknown {
			t.Errorf("after five periods of silence: %v %v", s.GetState(), s.GetStateReasons())
		}
	})
}

func TestWrongEpochMustGreet(t *testing.T) {
	w := open(t, ledger.NewMemory())
	var fe *floor.Error
	if err := w.engine.Status(t.Context(), "printer-1", idle(1, 1)); !errors.As(err, &fe) || fe.Kind != floor.Stale {
		t.Fatalf("status before hello: %v", err)
	}
	w.hello("printer-1", idle(5, 1))
	if err := w.engine.Status(t.Context(), "printer-1", idle(4, 9)); !errors.As(err, &fe) || fe.Kind != floor.Stale {
		t.Fatalf("status of an old epoch: %v", err)
	}
	if _, err := w.engine.Hello(t.Context(), "printer-1", idle(4, 9)); !errors.As(err, &fe) || fe.Kind != floor.Stale {
		t.Fatalf("hello of an old epoch: %v", err)
	}
	if _, err := w.engine.Hello(t.Context(), "nobody", idle(4, 9)); !errors.As(err, &fe) || fe.Kind != floor.NotFound {
		t.Fatalf("hello of an unknown device: %v", err)
	}
}

// A driver whose connection has outlived the daemon that it knows is asked for a hello by the next one.
func TestWhoSpeaksBeforeAHelloIsAskedForOne(t *testing.T) {
	store := ledger.NewMemory()
	w := open(t, store)
	w.hello("printer-1", idle(5, 1))
	if err := w.stop(); err != nil {
		t.Fatal(err)
	}
	w = open(t, store)
	var fe *floor.Error
	if err := w.engine.Status(t.Context(), "printer-1", idle(5, 2)); !errors.As(err, &fe) || fe.Reason != floor.NotGreeted {
		t.Fatalf("status before hello: %v", err)
	}
	if o := w.taken(); len(o) != 1 || o[0].GetIntroduce() == nil || o[0].GetTerm() != 2 || o[0].GetEpoch() != 5 {
		t.Fatalf("it is told %v", o)
	}
}

// A caller whose time is up leaves either before its function is called or after: what the function writes is never written
// under the caller's hands. The race detector is the judge.
func TestACallerThatLeavesEarlyRacesWithNothing(t *testing.T) {
	w := open(t, ledger.NewMemory())
	var wg sync.WaitGroup
	for i := range 200 {
		wg.Go(func() {
			ctx, cancel := context.WithTimeout(t.Context(), time.Duration(i%20)*10*time.Microsecond)
			defer cancel()
			seen := 0
			var err error
			if i%2 == 0 {
				err = w.engine.View(ctx, func(s engine.State) { seen = len(s.Floor.Devices) })
			} else {
				_, err = w.engine.DoThen(ctx, floor.Meta{Actor: "test"}, floor.CreateJob{Job: decals(fmt.Sprintf("job-%d", i), 1)}, func(s engine.State) { seen = len(s.Floor.Devices) })
			}
			if (err == nil) != (seen == len(shop.GetDevices())) || err != nil && !errors.Is(err, context.DeadlineExceeded) {
				t.Errorf("call %d saw %d devices and answered %v", i, seen, err)
			}
		})
	}
	wg.Wait()
}
