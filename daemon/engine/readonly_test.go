package engine_test

import (
	"errors"
	"sync/atomic"
	"testing"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

var errFull = errors.New("the disk is nearly full")

// disk says whether it has room.
type disk struct{ full atomic.Bool }

func (d *disk) readOnly() error {
	if d.full.Load() {
		return errFull
	}
	return nil
}

func (d *disk) on(o *engine.Options) { o.ReadOnly = d.readOnly }

// While nothing new is taken, what is told of work under way is, and what stops machines and keeps people safe; what was answered
// before is answered again. Once there is room the engine goes on without a word from anybody.
func TestReadOnly(t *testing.T) {
	var d disk
	w := open(t, ledger.NewMemory(), d.on)
	w.hello("printer-1", idle(1, 1))
	w.hello("cutter-1", idle(1, 1))
	mira := func(request string) floor.Meta {
		return floor.Meta{Actor: "mira", RequestID: request, Fingerprint: []byte(request)}
	}
	w.do(mira("create-a"), floor.CreateJob{Job: decals("a", 3)})
	w.do(mira("create-c"), floor.CreateJob{Job: decals("c", 3)})
	print := w.taken()[0].GetGrant()
	w.status("printer-1", idle(1, 2, runIs(print, processing, 0)))

	d.full.Store(true)
	for _, c := range []struct {
		name    string
		command floor.Command
	}{
		{"new work", floor.CreateJob{Job: decals("b", 3)}},
		{"a job that is to go on", floor.ReleaseJob{Job: "a"}},
		{"a device that is to go on", floor.ResumeDevice{Device: "cutter-1"}},
	} {
		switch c.name { // there is something to take back
		case "a job that is to go on":
			w.do(mira("hold"), floor.HoldJob{Job: "a"})
		case "a device that is to go on":
			w.do(mira("pause"), floor.PauseDevice{Device: "cutter-1"})
		}
		if _, err := w.engine.Do(t.Context(), mira(c.name), c.command); !errors.Is(err, errFull) {
			t.Errorf("%s: got error %v, want the reason why nothing new is taken", c.name, err)
		}
	}
	if w.job("b") != nil {
		t.Error("what was refused is there")
	}
	if r := w.do(mira("create-a"), floor.CreateJob{Job: decals("a", 3)}); !r.Replayed {
		t.Errorf("a request that was answered before is answered with %+v", r)
	}
	// What runs goes on and is booked, and nothing new is granted for it.
	w.status("printer-1", idle(1, 3, runIs(print, completed, 3)))
	if s := w.job("a").GetSteps()[0]; s.GetState() != completed || s.GetPiecesGood() != 3 {
		t.Errorf("the end of what ran is booked as %v", s)
	}
	for _, o := range w.taken() {
		if o.GetGrant() != nil {
			t.Errorf("granted while read-only: %v", o)
		}
	}
	w.do(mira("lock"), floor.LockDevice{Device: "cutter-1", Note: "blade"})
	w.do(mira("unlock"), floor.UnlockDevice{Device: "cutter-1"})
	w.do(mira("cancel-c"), floor.CancelJob{Job: "c"})
	if got := w.job("c").GetState(); got != tandemv1.JobState_JOB_STATE_CANCELED {
		t.Errorf("a job that was canceled is %v", got)
	}

	d.full.Store(false)
	w.do(mira("resume"), floor.ResumeDevice{Device: "cutter-1"})
	w.do(mira("release"), floor.ReleaseJob{Job: "a"})
	w.do(mira("b"), floor.CreateJob{Job: decals("b", 3)})
	granted := map[string]bool{}
	for _, o := range w.taken() {
		granted[o.GetGrant().GetJob()+"/"+o.GetGrant().GetStep()] = true
	}
	if !granted["a/cut"] || !granted["b/print"] {
		t.Errorf("granted once there is room: %v, want a's cut and b's print", granted)
	}
}

// A refused request may be made again with the same id: nothing remembers it.
func TestARequestRefusedWhileReadOnlyIsNotRemembered(t *testing.T) {
	var d disk
	d.full.Store(true)
	w := open(t, ledger.NewMemory(), d.on)
	m := floor.Meta{Actor: "rip", RequestID: "r1", Fingerprint: []byte("one")}
	if _, err := w.engine.Do(t.Context(), m, floor.CreateJob{Job: decals("a", 3)}); !errors.Is(err, errFull) {
		t.Fatalf("got error %v, want the reason why nothing new is taken", err)
	}
	d.full.Store(false)
	if r := w.do(m, floor.CreateJob{Job: decals("a", 3)}); r.Replayed || r.Subject != "jobs/a" {
		t.Errorf("the same request again is answered with %+v", r)
	}
}

// Snapshots take space and are only for speed: none is saved while there is none.
func TestNoSnapshotWhileReadOnly(t *testing.T) {
	var d disk
	store := ledger.NewMemory()
	w := open(t, store, d.on, func(o *engine.Options) { o.SnapshotEvents = 1 })
	d.full.Store(true)
	before, err := store.LoadSnapshot(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	w.hello("printer-1", idle(1, 1))
	if err := w.stop(); err != nil {
		t.Fatal(err)
	}
	after, err := store.LoadSnapshot(t.Context())
	if err != nil || after.GetRevision() != before.GetRevision() {
		t.Errorf("a snapshot of revision %d was saved on a full disk (%v)", after.GetRevision(), err)
	}
	var last uint64
	if err := store.Replay(t.Context(), 0, func(rec *ledgerv1.Record) error { last = rec.GetRevision(); return nil }); err != nil || last <= after.GetRevision() {
		t.Errorf("the ledger ends at %d, the snapshot is of %d, error %v: this test tests nothing", last, after.GetRevision(), err)
	}
}
