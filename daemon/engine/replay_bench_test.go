package engine_test

import (
	"context"
	"fmt"
	"sync"
	"sync/atomic"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// noSnapshots is a ledger that keeps none, and counts.
type noSnapshots struct {
	*ledger.Memory
	events atomic.Int64
}

func (l *noSnapshots) Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	l.events.Add(int64(len(rec.GetEvents())))
	return l.Memory.Append(ctx, rec)
}

func (l *noSnapshots) SaveSnapshot(context.Context, *ledgerv1.Snapshot) error { return nil }

// BenchmarkReplay opens an engine on a ledger without a snapshot, half of whose events are chains of four steps and half holds and
// releases; "read" reads and verifies the same records and does nothing with them; "restore" opens it with a snapshot.
func BenchmarkReplay(b *testing.B) {
	events := int64(100_000)
	if testing.Short() {
		events = 5000
	}
	store := &noSnapshots{Memory: ledger.NewMemory()}
	past(b, store, events)
	open := func(b *testing.B, l ledger.Ledger) *engine.Engine {
		e, err := engine.Open(b.Context(), engine.Options{Ledger: l, Clock: clock.Wall(), Period: time.Hour, Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {}})
		if err != nil {
			b.Fatal(err)
		}
		return e
	}
	perEvent := func(b *testing.B) {
		b.ReportMetric(float64(b.Elapsed().Nanoseconds())/float64(b.N)/float64(store.events.Load()), "ns/event")
	}
	b.Run("read", func(b *testing.B) {
		for b.Loop() {
			if err := store.Replay(b.Context(), 0, func(*ledgerv1.Record) error { return nil }); err != nil {
				b.Fatal(err)
			}
		}
		perEvent(b)
	})
	b.Run("replay", func(b *testing.B) {
		for b.Loop() {
			open(b, store)
		}
		perEvent(b)
	})
	e := open(b, store)
	ctx, cancel := context.WithCancel(b.Context())
	ended := make(chan error, 1)
	withSnapshot := store.Memory
	e2, err := engine.Open(b.Context(), engine.Options{Ledger: withSnapshot, Clock: clock.Wall(), Period: time.Hour, Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {}})
	if err != nil {
		b.Fatal(err)
	}
	_ = e
	go func() { ended <- e2.Run(ctx) }()
	if err := e2.View(b.Context(), func(engine.State) {}); err != nil {
		b.Fatal(err)
	}
	cancel()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
	b.Run("restore", func(b *testing.B) {
		for b.Loop() {
			open(b, withSnapshot)
		}
		perEvent(b)
	})
}

// past writes so many events.
func past(b *testing.B, store *noSnapshots, events int64) {
	const devices, callers, steps = 64, 16, 4
	file := &tandemv1.FloorFile{}
	for i := range devices + 1 {
		file.Devices = append(file.Devices, &tandemv1.Device{
			Id: fmt.Sprint("printer-", i), Capacity: 1, Driver: &tandemv1.Driver{Kind: "sim", External: true},
			Abilities: []*tandemv1.Ability{{Operation: "print", UnattendedStart: &tandemv1.UnattendedStart{AllowedBy: "Marit", AllowTime: timestamppb.Now()}}},
		})
	}
	var eng *engine.Engine
	var sequence atomic.Uint64
	ctx, cancel := context.WithCancel(b.Context())
	send := func(device string, o *driverv1.Order, answered func(*driverv1.Answer, error)) {
		go func() {
			answered(&driverv1.Answer{Epoch: o.GetEpoch()}, nil)
			if g := o.GetGrant(); g != nil {
				_ = eng.Status(ctx, device, &driverv1.Status{ // the engine stops at the end
					Epoch: 1, Sequence: sequence.Add(1), State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE,
					Runs: []*driverv1.RunStatus{{Run: g.GetRun(), Fence: g.GetFence(), State: tandemv1.JobState_JOB_STATE_COMPLETED, PiecesGood: g.GetPieces()}},
				})
			}
		}()
	}
	eng, err := engine.Open(ctx, engine.Options{Ledger: store, Clock: clock.Wall(), File: file, Period: time.Hour, Send: send})
	if err != nil {
		b.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- eng.Run(ctx) }()
	do := func(c floor.Command) {
		if _, err := eng.Do(ctx, floor.Meta{Actor: "rip"}, c); err != nil {
			b.Error(err)
		}
	}
	for _, d := range file.GetDevices()[1:] {
		if _, err := eng.Hello(ctx, d.GetId(), &driverv1.Status{Epoch: 1, State: tandemv1.DeviceState_DEVICE_STATE_IDLE, Link: tandemv1.Link_LINK_ONLINE}); err != nil {
			b.Fatal(err)
		}
	}
	var jobs atomic.Int64
	var writing sync.WaitGroup
	for caller := range callers {
		held := fmt.Sprint("held-", caller)
		do(floor.CreateJob{Job: &tandemv1.Job{Id: held, Pieces: 60, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Devices: []string{"printer-0"}}}}})
		writing.Go(func() {
			for store.events.Load() < events && !b.Failed() {
				j := &tandemv1.Job{Id: fmt.Sprint("j", jobs.Add(1)), Pieces: 60}
				for i := range steps {
					s := &tandemv1.Step{Id: fmt.Sprint("print-", i), Operation: "print"}
					if i > 0 {
						s.After = []string{fmt.Sprint("print-", i-1)}
					}
					j.Steps = append(j.Steps, s)
				}
				do(floor.CreateJob{Job: j})
				for range steps {
					do(floor.HoldJob{Job: held, Note: "waits for a file"})
					do(floor.ReleaseJob{Job: held})
				}
			}
		})
	}
	writing.Wait()
	cancel()
	if err := <-ended; err != nil {
		b.Fatal(err)
	}
}
