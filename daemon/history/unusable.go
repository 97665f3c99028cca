package history

import (
	"context"
	"errors"
	"fmt"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"
)

// primary returns the engine's result code without what an extended one adds; 0: the error is not the engine's.
func primary(err error) int {
	if e, ok := errors.AsType[*sqlite.Error](err); ok {
		return e.Code() & 0xff
	}
	return sqlite3.SQLITE_OK
}

// unusable says of an error at reading whether the file is damaged or only out of reach. One that is out of reach must not be set
// aside as damaged: it may know what the ledger has lost, and a daemon that began another would go on with what is left.
func unusable(err error) error {
	switch primary(err) {
	case sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED:
		return fmt.Errorf("another program keeps it locked; end that one, and start again: %w", err)
	case sqlite3.SQLITE_CANTOPEN, sqlite3.SQLITE_PERM, sqlite3.SQLITE_AUTH, sqlite3.SQLITE_READONLY:
		return fmt.Errorf("it and its folder must be this program's user's to read and write; see whose they are, and start again: %w", err)
	case sqlite3.SQLITE_FULL, sqlite3.SQLITE_NOMEM:
		return fmt.Errorf("there is no room to open it; make some, and start again: %w", err)
	}
	if e, ok := errors.AsType[*sqlite.Error](err); ok && notWritten(e.Code()) {
		return fmt.Errorf("its disk does not take what is written: see what the system's log says of the disk, put that right, and start again: %w", err)
	}
	if errors.Is(err, context.Canceled) || errors.Is(err, context.DeadlineExceeded) || primary(err) == sqlite3.SQLITE_INTERRUPT {
		return err
	}
	return fmt.Errorf("%w: %w", ErrDamaged, err)
}

// notWritten says whether a result code is that of a disk that fails to write, which tells nothing of what it holds.
func notWritten(code int) bool {
	switch code {
	case sqlite3.SQLITE_IOERR_WRITE, sqlite3.SQLITE_IOERR_FSYNC, sqlite3.SQLITE_IOERR_DIR_FSYNC, sqlite3.SQLITE_IOERR_TRUNCATE, sqlite3.SQLITE_IOERR_DELETE,
		sqlite3.SQLITE_IOERR_SHMSIZE, sqlite3.SQLITE_IOERR_COMMIT_ATOMIC:
		return true
	}
	return false
}
