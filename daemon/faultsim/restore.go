package faultsim

import (
	"bytes"
	"context"
	"slices"
	"time"

	"tandem/daemon/backup"
	"tandem/daemon/datadir"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	"tandem/scheduler/floor"
)

// mostLost is how many records are lost at most when a backup takes the place of the ledger.
const mostLost = 60

// restore is a disk that is lost with all that is on it. A backup is restored that was made some records ago, while the machines, their
// drivers and the people are where they are.
func (w *World) restore(a Act) {
	n := uint64(len(w.books.records))
	if w.leader == nil || n < 4 {
		return
	}
	keep := n - min(a.B%mostLost, n-2)
	file, made := w.backup(keep)
	w.trace("the disk is lost; a backup up to revision %d of %d is restored", keep, n)
	for _, d := range w.daemons {
		d.gone()
	}
	w.leader, w.armed = nil, ""
	for _, m := range w.machines {
		m.unlink()
	}
	w.disk.Memory = ledger.NewMemory()
	report, err := backup.Verify(w.ctx, bytes.NewReader(file), func(stored []byte) error {
		rec, _, err := ledger.Decode(stored)
		if err == nil {
			_, err = w.disk.Append(w.ctx, rec)
		}
		return err
	})
	if err != nil || report.Doubt != nil {
		w.fail("the backup cannot be read: %v; its snapshot: %v", err, report.Doubt)
	}
	w.books = w.books.setBack(keep)
	idle := a.A%3 == 0 && w.books.idle(keep)
	_, err = datadir.MarkRestored(w.ctx, restored{w.disk}, report.Audit, "mira", floor.RestoreLedger{Made: made, Restored: w.wall(), NothingDone: idle})
	if err != nil {
		w.fail("the restored ledger cannot be marked as such: %v", err)
	}
	if err := w.disk.SaveSnapshot(w.ctx, report.Audit.Snapshot(w.disk.Head())); err != nil {
		w.fail("save a snapshot of the restored floor: %v", err)
	}
	for i := range w.watchers { // whoever followed the ledger that is lost begins anew
		w.watchers[i].seen, w.watchers[i].folded = 0, floor.New()
	}
	w.in(a.For, w.start)
}

// restored is a ledger that no daemon has opened yet.
type restored struct{ *disk }

// Append implements datadir.Appender.
func (r restored) Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	return (&handle{disk: r.disk}).append(ctx, rec)
}

// backup makes one that ends at a revision.
func (w *World) backup(revision uint64) (file []byte, made time.Time) {
	var head ledger.Head
	w.stored(revision, func(rec *ledgerv1.Record, stored []byte) {
		head = ledger.Head{
			Revision: revision, Term: rec.GetTerm(), CommitTime: rec.GetCommitTime().AsTime(), Hash: bytes.Clone(stored[len(stored)-ledger.HashSize:]),
		}
	})
	var out bytes.Buffer
	made = w.books.walls[revision-1]
	if _, err := backup.Write(w.ctx, &out, w.disk.Memory, head, backup.About{Program: "faultsim", Made: made, TimeScale: float64(w.plan.Scale)}); err != nil {
		w.fail("make a backup: %v", err)
	}
	return out.Bytes(), made
}

// setBack returns the books of a ledger that has lost all records after one. What machines have done and drivers have been told since
// is as it was: the runs of which the ledger no longer knows are kept apart.
func (b *books) setBack(keep uint64) *books {
	w := b.w
	n := newBooks(w, w.shop())
	n.rules.asked, n.lost, n.lostRuns = b.rules.asked, b.lost, b.lostRuns
	for _, o := range n.lost {
		clear(o.settled)
	}
	w.replays = true
	for _, rec := range b.records[:keep] {
		n.record(rec)
	}
	w.replays = false
	copy(n.walls, b.walls)
	for _, o := range b.all {
		r := n.runs[o.run]
		if r == nil {
			o.settled = map[string]bool{}
			n.lost, n.lostRuns[o.run] = append(n.lost, o), o
			continue
		}
		r.was, r.begun, r.made, r.spoiled, r.forgotten = o, o.begun, o.made, o.spoiled, o.forgotten
	}
	n.fence, n.term, n.begunFence, n.after = b.fence, b.term, b.begunFence, b.records[keep:]
	for _, q := range b.acked {
		if q.revision <= keep {
			n.acked = append(n.acked, q)
		}
	}
	return n
}

