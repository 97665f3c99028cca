package history

import (
	"context"
	"database/sql"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"strings"
	"sync"
	"time"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/kpi"
)

// ErrNotReady says that the tables of reports are being made anew from the records, and hold only a part of them.
var ErrNotReady = errors.New("the tables of reports are being made anew from the ledger")

// reader reads the file beside whoever writes it.
type reader struct {
	mu sync.Mutex
	db *sql.DB
}

func (r *reader) open(path string) (*sql.DB, error) {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.db == nil {
		db, err := connect(path, true)
		if err != nil {
			return nil, err
		}
		r.db = db
	}
	return r.db, nil
}

func (r *reader) close() error {
	r.mu.Lock()
	defer r.mu.Unlock()
	if r.db == nil {
		return nil
	}
	return r.db.Close()
}

// Past returns what is known of the time from one moment up to another, all of it at one revision. It is safe for concurrent use and
// keeps nobody from writing. The error is ErrNotReady while the tables are being filled.
func (h *History) Past(ctx context.Context, from, to time.Time) (kpi.Past, error) {
	p := kpi.Past{Interval: kpi.Interval{From: from.UTC(), To: to.UTC()}}
	db, err := h.reader.open(h.path)
	if err != nil {
		return p, fmt.Errorf("read history: %w", err)
	}
	tx, err := db.BeginTx(ctx, &sql.TxOptions{ReadOnly: true}) // what is read in it is of one moment
	if err != nil {
		return p, fmt.Errorf("read history: %w", err)
	}
	defer func() { _ = tx.Rollback() }()
	var version int
	if err := tx.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return p, fmt.Errorf("read history: %w", err)
	}
	if version != schema {
		return p, ErrNotReady
	}
	q := query{ctx: ctx, tx: tx, past: &p, from: from.UnixMicro(), to: to.UnixMicro(), states: jobStates()}
	for _, read := range []func() error{q.revision, q.floors, q.people, q.runs, q.devices, q.before, q.jobs, q.spoiled, q.remakes, q.lots, q.loads, q.stops} {
		if err := read(); err != nil {
			return p, fmt.Errorf("read history: %w", err)
		}
	}
	return p, nil
}

// query reads one past. from and to are microseconds.
type query struct {
	ctx      context.Context
	tx       *sql.Tx
	past     *kpi.Past
	from, to int64
	states   map[string]tandemv1.JobState // by keyword
}

// each calls fn with every row.
func each(ctx context.Context, tx *sql.Tx, fn func(*sql.Rows) error, text string, args ...any) error {
	rows, err := tx.QueryContext(ctx, text, args...)
	if err != nil {
		return err
	}
	defer rows.Close()
	for rows.Next() {
		if err := fn(rows); err != nil {
			return err
		}
	}
	return rows.Err()
}

func (q *query) each(fn func(*sql.Rows) error, text string, args ...any) error {
	return each(q.ctx, q.tx, fn, text, args...)
}

// moment is a time in a column; the zero time is NULL.
type moment struct{ time.Time }

// Scan implements sql.Scanner.
func (m *moment) Scan(v any) error {
	switch v := v.(type) {
	case nil:
		m.Time = time.Time{}
	case int64:
		m.Time = time.UnixMicro(v).UTC()
	default:
		return fmt.Errorf("a time is %T", v)
	}
	return nil
}

// list is words in a column.
type list struct{ words []string }

// Scan implements sql.Scanner.
func (l *list) Scan(v any) error {
	text, ok := v.(string)
	if !ok {
		return fmt.Errorf("words are %T", v)
	}
	l.words = strings.Fields(text)
	return nil
}

func (q *query) revision() error {
	var n sql.NullInt64
	err := q.tx.QueryRowContext(q.ctx, "SELECT max(revision) FROM records").Scan(&n)
	q.past.Revision = uint64(n.Int64)
	return err
}

func (q *query) floors() (err error) {
	q.past.Floors, err = floorsUntil(q.ctx, q.tx, q.past.From, q.past.To)
	return err
}

