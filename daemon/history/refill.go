package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"

	"google.golang.org/protobuf/proto"

	"tandem/daemon/audit"
	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
	"tandem/scheduler/kpi"
)

// errUnfilled ends a watch, so that the tables are filled before it goes on.
var errUnfilled = errors.New("history: the tables are to be filled from the records")

// ErrNoJob says that the history knows no job of that id or code that has ended.
var ErrNoJob = errors.New("no such job in the history")

// Job returns a job that has left the floor as it was last seen there, by its id or code; ErrNoJob if none has ended that is called so. The error is
// ErrNotReady while the tables are being filled. It is safe for concurrent use.
func (h *History) Job(ctx context.Context, idOrCode string) (*tandemv1.Job, error) {
	db, err := h.reader.open(h.path)
	if err != nil {
		return nil, fmt.Errorf("read history: %w", err)
	}
	var version int
	if err := db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return nil, fmt.Errorf("read history: %w", err)
	}
	if version != schema {
		return nil, ErrNotReady
	}
	var data []byte
	err = db.QueryRowContext(ctx, "SELECT whole FROM jobs WHERE whole IS NOT NULL AND (job = ?1 OR code = ?1)", idOrCode).Scan(&data)
	if errors.Is(err, sql.ErrNoRows) {
		return nil, ErrNoJob
	}
	if err != nil {
		return nil, fmt.Errorf("read job %q from the history: %w", idOrCode, err)
	}
	job := &tandemv1.Job{}
	if err := proto.Unmarshal(data, job); err != nil {
		return nil, fmt.Errorf("read job %q from the history: %w: %w", idOrCode, ErrDamaged, err)
	}
	job.Archived = true
	return job, nil
}

// leftUnseen says whether jobs have left the floor in these records whose rows were never written: the history was far behind.
func leftUnseen(ctx context.Context, tx *sql.Tx, records []kept) (bool, error) {
	for _, r := range records {
		for _, id := range archivedIn(r.rec) {
			var n int
			if err := tx.QueryRowContext(ctx, "SELECT count(*) FROM jobs WHERE job = ? AND whole IS NOT NULL", id).Scan(&n); err != nil {
				return false, fmt.Errorf("look for job %s: %w", id, err)
			}
			if n == 0 {
				return true, nil
			}
		}
	}
	return false, nil
}

func archivedIn(rec *ledgerv1.Record) []string {
	var out []string
	for _, e := range rec.GetEvents() {
		out = append(out, e.GetJobsArchived().GetJobs()...)
	}
	return out
}

// refill fills the tables of reports from the records that are kept, if they have been made anew or lack jobs that have left the
// floor: it plays the records on a floor of its own, which takes as long as a start without a snapshot, beside the engine.
func (h *History) refill(ctx context.Context) error {
	if !h.unfilled {
		return nil
	}
	if err := h.makeTables(ctx); err != nil {
		return fmt.Errorf("refill tables: %w", err)
	}
	h.levels = &levels{devices: map[string]*kpi.Change{}}
	f := floor.New()
	for after := uint64(0); after < h.head.Revision; {
		records, err := h.keptAfter(ctx, after)
		if err == nil && len(records) == 0 {
			err = fmt.Errorf("no record is kept after revision %d: %w", after, ErrDamaged)
		}
		if err == nil {
			err = h.refillSome(ctx, f, records)
		}
		if err != nil {
			h.levels = nil
			return fmt.Errorf("refill tables: %w", err)
		}
		after = records[len(records)-1].revision
	}
	if err := h.setVersion(ctx); err != nil {
		return fmt.Errorf("refill tables: %w", err)
	}
	h.unfilled = false
	return nil
}

// refillSome plays some records and writes what they were about.
func (h *History) refillSome(ctx context.Context, f *floor.Floor, records []kept) error {
	var all rows
	var seen about
	for _, r := range records {
		if gone := archivedIn(r.rec); len(gone) > 0 { // while they are still there
			leaving := about{jobs: map[string]bool{}, runs: seen.runs}
			for _, id := range gone {
				leaving.jobs[id] = true
			}
			all.add(leaving.rows(engine.State{Floor: f, Now: f.CommitTime}))
		}
		seen.note(r.rec)
		if err := audit.Apply(f, r.rec); err != nil {
			return err
		}
	}
	all.add(seen.rows(engine.State{Floor: f, Now: f.CommitTime}))
	tx, err := h.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }()
	if err := h.keepFacts(ctx, tx, records); err != nil {
		return err
	}
	all.plan(h.levels)
	if err := all.write(ctx, tx); err != nil {
		return err
	}
	return tx.Commit()
}

// add adds rows; later ones of the same job or run take the place of earlier ones when they are written.
func (r *rows) add(o rows) {
	r.jobs, r.runs = append(r.jobs, o.jobs...), append(r.runs, o.runs...)
}