// idle says whether nothing was given to a device, or done, in the records that are lost.
func (b *books) idle(keep uint64) bool {
	return !slices.ContainsFunc(b.after, func(rec *ledgerv1.Record) bool {
		return slices.ContainsFunc(rec.GetEvents(), func(e *ledgerv1.Event) bool {
			switch e.GetKind().(type) {
			case *ledgerv1.Event_RunGranted, *ledgerv1.Event_RunAllowed, *ledgerv1.Event_RunChanged, *ledgerv1.Event_RunResolved:
				return true
			}
			return false
		})
	}) && !slices.ContainsFunc(b.all, func(r *entry) bool { return !r.ended && r.allowed })
}

// find returns a run, also one of which the ledger no longer knows; nil if there never was one.
func (b *books) find(run string) *entry {
	if r := b.runs[run]; r != nil {
		return r
	}
	return b.lostRuns[run]
}

// mayBegin says whether somebody has let a run begin, and until when: in this ledger, or in one that is lost.
func (r *entry) mayBegin() (bool, time.Time) {
	if !r.allowed && r.was != nil {
		return r.was.mayBegin()
	}
	return r.allowed, r.startBefore
}

// doneSince returns how many good pieces of a step were made by runs of which the ledger no longer knows, and nobody has said so yet; and the
// device of the last of them. It is not known while one of them may still come to something.
func (c *crew) doneSince(step string, now time.Time) (good int32, device string, known bool) {
	for _, o := range c.w.books.lost {
		if o.step != step || o.settled[step] {
			continue
		}
		m := c.w.byID[o.device]
		if m.sim == nil {
			if o.completed {
				good, device = good+o.pieces, o.device
			}
			continue
		}
		// What waits on a device that has left the floor is started by nobody.
		if k := m.knows(o.run); k != nil && (k.Moves || k.Loaded && c.w.lists(o.device)) {
			return 0, "", false
		}
		if _, before := o.mayBegin(); o.allowed && !o.begun && !now.After(before) { // its driver may have heard of the start
			return 0, "", false
		}
		if o.begun {
			good, device = good+o.made-o.spoiled, o.device
		}
	}
	return good, device, true
}

// review is a person who goes by all machines after a backup was restored, counts, and says what was done.
func (c *crew) review(f *floor.Floor, now time.Time, do func(floor.Command)) {
	for _, st := range f.ToReview() {
		key := st.Job.ID + "/" + st.ID()
		good, device, known := c.doneSince(key, now)
		if !known {
			continue
		}
		if d, ok := f.Device(device); !ok || !able(d.Spec, st.Operation()) || d.Retired { // it is there no longer: any other will do for the record
			if device = ""; len(st.Class.Fits) > 0 {
				device = st.Class.Fits[0].ID
			}
		}
		r := floor.ReviewStep{Job: st.Job.ID, Step: st.ID(), Outcome: floor.ReviewNotDone, Device: device, Note: "seen"}
		switch left := st.Left(); {
		case good <= 0 || left == 0:
		case good >= left:
			r.Outcome = floor.ReviewDone
		default:
			r.Outcome, r.Good = floor.ReviewKeep, good
		}
		do(r)
	}
	for _, u := range f.Unrecorded() {
		if j, ok := f.Job(u.Job); ok {
			if st, ok := j.Step(u.Step); ok && st.Review && st.Open() {
				continue
			}
		}
		do(floor.NoteUnrecorded{Run: u.Run, Note: "nobody needs it"})
	}
}
