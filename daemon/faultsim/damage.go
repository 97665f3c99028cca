package faultsim

import (
	"bytes"
	"context"
	"errors"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/dispatch"
	"tandem/scheduler/floor"
)

// damage looks, before some of the starts, what a daemon does that finds its ledger damaged: it must not start. The damage is
// undone then.
func (w *World) damage() {
	n := uint64(len(w.books.records))
	luck := w.luck("damage")
	if luck.Below(4) > 0 || n == 0 {
		return
	}
	w.misfits()
	switch luck.Below(3) {
	case 0:
		w.stored(n, func(_ *ledgerv1.Record, data []byte) {
			at := luck.Below(len(data))
			data[at] ^= 1
			w.refuses("a record that has changed on the disk", w.disk.Memory, ledger.ErrCorrupt)
			data[at] ^= 1
		})
	case 1:
		w.stored(n, func(rec *ledgerv1.Record, data []byte) {
			snap, err := w.disk.LoadSnapshot(w.ctx)
			if err != nil || n < 2 || snap.GetRevision() == n { // what a snapshot stands for is not looked at again
				return
			}
			other := proto.CloneOf(rec)
			other.PreviousHash[0] ^= 1
			changed, _, err := ledger.Encode(other)
			if err != nil || len(changed) != len(data) {
				w.fail("record %d of %d bytes has %d with another hash: %v", n, len(data), len(changed), err)
			}
			was := append([]byte(nil), data...)
			copy(data, changed)
			w.refuses("a record that does not follow the one before", w.disk.Memory, ledger.ErrCorrupt)
			copy(data, was)
		})
	case 2:
		if w.books.term < 2 {
			return
		}
		head := w.disk.Head()
		w.refuses("a record of a leader that another had followed", &followedBy{w.disk.Memory, &ledgerv1.Record{
			Revision: n + 1, Term: w.books.term - 1, CommitTime: timestamppb.New(w.books.time), PreviousHash: head.Hash, Schema: floor.Schema,
			Events: []*ledgerv1.Event{{Actor: "timo", Kind: &ledgerv1.Event_DevicePaused{DevicePaused: &ledgerv1.DevicePaused{Device: "cutter-1"}}}},
		}}, nil)
	}
}

// misfits offers the ledger records that do not follow its last one, of which it must store none.
func (w *World) misfits() {
	head := w.disk.Head()
	for _, change := range []struct {
		what   string
		change func(*ledgerv1.Record)
		want   error
	}{
		{"that names another record before it", func(r *ledgerv1.Record) { r.PreviousHash[0] ^= 1 }, ledger.ErrConflict},
		{"of a revision that is taken", func(r *ledgerv1.Record) { r.Revision-- }, ledger.ErrConflict},
		{"after a gap", func(r *ledgerv1.Record) { r.Revision++ }, ledger.ErrConflict},
		{"of an older term", func(r *ledgerv1.Record) { r.Term-- }, ledger.ErrInvalid},
		{"of an earlier time", func(r *ledgerv1.Record) { r.CommitTime = timestamppb.New(head.CommitTime.Add(-1)) }, ledger.ErrInvalid},
	} {
		rec := &ledgerv1.Record{
			Revision: head.Revision + 1, Term: head.Term, CommitTime: timestamppb.New(head.CommitTime), PreviousHash: bytes.Clone(head.Hash), Schema: floor.Schema,
		}
		change.change(rec)
		if _, err := w.disk.Append(w.ctx, rec); !errors.Is(err, change.want) {
			w.fail("the ledger answers %v to a record %s", err, change.what)
		}
	}
}

// stored calls fn with a record as it lies on the disk.
func (w *World) stored(revision uint64, fn func(*ledgerv1.Record, []byte)) {
	err := w.disk.ReplayStored(w.ctx, revision-1, revision, func(rec *ledgerv1.Record, data []byte) error {
		fn(rec, data)
		return nil
	})
	if err != nil {
		w.fail("read record %d: %v", revision, err)
	}
}

// refuses opens a damaged ledger, which must not do. Without a reason to look for, it is that of a record of an older term.
func (w *World) refuses(what string, l ledger.Ledger, want error) {
	_, err := engine.Open(w.ctx, engine.Options{
		Ledger: l, Clock: &floorClock{w: w, off: w.clockOff}, Dispatcher: dispatch.New(dispatch.EarliestCompletion), File: w.file, Period: period, Wall: wallClock{},
	})
	stale, _ := errors.AsType[*floor.Error](err)
	if want != nil && errors.Is(err, want) || want == nil && stale != nil && stale.Kind == floor.Stale {
		return
	}
	w.fail("a daemon starts, or says %v, on a ledger with %s", err, what)
}

// followedBy is a ledger with one more record than it ought to have.
type followedBy struct {
	*ledger.Memory
	last *ledgerv1.Record
}

// Replay implements ledger.Ledger.
func (l *followedBy) Replay(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error) error {
	if err := l.Memory.Replay(ctx, after, fn); err != nil {
		return err
	}
	return fn(proto.CloneOf(l.last))
}