// floorsUntil returns the floor files that held from one time to another; all of them, if the times are zero.
func floorsUntil(ctx context.Context, tx *sql.Tx, from, to time.Time) ([]kpi.Floor, error) {
	var out []kpi.Floor
	all := to.IsZero()
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var at moment
		var blob []byte
		if err := rows.Scan(&at, &blob); err != nil {
			return err
		}
		file := &tandemv1.FloorFile{}
		if err := proto.Unmarshal(blob, file); err != nil {
			return fmt.Errorf("floor file of %v: %w", at.Time, err)
		}
		if !all && len(out) == 1 && !at.After(from) {
			out = out[:0]
		}
		out = append(out, kpi.Floor{From: at.Time, File: file})
		return nil
	}, "SELECT at, file FROM floors WHERE ? OR at < ? ORDER BY revision, place", all, to.UnixMicro())
	return out, err
}

func (q *query) people() error {
	p := q.past
	return q.each(func(rows *sql.Rows) error {
		var n kpi.People
		var at, until moment
		if err := rows.Scan(&at, &n.Operators, &until); err != nil {
			return err
		}
		if n.From, n.Until = at.Time, until.Time; len(p.People) == 1 && !n.From.After(p.From) {
			p.People = p.People[:0]
		}
		p.People = append(p.People, n)
		return nil
	}, "SELECT at, operators, until FROM people WHERE at < ? ORDER BY revision, place", q.to)
}

const changeColumns = "at, link, state, phase, reasons, paused, locked_by, broken, note, absent"

func scanChange(rows *sql.Rows) (c kpi.Change, err error) {
	var at moment
	var link, state, phase string
	var reasons list
	err = rows.Scan(&at, &link, &state, &phase, &reasons, &c.Paused, &c.Locked, &c.Broken, &c.Note, &c.Absent)
	c.At, c.Reasons = at.Time, reasons.words
	c.Link = tandemv1.Link(tandemv1.Link_value[link])
	c.State = tandemv1.DeviceState(tandemv1.DeviceState_value[state])
	c.Phase = tandemv1.DevicePhase(tandemv1.DevicePhase_value[phase])
	return c, err
}

// devicesKnown returns every device that has changes. It leaps from one to the next: there are few devices and many changes.
func devicesKnown(ctx context.Context, tx *sql.Tx) ([]string, error) {
	var out []string
	err := each(ctx, tx, func(rows *sql.Rows) error {
		var id string
		err := rows.Scan(&id)
		out = append(out, id)
		return err
	}, `WITH RECURSIVE known(id) AS (SELECT min(device) FROM device_changes UNION ALL
		SELECT (SELECT min(device) FROM device_changes WHERE device > id) FROM known WHERE id IS NOT NULL) SELECT id FROM known WHERE id IS NOT NULL`)
	return out, err
}

// lastChange returns the last change of a device up to a time; none if there is none.
func lastChange(ctx context.Context, tx *sql.Tx, device string, until int64) ([]kpi.Change, error) {
	var out []kpi.Change
	err := each(ctx, tx, func(rows *sql.Rows) error {
		c, err := scanChange(rows)
		out = append(out, c)
		return err
	}, "SELECT "+changeColumns+" FROM device_changes WHERE device = ? AND at <= ? ORDER BY at DESC, revision DESC, place DESC LIMIT 1", device, until)
	return out, err
}

// lastChanges returns the last change of each device.
func lastChanges(ctx context.Context, tx *sql.Tx) (map[string]*kpi.Change, error) {
	known, err := devicesKnown(ctx, tx)
	out := map[string]*kpi.Change{}
	for _, id := range known {
		last, err := lastChange(ctx, tx, id, math.MaxInt64)
		if err != nil {
			return nil, err
		}
		for i := range last {
			out[id] = &last[i]
		}
	}
	return out, err
}

