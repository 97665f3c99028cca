package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/kpi"
)

// factTables hold what reports need of single events, by the revision and place of each: unlike the tables of jobs and runs they
// are edges, written in the transaction that keeps their records, from these records alone. device_changes holds all that is known of a
// device from a time on, so that one row says what held at the beginning of a period.
const factTables = `
CREATE TABLE device_changes (
	device TEXT NOT NULL, at INTEGER NOT NULL, revision INTEGER NOT NULL, place INTEGER NOT NULL,
	link TEXT NOT NULL, state TEXT NOT NULL, phase TEXT NOT NULL, reasons TEXT NOT NULL, paused INTEGER NOT NULL,
	locked_by TEXT NOT NULL, broken INTEGER NOT NULL, note TEXT NOT NULL, absent INTEGER NOT NULL,
	PRIMARY KEY (device, at, revision, place)
) WITHOUT ROWID;
CREATE TABLE floors (revision INTEGER NOT NULL, place INTEGER NOT NULL, at INTEGER NOT NULL, file BLOB NOT NULL, PRIMARY KEY (revision, place));
CREATE TABLE people (
	revision INTEGER NOT NULL, place INTEGER NOT NULL, at INTEGER NOT NULL, actor TEXT NOT NULL, operators INTEGER NOT NULL, until INTEGER,
	note TEXT NOT NULL, PRIMARY KEY (revision, place)
);
CREATE TABLE spoiled (
	revision INTEGER NOT NULL, place INTEGER NOT NULL, at INTEGER NOT NULL, actor TEXT NOT NULL, job TEXT NOT NULL, panel TEXT NOT NULL,
	step TEXT NOT NULL, run_job TEXT NOT NULL, run_step TEXT NOT NULL, pieces INTEGER NOT NULL, note TEXT NOT NULL, PRIMARY KEY (revision, place)
);
CREATE INDEX spoiled_at ON spoiled (at);
CREATE INDEX spoiled_step ON spoiled (run_job, run_step);
CREATE TABLE carries (
	revision INTEGER NOT NULL, place INTEGER NOT NULL, gang TEXT NOT NULL, gang_step TEXT NOT NULL, member TEXT NOT NULL, member_step TEXT NOT NULL
);
CREATE INDEX carries_member ON carries (member, member_step);
CREATE TABLE remakes (
	revision INTEGER NOT NULL, place INTEGER NOT NULL, at INTEGER NOT NULL, actor TEXT NOT NULL, job TEXT NOT NULL, panel TEXT NOT NULL,
	remake_of TEXT NOT NULL, pieces INTEGER NOT NULL, note TEXT NOT NULL, PRIMARY KEY (revision, place)
);
CREATE INDEX remakes_at ON remakes (at);
CREATE TABLE lots (lot TEXT PRIMARY KEY, code TEXT NOT NULL, media TEXT NOT NULL, received INTEGER NOT NULL, length_um INTEGER NOT NULL) WITHOUT ROWID;
CREATE TABLE loads (
	revision INTEGER NOT NULL, place INTEGER NOT NULL, at INTEGER NOT NULL, actor TEXT NOT NULL, device TEXT NOT NULL, media TEXT NOT NULL,
	lot TEXT NOT NULL, PRIMARY KEY (revision, place)
);
CREATE INDEX loads_at ON loads (at);
CREATE TABLE stops (
	revision INTEGER NOT NULL, place INTEGER NOT NULL, at INTEGER NOT NULL, run TEXT NOT NULL, job TEXT NOT NULL, step TEXT NOT NULL,
	device TEXT NOT NULL, reasons TEXT NOT NULL, pieces_good INTEGER NOT NULL, pieces_spoiled INTEGER NOT NULL, PRIMARY KEY (revision, place)
);
CREATE INDEX stops_at ON stops (at);
`

// factNames are the tables in it.
var factNames = []string{"device_changes", "floors", "people", "spoiled", "carries", "remakes", "lots", "loads", "stops"}

// levels are what the facts have come to.
type levels struct {
	devices map[string]*kpi.Change
	floors  []kpi.Floor
	last    time.Time // commit time of the last record
}

// ability returns a device's ability by the floor file that held at a time; nil if it had none.
func (l *levels) ability(device, operation string, at time.Time) *tandemv1.Ability {
	for i, f := range slices.Backward(l.floors) {
		if f.From.After(at) && i > 0 {
			continue
		}
		for _, d := range f.File.GetDevices() {
			if d.GetId() != device {
				continue
			}
			for _, a := range d.GetAbilities() {
				if a.GetOperation() == operation {
					return a
				}
			}
		}
		return nil
	}
	return nil
}

// readLevels reads them from the tables, unless they are known.
func (h *History) readLevels(ctx context.Context, tx *sql.Tx) error {
	if h.levels != nil {
		return nil
	}
	l := &levels{last: h.head.CommitTime.Truncate(time.Microsecond)}
	var err error
	if l.devices, err = lastChanges(ctx, tx); err != nil {
		return err
	}
	if l.floors, err = floorsUntil(ctx, tx, time.Time{}, time.Time{}); err != nil {
		return err
	}
	h.levels = l
	return nil
}

