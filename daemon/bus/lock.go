package bus

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"

	"tandem/proto/lockfile"
)

// lockName is the file whose lock means that a daemon owns the store directory.
const lockName = "daemon.lock"

// ErrInUse says that another daemon owns the store directory. Two in one directory would destroy the ledger.
var ErrInUse = errors.New("store directory in use")

// lockDir keeps other daemons out of a directory until the file is closed.
func lockDir(dir string) (*os.File, error) {
	f, err := os.OpenFile(filepath.Join(dir, lockName), os.O_RDWR|os.O_CREATE, 0o600)
	switch {
	case errors.Is(err, fs.ErrPermission):
		err = belongsToAnother(dir, err)
	case errors.Is(err, syscall.EROFS):
		err = fmt.Errorf("%w: a daemon must write there: find out why its disk can only be read (an error of the disk, or how it is mounted), mend that, and start again", err)
	}
	if err != nil {
		return nil, fmt.Errorf("lock store directory: %w", err)
	}
	switch err := lockfile.Take(f); {
	case errors.Is(err, lockfile.ErrHeld):
		return nil, errors.Join(fmt.Errorf("%w: %s is %w: stop that daemon first, or give this one a directory of its own", ErrInUse, dir, err), f.Close())
	case err != nil:
		return nil, errors.Join(fmt.Errorf("lock store directory: %w", err), f.Close())
	}
	return f, nil
}

// Lock keeps daemons out of a store directory that is there, until the function it returns is called; further calls do nothing. It is
// [ErrInUse] if a daemon runs there.
func Lock(dir string) (unlock func(), err error) {
	if _, err := os.Stat(dir); err != nil {
		return nil, fmt.Errorf("lock store directory: %w", err)
	}
	f, err := lockDir(dir)
	if err != nil {
		return nil, err
	}
	return sync.OnceFunc(func() { _ = f.Close() }), nil
}
