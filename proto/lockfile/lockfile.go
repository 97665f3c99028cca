// Package lockfile keeps other processes out by a lock on an open file. The operating system lets go of the lock when the
// process ends in whatever way, so what a dead process has left never locks anybody out. Closing the file lets go, too; the
// file should stay: if it were removed, a process that opened it just before and one that makes it anew could both hold a lock.
package lockfile

import (
	"errors"
	"fmt"
	"os"
	"strconv"
	"strings"
)

// ErrHeld says that another process holds the lock; the error that wraps it names that process as far as the file tells.
var ErrHeld = errors.New("held")

// Take takes the lock without waiting and writes this process's id into the file, for people.
func Take(f *os.File) error {
	held, err := try(f)
	switch {
	case err != nil:
		return fmt.Errorf("lock %s: %w", f.Name(), err)
	case held:
		return fmt.Errorf("%w by %s", ErrHeld, owner(f))
	}
	if err := f.Truncate(0); err != nil {
		return fmt.Errorf("write lock file: %w", err)
	}
	if _, err := f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0); err != nil {
		return fmt.Errorf("write lock file: %w", err)
	}
	return nil
}

func owner(f *os.File) string {
	text := make([]byte, 20)
	n, _ := f.ReadAt(text, 0)
	if pid, err := strconv.Atoi(strings.TrimSpace(string(text[:n]))); err == nil {
		return fmt.Sprintf("process %d", pid)
	}
	return "another process"
}