// keepFacts writes the facts of records into the tables.
func (h *History) keepFacts(ctx context.Context, tx *sql.Tx, records []kept) error {
	if err := h.readLevels(ctx, tx); err != nil {
		return err
	}
	for _, k := range records {
		w := writer{ctx: ctx, tx: tx, levels: h.levels, rec: k.rec, at: k.rec.GetCommitTime().AsTime().Truncate(time.Microsecond)}
		for i, e := range k.rec.GetEvents() {
			w.place = i
			w.event(e)
		}
		if w.err != nil {
			h.levels = nil
			return fmt.Errorf("keep the facts of record %d: %w", k.revision, w.err)
		}
		h.levels.last = w.at
	}
	return nil
}

// writer writes the facts of one record.
type writer struct {
	ctx    context.Context
	tx     *sql.Tx
	levels *levels
	rec    *ledgerv1.Record
	at     time.Time
	place  int
	err    error // the first
}

func (w *writer) exec(query string, args ...any) {
	if w.err == nil {
		_, w.err = w.tx.ExecContext(w.ctx, query, args...)
	}
}

func (w *writer) event(e *ledgerv1.Event) {
	actor := e.GetActor()
	switch k := e.GetKind().(type) {
	case *ledgerv1.Event_TermBegan:
		w.term()
	case *ledgerv1.Event_FloorConfigured:
		w.floor(k.FloorConfigured.GetFloor())
	case *ledgerv1.Event_DeviceGreeted:
		w.device(k.DeviceGreeted.GetDevice(), func(c *kpi.Change) { c.Link = tandemv1.Link_LINK_ONLINE })
	case *ledgerv1.Event_DeviceChanged:
		w.device(k.DeviceChanged.GetDevice(), func(c *kpi.Change) {
			n := k.DeviceChanged
			c.Link, c.State, c.Phase, c.Reasons = n.GetLink(), n.GetState(), n.GetPhase(), n.GetReasons()
		})
	case *ledgerv1.Event_DevicePaused:
		w.device(k.DevicePaused.GetDevice(), func(c *kpi.Change) { c.Paused, c.Note = true, k.DevicePaused.GetNote() })
	case *ledgerv1.Event_DeviceResumed:
		w.device(k.DeviceResumed.GetDevice(), func(c *kpi.Change) { c.Paused, c.Note = false, "" })
	case *ledgerv1.Event_DeviceLocked:
		w.device(k.DeviceLocked.GetDevice(), func(c *kpi.Change) {
			c.Locked, c.Note = actor, k.DeviceLocked.GetNote()
			c.Broken = c.Phase == tandemv1.DevicePhase_DEVICE_PHASE_STOPPED
		})
	case *ledgerv1.Event_DeviceUnlocked:
		w.device(k.DeviceUnlocked.GetDevice(), func(c *kpi.Change) { c.Locked, c.Note, c.Broken = "", "", false })
	case *ledgerv1.Event_AttendanceSet:
		n := k.AttendanceSet
		w.exec("INSERT INTO people VALUES (?,?,?,?,?,?,?)", w.rec.GetRevision(), w.place, micros(w.at), actor, n.GetOperators(), micros(stamp(n.GetUntilTime())), n.GetNote())
	case *ledgerv1.Event_PiecesSpoiled:
		w.spoiled(actor, k.PiecesSpoiled)
	case *ledgerv1.Event_SpoilWithdrawn:
		n := k.SpoilWithdrawn
		w.exec("DELETE FROM spoiled WHERE (revision, place) = (SELECT revision, place FROM spoiled WHERE revision = ? AND job = ? AND panel = ? AND pieces = ? ORDER BY place DESC LIMIT 1)",
			n.GetBookedRevision(), n.GetJob(), n.GetPanel(), n.GetPieces())
	case *ledgerv1.Event_PiecesRemade:
		n := k.PiecesRemade
		w.exec("INSERT INTO remakes VALUES (?,?,?,?,?,?,?,?,?)", w.rec.GetRevision(), w.place, micros(w.at), actor, n.GetJob(),
			n.GetPanel().GetId(), n.GetPanel().GetRemakeOf(), n.GetPanel().GetPieces(), n.GetNote())
	case *ledgerv1.Event_JobsGanged:
		for _, c := range k.JobsGanged.GetCarries() {
			w.exec("INSERT INTO carries VALUES (?,?,?,?,?,?)", w.rec.GetRevision(), w.place, k.JobsGanged.GetJob(), c.GetStep(), c.GetMember(), c.GetMemberStep())
		}
	case *ledgerv1.Event_LotReceived:
		l := k.LotReceived.GetLot()
		w.exec("INSERT OR REPLACE INTO lots VALUES (?,?,?,?,?)", l.GetId(), k.LotReceived.GetCode(), l.GetMedia(), micros(w.at), l.GetLengthUm())
	case *ledgerv1.Event_MediaLoaded:
		n := k.MediaLoaded
		w.exec("INSERT INTO loads VALUES (?,?,?,?,?,?,?)", w.rec.GetRevision(), w.place, micros(w.at), actor, n.GetDevice(), n.GetMedia(), n.GetLot())
	case *ledgerv1.Event_RunChanged:
		if n := k.RunChanged; n.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING_STOPPED {
			w.exec("INSERT INTO stops VALUES (?,?,?,?,?,?,?,?,?,?)", w.rec.GetRevision(), w.place, micros(w.at), n.GetRun(), n.GetJob(), n.GetStep(),
				n.GetDevice(), strings.Join(n.GetReasons(), " "), n.GetPiecesGood(), n.GetPiecesSpoiled())
		}
	}
}