// devices reads the last change up to the beginning, and what came after it: of the time, and of the runs that reach beyond it.
func (q *query) devices() error {
	known, err := devicesKnown(q.ctx, q.tx)
	for _, id := range known {
		d := kpi.Device{ID: id}
		from, to := q.from, q.to
		for i := range q.past.Runs {
			if r := &q.past.Runs[i]; r.Device == id && !r.Started.IsZero() && !r.Ended.IsZero() {
				from, to = min(from, r.Started.UnixMicro()), max(to, r.Ended.UnixMicro())
			}
		}
		if d.Changes, err = lastChange(q.ctx, q.tx, id, from); err != nil {
			return err
		}
		err = q.each(func(rows *sql.Rows) error {
			c, err := scanChange(rows)
			d.Changes = append(d.Changes, c)
			return err
		}, "SELECT "+changeColumns+" FROM device_changes WHERE device = ? AND at > ? AND at < ? ORDER BY at, revision, place", id, from, to)
		if err != nil {
			return err
		}
		if len(d.Changes) > 0 {
			q.past.Devices = append(q.past.Devices, d)
		}
	}
	return err
}

const runColumns = "fence, run, job, step, operation, device, granted, started, ended, state, reasons, pieces, pieces_good, pieces_spoiled, " +
	"number, remake, supply, mode, film, blade, width_um, length_um, planned, uses, pieces_mm2"

func (q *query) scanRun(rows *sql.Rows) (kpi.Run, error) {
	var r kpi.Run
	var granted, started, ended moment
	var state, uses string
	var reasons list
	var planned, area int64
	err := rows.Scan(&r.Fence, &r.ID, &r.Job, &r.Step, &r.Operation, &r.Device, &granted, &started, &ended, &state, &reasons, &r.Pieces, &r.Good, &r.Spoiled,
		&r.Number, &r.Remake, &r.Supply, &r.Mode, &r.Film, &r.Blade, &r.WidthUm, &r.LengthUm, &planned, &uses, &area)
	if err != nil {
		return r, err
	}
	r.Granted, r.Started, r.Ended = granted.Time, started.Time, ended.Time
	r.State, r.Reasons, r.Planned = q.states[state], reasons.words, time.Duration(planned)*time.Microsecond
	r.PiecesM2 = float64(area) / 1e6
	var taken []use
	if err := json.Unmarshal([]byte(uses), &taken); err != nil {
		return r, fmt.Errorf("lots of run %s: %w", r.ID, err)
	}
	for _, u := range taken {
		r.Lots = append(r.Lots, kpi.Use{Lot: u.Lot, LengthUm: u.Um})
	}
	return r, nil
}

func jobStates() map[string]tandemv1.JobState {
	out := map[string]tandemv1.JobState{}
	for n := range tandemv1.JobState_name {
		s := tandemv1.JobState(n)
		out[floor.Keyword(s)] = s
	}
	return out
}

func (q *query) runs() error {
	return q.each(func(rows *sql.Rows) error {
		r, err := q.scanRun(rows)
		q.past.Runs = append(q.past.Runs, r)
		return err
	}, "SELECT "+runColumns+" FROM runs WHERE granted < ?1 AND (ended IS NULL OR ended >= ?2) ORDER BY fence", q.to, q.from)
}

func (q *query) before() error {
	for _, d := range q.past.Devices {
		err := q.each(func(rows *sql.Rows) error {
			r, err := q.scanRun(rows)
			if err == nil && !r.Ended.IsZero() && r.Ended.Before(q.past.From) {
				q.past.Before = append(q.past.Before, r)
			}
			return err
		}, "SELECT "+runColumns+" FROM runs WHERE device = ? AND started < ? ORDER BY started DESC, fence DESC LIMIT 1", d.ID, q.from)
		if err != nil {
			return err
		}
	}
	return nil
}

func (q *query) jobs() error {
	return q.each(func(rows *sql.Rows) error {
		var j kpi.Job
		var accepted, due, started, finished moment
		var state string
		var busy int64
		err := rows.Scan(&j.ID, &j.Code, &j.Name, &j.Gang, &accepted, &due, &started, &finished, &state, &j.Pieces, &j.Good, &j.Spoiled, &j.Overs, &busy)
		j.Accepted, j.Due, j.Started, j.Finished = accepted.Time, due.Time, started.Time, finished.Time
		j.State, j.Busy = q.states[state], time.Duration(busy)*time.Microsecond
		q.past.Jobs = append(q.past.Jobs, j)
		return err
	}, `SELECT job, code, display_name, gang, accepted, due, started, finished, state, pieces, pieces_good, pieces_spoiled, overs, busy FROM jobs
		WHERE (accepted < ?1 AND (finished IS NULL OR finished >= ?2)) OR (due >= ?2 AND due < ?1) ORDER BY number`, q.to, q.from)
}

