package history

import (
	"errors"
	"fmt"
	"sync"
	"time"

	"modernc.org/sqlite"
	sqlite3 "modernc.org/sqlite/lib"

	"tandem/daemon/ledger"
)

const (
	// farBehind is the number of records from which on somebody is told.
	farBehind = 4096
	// failingFor is how long a failure may last before somebody is told.
	failingFor = 15 * time.Second
)

// lag says how far the history is behind.
type lag struct {
	mu      sync.Mutex
	store   ledger.Stored
	kept    uint64
	failure error
	since   time.Time // of the failure
}

func (l *lag) begin(store ledger.Stored, kept uint64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.store, l.kept = store, kept
}

func (l *lag) reached(revision uint64) {
	l.mu.Lock()
	defer l.mu.Unlock()
	l.kept, l.failure = revision, nil
}

// fail notes a failure and says whether it is the first since something went right.
func (l *lag) fail(err error) bool {
	l.mu.Lock()
	defer l.mu.Unlock()
	first := l.failure == nil
	if first {
		l.since = time.Now()
	}
	l.failure = err
	return first
}

// Kept returns the last revision that is kept.
func (h *History) Kept() uint64 {
	h.lag.mu.Lock()
	defer h.lag.mu.Unlock()
	return h.lag.kept
}

// Attention says what a person should know: that the history is far behind, or fails.
func (h *History) Attention() []string {
	h.lag.mu.Lock()
	store, kept, failure, since := h.lag.store, h.lag.kept, h.lag.failure, h.lag.since
	h.lag.mu.Unlock()
	if store == nil {
		return nil
	}
	behind := uint64(0)
	if head := store.Head().Revision; head > kept {
		behind = head - kept
	}
	switch {
	case broken(failure):
		return []string{fmt.Sprintf("the history, the second copy of the ledger, is damaged, %d records behind, and has no reports: %v: when the floor is quiet, stop the daemon, move %s away, and start it again: it makes the history anew from the ledger",
			behind, failure, FileName)}
	case failure != nil && time.Since(since) >= failingFor:
		return []string{fmt.Sprintf("the history, the second copy of the ledger, is %d records behind and does not go on: %v%s", behind, failure, untilWritten(failure))}
	case behind >= farBehind:
		return []string{fmt.Sprintf("the history, the second copy of the ledger, is %d records behind", behind)}
	}
	return nil
}

// untilWritten says what helps against a failure that goes away once the disk takes what is written.
func untilWritten(failure error) string {
	e, ok := errors.AsType[*sqlite.Error](failure)
	switch {
	case !ok:
		return ""
	case primary(failure) == sqlite3.SQLITE_FULL:
		return ": free space on its disk; it goes on by itself then"
	case notWritten(e.Code()):
		return ": its disk does not take what is written: see what the system's log says of the disk, and put that right; it goes on by itself then"
	}
	return ""
}

// broken says whether a failure of the file does not go away by itself, as a full disk does.
func broken(failure error) bool {
	code := primary(failure)
	return code == sqlite3.SQLITE_CORRUPT || code == sqlite3.SQLITE_NOTADB
}

// Failure returns why the history does not go on; nil if it does.
func (h *History) Failure() error {
	h.lag.mu.Lock()
	defer h.lag.mu.Unlock()
	return h.lag.failure
}
