package engine_test

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/audit"
	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/drivers/clock"
	driverv1 "tandem/proto/tandem/driver/v1"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// otherSnapshot is a ledger whose newest snapshot is whole by its sum, and not what it should be.
type otherSnapshot struct {
	*ledger.Memory
	change func(*ledgerv1.Snapshot)
}

func (o *otherSnapshot) LoadSnapshot(ctx context.Context) (*ledgerv1.Snapshot, error) {
	snap, err := o.Memory.LoadSnapshot(ctx)
	if snap != nil {
		snap = proto.CloneOf(snap)
		o.change(snap)
	}
	return snap, err
}

// A snapshot that cannot be used costs time and nothing else.
func TestBadSnapshotIsPassedOver(t *testing.T) {
	for name, change := range map[string]func(*ledgerv1.Snapshot){
		"breaks the rules":       func(s *ledgerv1.Snapshot) { s.GetCounters().Fence = 0 },
		"does not hang together": func(s *ledgerv1.Snapshot) { s.GetJobs()[0].Steps = nil },
		"names a run that is not there": func(s *ledgerv1.Snapshot) {
			s.GetDevices()[0].GetDevice().Runs = []*tandemv1.DeviceRun{{Run: "nobody"}}
		},
	} {
		t.Run(name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				store := ledger.NewMemory()
				w := open(t, store)
				w.hello("printer-1", idle(1, 1))
				w.do(floor.Meta{Actor: "mira"}, floor.CreateJob{Job: decals("a", 6)})
				want := w.job("a")
				if err := w.stop(); err != nil {
					t.Fatal(err)
				}
				if snap, err := store.LoadSnapshot(t.Context()); err != nil || snap == nil {
					t.Fatalf("no snapshot was saved: %v", err)
				}
				again := open(t, &otherSnapshot{store, change})
				if got := again.job("a"); !proto.Equal(got.GetSteps()[0].GetRuns()[0], want.GetSteps()[0].GetRuns()[0]) {
					t.Errorf("after the restart the job is %v, was %v", got, want)
				}
				if err := again.stop(); err != nil {
					t.Error(err)
				}
			})
		})
	}
}

// Open refuses what a newer program wrote, and what does not fit, with the remedy; it does not fall over.
func TestOpenRefuses(t *testing.T) {
	openOn := func(store ledger.Ledger) error {
		_, err := engine.Open(t.Context(), engine.Options{Ledger: store, Clock: clock.Wall(), Send: func(string, *driverv1.Order, func(*driverv1.Answer, error)) {}})
		return err
	}
	with := func(schema uint32, event *ledgerv1.Event) *ledger.Memory {
		store := ledger.NewMemory()
		rec := &ledgerv1.Record{Revision: 1, Schema: schema, CommitTime: &timestamppb.Timestamp{Seconds: 1}, Events: []*ledgerv1.Event{event}}
		if _, err := store.Append(t.Context(), rec); err != nil {
			t.Fatal(err)
		}
		return store
	}
	if err := openOn(with(floor.Schema+1, &ledgerv1.Event{})); err == nil || !strings.Contains(err.Error(), "use the newer program") {
		t.Errorf("a newer record: %v", err)
	}
	unfit := &ledgerv1.Event{Kind: &ledgerv1.Event_JobHeld{JobHeld: &ledgerv1.JobHeld{Job: "nobody"}}}
	if err := openOn(with(floor.Schema, unfit)); !errors.Is(err, audit.ErrUnfit) {
		t.Errorf("a record that does not fit: %v", err)
	}
	store := with(floor.Schema, &ledgerv1.Event{Kind: &ledgerv1.Event_FloorConfigured{FloorConfigured: &ledgerv1.FloorConfigured{Floor: shop}}})
	snap := floor.New().Snapshot()
	snap.Revision, snap.Hash = 1, store.Head().Hash
	if err := store.SaveSnapshot(t.Context(), snap); err != nil {
		t.Fatal(err)
	}
	if err := openOn(&otherSnapshot{store, func(s *ledgerv1.Snapshot) { s.Schema = floor.Schema + 1 }}); err == nil || !strings.Contains(err.Error(), "use the newer program") {
		t.Errorf("a newer snapshot: %v", err)
	}
}
