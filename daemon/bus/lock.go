package bus

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// lockName is the file whose lock means that a daemon owns the store directory. Its content is the owner's process id,
// for people; only the lock counts.
const lockName = "daemon.lock"

// ErrInUse says that another daemon owns the store directory. Two in one directory would destroy the ledger.
var ErrInUse = errors.New("store directory in use")

// dirLock keeps other daemons out of a directory. The operating system lets go of it when the process ends in
// whatever way, so it never outlives its owner.
type dirLock struct{ file *os.File }

func lockDir(dir string) (*dirLock, error) {
	path := filepath.Join(dir, lockName)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("lock store directory: %w", err)
	}
	held, err := lockFile(f)
	switch {
	case err != nil:
		return nil, errors.Join(fmt.Errorf("lock store directory with %s: %w", path, err), f.Close())
	case held:
		owner := ownerOf(f)
		return nil, errors.Join(fmt.Errorf("%w: %s belongs to %s: stop that daemon first, or give this one a directory of "+
			"its own", ErrInUse, dir, owner), f.Close())
	}
	if err := f.Truncate(0); err != nil {
		return nil, errors.Join(fmt.Errorf("write lock file: %w", err), f.Close())
	}
	if _, err := f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0); err != nil {
		return nil, errors.Join(fmt.Errorf("write lock file: %w", err), f.Close())
	}
	return &dirLock{f}, nil
}

// ownerOf names the process that holds the lock, as far as the file tells.
func ownerOf(f *os.File) string {
	text := make([]byte, 20)
	n, _ := f.ReadAt(text, 0)
	if pid, err := strconv.Atoi(strings.TrimSpace(string(text[:n]))); err == nil {
		return fmt.Sprintf("process %d", pid)
	}
	return "another process"
}

// release closes the file, which lets go of the lock. The file stays: if it were removed, a daemon that opened it just
// before and one that makes it anew could both hold a lock.
func (l *dirLock) release() error { return l.file.Close() }