// term makes every device silent from the record before on: nobody can tell until when the daemon before was there to hear it.
func (w *writer) term() {
	if w.levels.last.IsZero() {
		return
	}
	for id, c := range w.levels.devices {
		if c.Absent {
			continue
		}
		c.At, c.Link = w.levels.last, tandemv1.Link_LINK_NOT_YET_REPORTED
		w.change(id, c)
	}
}

// floor notes a floor file. Devices that it brings have not been heard yet.
func (w *writer) floor(file *tandemv1.FloorFile) {
	blob, err := proto.MarshalOptions{Deterministic: true}.Marshal(file)
	if err != nil {
		w.err = errors.Join(w.err, err)
		return
	}
	w.exec("INSERT INTO floors VALUES (?,?,?,?)", w.rec.GetRevision(), w.place, micros(w.at), blob)
	w.levels.floors = append(w.levels.floors, kpi.Floor{From: w.at, File: file})
	named := map[string]bool{}
	for _, d := range file.GetDevices() {
		named[d.GetId()] = true
		if c := w.levels.devices[d.GetId()]; c == nil || c.Absent {
			w.levels.devices[d.GetId()] = &kpi.Change{}
			w.device(d.GetId(), func(c *kpi.Change) { c.Link = tandemv1.Link_LINK_NOT_YET_REPORTED })
		}
	}
	for id, c := range w.levels.devices {
		if !named[id] && !c.Absent {
			w.device(id, func(c *kpi.Change) { *c = kpi.Change{Absent: true} })
		}
	}
}

// device changes what is known of a device.
func (w *writer) device(id string, f func(*kpi.Change)) {
	c := w.levels.devices[id]
	if c == nil {
		c = &kpi.Change{}
		w.levels.devices[id] = c
	}
	f(c)
	c.At = w.at
	w.change(id, c)
}

func (w *writer) change(id string, c *kpi.Change) {
	w.exec("INSERT OR REPLACE INTO device_changes VALUES (?,?,?,?,?,?,?,?,?,?,?,?,?)", id, micros(c.At), w.rec.GetRevision(), w.place,
		c.Link.String(), c.State.String(), c.Phase.String(), strings.Join(c.Reasons, " "), c.Paused, c.Locked, c.Broken, c.Note, c.Absent)
}

// spoiled notes a person's word. A step of a gang run's member was done by the gang run.
func (w *writer) spoiled(actor string, n *ledgerv1.PiecesSpoiled) {
	job, step := n.GetJob(), n.GetStep()
	if w.err == nil && step != "" {
		err := w.tx.QueryRowContext(w.ctx, "SELECT gang, gang_step FROM carries WHERE member = ? AND member_step = ? ORDER BY revision DESC LIMIT 1",
			job, step).Scan(&job, &step)
		if err != nil && !errors.Is(err, sql.ErrNoRows) {
			w.err = err
		}
	}
	w.exec("INSERT INTO spoiled VALUES (?,?,?,?,?,?,?,?,?,?,?)", w.rec.GetRevision(), w.place, micros(w.at), actor, n.GetJob(), n.GetPanel(), n.GetStep(),
		job, step, n.GetPieces(), n.GetNote())
}

func stamp(t *timestamppb.Timestamp) time.Time {
	if t == nil {
		return time.Time{}
	}
	return t.AsTime()
}

// recordsPerLook is how many records are read at once when the tables are filled anew.
const recordsPerLook = 512

// keptAfter reads some records that are kept.
func (h *History) keptAfter(ctx context.Context, after uint64) ([]kept, error) {
	rows, err := h.db.QueryContext(ctx, "SELECT revision, stored FROM records WHERE revision > ? ORDER BY revision LIMIT ?", after, recordsPerLook)
	if err != nil {
		return nil, fmt.Errorf("read records: %w", err)
	}
	defer rows.Close()
	var out []kept
	for rows.Next() {
		var k kept
		if err := rows.Scan(&k.revision, &k.stored); err != nil {
			return nil, fmt.Errorf("read records: %w", err)
		}
		if k.rec, k.hash, err = ledger.Decode(k.stored); err != nil {
			return nil, fmt.Errorf("record %d: %w: %w", k.revision, ErrDamaged, err)
		}
		out = append(out, k)
	}
	return out, rows.Err()
}