// spoiled reads the words of people, and books each with the run that it is about: the last one of the step before it.
func (q *query) spoiled() error {
	p := q.past
	byFence := map[uint64]*kpi.Run{}
	first := q.from
	for i := range p.Runs {
		byFence[p.Runs[i].Fence] = &p.Runs[i]
		first = min(first, p.Runs[i].Granted.UnixMicro())
	}
	return q.each(func(rows *sql.Rows) error {
		var f kpi.Found
		var at moment
		var fence sql.NullInt64
		var operation, device sql.NullString
		if err := rows.Scan(&at, &f.Actor, &f.Job, &f.Panel, &f.Step, &f.Pieces, &f.Note, &fence, &operation, &device); err != nil {
			return err
		}
		f.At, f.Operation, f.Device = at.Time, operation.String, device.String
		if r := byFence[uint64(fence.Int64)]; r != nil && fence.Valid {
			r.Found += f.Pieces
		}
		if !f.At.Before(p.From) && f.At.Before(p.To) {
			p.Found = append(p.Found, f)
		}
		return nil
	}, `SELECT s.at, s.actor, s.job, s.panel, s.step, s.pieces, s.note, r.fence, r.operation, r.device FROM spoiled AS s LEFT JOIN runs AS r
		ON r.fence = (SELECT max(fence) FROM runs WHERE job = s.run_job AND step = s.run_step AND started <= s.at)
		WHERE s.at >= ? ORDER BY s.revision, s.place`, first)
}

func (q *query) remakes() error {
	return q.each(func(rows *sql.Rows) error {
		var r kpi.Remake
		var at moment
		err := rows.Scan(&at, &r.Actor, &r.Job, &r.Panel, &r.For, &r.Pieces, &r.Note)
		r.At = at.Time
		q.past.Remakes = append(q.past.Remakes, r)
		return err
	}, "SELECT at, actor, job, panel, remake_of, pieces, note FROM remakes WHERE at >= ? AND at < ? ORDER BY revision, place", q.from, q.to)
}

func (q *query) lots() error {
	used := map[string]bool{}
	for _, r := range q.past.Runs {
		for _, u := range r.Lots {
			used[u.Lot] = true
		}
	}
	err := q.each(func(rows *sql.Rows) error {
		var l kpi.Lot
		var at moment
		err := rows.Scan(&l.ID, &l.Code, &l.Media, &at, &l.LengthUm)
		if l.Received = at.Time; used[l.ID] || !l.Received.Before(q.past.From) && l.Received.Before(q.past.To) {
			q.past.Lots = append(q.past.Lots, l)
		}
		return err
	}, "SELECT lot, code, media, received, length_um FROM lots ORDER BY lot")
	return err
}

func (q *query) loads() error {
	return q.each(func(rows *sql.Rows) error {
		var l kpi.Load
		var at moment
		err := rows.Scan(&at, &l.Actor, &l.Device, &l.Media, &l.Lot)
		l.At = at.Time
		q.past.Loads = append(q.past.Loads, l)
		return err
	}, "SELECT at, actor, device, media, lot FROM loads WHERE at >= ? AND at < ? ORDER BY revision, place", q.from, q.to)
}

func (q *query) stops() error {
	return q.each(func(rows *sql.Rows) error {
		var s kpi.Stop
		var at moment
		var reasons list
		err := rows.Scan(&at, &s.Run, &s.Job, &s.Step, &s.Device, &reasons, &s.Good, &s.Spoiled)
		s.At, s.Reasons = at.Time, reasons.words
		q.past.Stops = append(q.past.Stops, s)
		return err
	}, "SELECT at, run, job, step, device, reasons, pieces_good, pieces_spoiled FROM stops WHERE at >= ? AND at < ? ORDER BY revision, place", q.from, q.to)
}
