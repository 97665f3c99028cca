package history

import (
	"context"
	"database/sql"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Copy reads the records of a history, to make a ledger anew from them. It changes nothing.
type Copy struct{ db *sql.DB }

// OpenCopy opens the history of a data folder for reading. It is os.ErrNotExist if there is none.
func OpenCopy(dataDir string) (*Copy, error) {
	path := filepath.Join(dataDir, FileName)
	if _, err := os.Stat(path); err != nil {
		return nil, fmt.Errorf("open history: %w", err)
	}
	db, err := connect(path, true)
	if err != nil {
		return nil, fmt.Errorf("open history: %w", err)
	}
	return &Copy{db}, nil
}

// Head returns the last record's; the zero Head if there is none.
func (c *Copy) Head(ctx context.Context) (ledger.Head, error) {
	var n int
	if err := c.db.QueryRowContext(ctx, "SELECT count(*) FROM sqlite_schema WHERE name = 'records'").Scan(&n); err != nil {
		return ledger.Head{}, fmt.Errorf("read history: %w", unusable(err))
	}
	if n == 0 {
		return ledger.Head{}, nil
	}
	head, err := lastKept(ctx, c.db)
	if err != nil {
		return ledger.Head{}, fmt.Errorf("read history: %w", err)
	}
	return head, nil
}

// Records calls fn with every record from the first on, in its stored form, which fn may keep, once it has been verified.
func (c *Copy) Records(ctx context.Context, fn func(rec *ledgerv1.Record, stored []byte) error) error {
	rows, err := c.db.QueryContext(ctx, "SELECT stored FROM records ORDER BY revision")
	if err != nil {
		return fmt.Errorf("read history: %w", unusable(err))
	}
	defer rows.Close()
	var links ledger.Chain
	for rows.Next() {
		var stored []byte
		if err := rows.Scan(&stored); err != nil {
			return fmt.Errorf("read history after revision %d: %w", links.Head().Revision, err)
		}
		rec, err := links.Next(stored)
		if err != nil {
			return fmt.Errorf("read history: %w", err)
		}
		if err := fn(rec, stored); err != nil {
			return err
		}
	}
	if err := rows.Err(); err != nil {
		return fmt.Errorf("read history after revision %d: %w", links.Head().Revision, unusable(err))
	}
	return nil
}

// Check reads the whole file, tables and indexes too, and verifies every record. The error is ErrDamaged or ledger.ErrCorrupt.
func (c *Copy) Check(ctx context.Context) error {
	var found string
	if err := c.db.QueryRowContext(ctx, "PRAGMA quick_check(1)").Scan(&found); err != nil {
		return fmt.Errorf("check history: %w", unusable(err))
	}
	if found != "ok" {
		return fmt.Errorf("check history: %w: %s", ErrDamaged, strings.Join(strings.Fields(found), " "))
	}
	return c.Records(ctx, func(*ledgerv1.Record, []byte) error { return nil })
}

// Close closes the file.
func (c *Copy) Close() error { return c.db.Close() }
