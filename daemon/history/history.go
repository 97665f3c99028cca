// Package history keeps a second copy of the ledger in a second engine, SQLite: every record byte for byte, and beside it small
// tables of jobs and runs for reports. It follows the ledger at a short distance, and never slows or stops who writes it.
//
// It decides nothing. What it is for: a store can lose what it had acknowledged, and a new, empty ledger must not take its place
// unnoticed; so the daemon compares the ledger with its history at each start, and the ledger can be made anew from it. The other
// way round the history can be made anew from the ledger at any time: remove its file.
package history

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net/url"
	"os"
	"path/filepath"

	_ "modernc.org/sqlite" // the engine, without C: floor PCs run Windows

	"tandem/daemon/ledger"
	"tandem/proto/durable"
)

const (
	// FileName is the name of the file in the daemon's data folder.
	FileName = "history.db"
	// schema is the version of the tables of jobs and runs. The table of records never changes, so that an older or a newer
	// program can tell what was known and rebuild a ledger from it; with another version the other tables are made anew.
	schema = 3
	// application marks the file as ours: "tndm".
	application = 0x746e646d
)

// tables of reports; see [History.Follow] for how they are filled. Times are microseconds since 1970 UTC, NULL where there is none.
const tables = `
CREATE TABLE jobs (
	job TEXT PRIMARY KEY, code TEXT NOT NULL, number INTEGER NOT NULL, display_name TEXT NOT NULL,
	accepted INTEGER NOT NULL, due INTEGER, finished INTEGER, state TEXT NOT NULL,
	pieces INTEGER NOT NULL, pieces_good INTEGER NOT NULL, pieces_spoiled INTEGER NOT NULL, revision INTEGER NOT NULL,
	gang INTEGER NOT NULL, started INTEGER, overs INTEGER NOT NULL, busy INTEGER NOT NULL,
	whole BLOB -- a tandem.v1.Job, once it has ended: the floor may let it go then
);
CREATE UNIQUE INDEX jobs_code ON jobs (code);
CREATE INDEX jobs_finished ON jobs (finished);
CREATE TABLE runs (
	fence INTEGER PRIMARY KEY, run TEXT NOT NULL, job TEXT NOT NULL, step TEXT NOT NULL, operation TEXT NOT NULL, device TEXT NOT NULL,
	granted INTEGER NOT NULL, started INTEGER, ended INTEGER, state TEXT NOT NULL, reasons TEXT NOT NULL,
	pieces INTEGER NOT NULL, pieces_good INTEGER NOT NULL, pieces_spoiled INTEGER NOT NULL,
	number INTEGER NOT NULL, remake INTEGER NOT NULL, supply TEXT NOT NULL, mode TEXT NOT NULL, film TEXT NOT NULL, blade TEXT NOT NULL,
	width_um INTEGER NOT NULL, length_um INTEGER NOT NULL, planned INTEGER NOT NULL, uses TEXT NOT NULL, pieces_mm2 INTEGER NOT NULL
);
CREATE INDEX runs_ended ON runs (ended);
CREATE INDEX runs_job ON runs (job);
CREATE INDEX runs_started ON runs (device, started);
` + factTables

const recordsTable = `CREATE TABLE IF NOT EXISTS records (revision INTEGER PRIMARY KEY, stored BLOB NOT NULL)`

// ErrDamaged says that the file is no history that can be used.
var ErrDamaged = errors.New("history damaged")

// History is an open history. It has one user at a time.
type History struct {
	path string
	db   *sql.DB
	head ledger.Head // of the last record kept; only revision and hash are known
	// unfilled says that the tables of reports lack what the records hold.
	unfilled bool
	levels   *levels // what the tables of facts have come to; nil: read them
	reader   reader

	lag lag
}

// Open opens the history in a data folder, or makes an empty one. The error is ErrDamaged if there is a file that cannot be used.
func Open(ctx context.Context, dataDir string) (*History, error) {
	h := &History{path: filepath.Join(dataDir, FileName)}
	fresh := false
	if _, err := os.Stat(h.path); errors.Is(err, os.ErrNotExist) {
		fresh = true
		if err := durable.MakeFolder(dataDir, 0o700); err != nil {
			return nil, fmt.Errorf("open history: %w", err)
		}
		f, err := os.OpenFile(h.path, os.O_RDWR|os.O_CREATE, 0o600) // SQLite would make it for everybody to read
		if err != nil {
			return nil, fmt.Errorf("open history: %w", err)
		}
		if err := f.Close(); err != nil {
			return nil, fmt.Errorf("open history: %w", err)
		}
	}
	var err error
	if h.db, err = connect(h.path, false); err != nil {
		return nil, fmt.Errorf("open history: %w", err)
	}
	if err := h.prepare(ctx, fresh); err != nil {
		return nil, errors.Join(fmt.Errorf("open history %s: %w", h.path, err), h.db.Close())
	}
	return h, nil
}

// connect opens the file.
//
// The write-ahead log lets reports read while records are added. It is synced with every transaction (synchronous FULL): a loss of
// power is when a ledger is most likely to be damaged, and a history that has lost its last seconds at that moment would not notice
// that the ledger has lost them too. That costs a write to disk for each batch of records, a few a second, beside the engine's loop.
func connect(path string, readOnly bool) (*sql.DB, error) {
	// The path may hold what means something in an address, such as ? and %.
	query := "_pragma=busy_timeout(5000)&_txlock=immediate"
	if readOnly {
		query += "&mode=ro&_pragma=query_only(1)"
	} else {
		query += "&_pragma=journal_mode(WAL)&_pragma=synchronous(FULL)"
	}
	db, err := sql.Open("sqlite", (&url.URL{Scheme: "file", Opaque: (&url.URL{Path: filepath.ToSlash(path)}).EscapedPath(), RawQuery: query}).String())
	if err != nil {
		return nil, err
	}
	db.SetMaxOpenConns(1) // one user; and pragmas belong to a connection
	return db, nil
}

// prepare makes the tables and finds the last record.
func (h *History) prepare(ctx context.Context, fresh bool) error {
	var app, version int
	if err := h.db.QueryRowContext(ctx, "PRAGMA application_id").Scan(&app); err != nil {
		return unusable(err)
	}
	if err := h.db.QueryRowContext(ctx, "PRAGMA user_version").Scan(&version); err != nil {
		return unusable(err)
	}
	var objects int
	if err := h.db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema").Scan(&objects); err != nil {
		return unusable(err)
	}
	fresh = fresh || objects == 0
	if !fresh && app != application {
		return fmt.Errorf("%w: it is a database of something else", ErrDamaged)
	}
	if !fresh {
		head, err := lastKept(ctx, h.db)
		if err != nil {
			return err
		}
		h.head = head
	}
	if fresh || version != schema {
		if err := h.makeTables(ctx); err != nil {
			return unusable(err)
		}
		h.unfilled = h.head.Revision > 0
		if !h.unfilled {
			if err := h.setVersion(ctx); err != nil {
				return unusable(err)
			}
		}
	}
	return nil
}

// setVersion notes that the tables of reports hold what they should.
func (h *History) setVersion(ctx context.Context) error {
	_, err := h.db.ExecContext(ctx, fmt.Sprintf("PRAGMA user_version = %d", schema))
	return err
}

// makeTables makes the tables of reports anew, and in a new file that of records. They have no version until they are filled. The file
// becomes ours with its first table, in one transaction: a first start that is cut off in between would leave what the next one has to take
// for somebody else's.
func (h *History) makeTables(ctx context.Context) error {
	tx, err := h.db.BeginTx(ctx, nil)
	if err != nil {
		return err
	}
	defer func() { _ = tx.Rollback() }()
	statements := []string{recordsTable, "DROP TABLE IF EXISTS jobs", "DROP TABLE IF EXISTS runs"}
	for _, name := range factNames {
		statements = append(statements, "DROP TABLE IF EXISTS "+name)
	}
	statements = append(statements, tables, fmt.Sprintf("PRAGMA application_id = %d", application), "PRAGMA user_version = 0")
	for _, statement := range statements {
		if _, err := tx.ExecContext(ctx, statement); err != nil {
			return err
		}
	}
	return tx.Commit()
}

// lastKept reads the last record's revision, verifies its checksum and returns its hash.
func lastKept(ctx context.Context, db *sql.DB) (ledger.Head, error) {
	var revision uint64
	var stored []byte
	err := db.QueryRowContext(ctx, "SELECT revision, stored FROM records ORDER BY revision DESC LIMIT 1").Scan(&revision, &stored)
	if errors.Is(err, sql.ErrNoRows) {
		return ledger.Head{}, nil
	}
	if err != nil {
		return ledger.Head{}, fmt.Errorf("read the last record: %w", unusable(err))
	}
	rec, hash, err := ledger.Decode(stored)
	if err != nil {
		return ledger.Head{}, fmt.Errorf("%w: record %d: %w", ErrDamaged, revision, err)
	}
	if rec.GetRevision() != revision {
		return ledger.Head{}, fmt.Errorf("%w: record %d says that it is %d", ErrDamaged, revision, rec.GetRevision())
	}
	return ledger.Head{Revision: revision, Term: rec.GetTerm(), CommitTime: rec.GetCommitTime().AsTime(), Hash: hash}, nil
}

// Head returns the last record kept. Valid before Follow.
func (h *History) Head() ledger.Head { return h.head }

// Path returns where the file is.
func (h *History) Path() string { return h.path }

// Close closes the file.
func (h *History) Close() error {
	if err := errors.Join(h.reader.close(), h.db.Close()); err != nil {
		return fmt.Errorf("close history: %w", err)
	}
	return nil
}

// SetAside moves a damaged history out of the way, so that a new one can be made. It is kept: it may be all that is left.
func SetAside(dataDir, suffix string) (string, error) {
	path := filepath.Join(dataDir, FileName)
	aside := path + "." + suffix
	for _, tail := range []string{"", "-wal", "-shm"} {
		if err := os.Rename(path+tail, aside+tail); err != nil && (tail == "" || !errors.Is(err, os.ErrNotExist)) {
			return "", fmt.Errorf("set history aside: %w", err)
		}
	}
	if err := durable.SyncFolder(dataDir); err != nil {
		return "", fmt.Errorf("set history aside: %w", err)
	}
	return aside, nil
}
