package lockfile

import (
	"errors"
	"os"

	"golang.org/x/sys/windows"
)

// try takes the lock without waiting and reports whether somebody else holds it. The locked byte lies far beyond
// the file's end, because on this system nobody else can read what is locked.
func try(f *os.File) (held bool, err error) {
	err = windows.LockFileEx(windows.Handle(f.Fd()), windows.LOCKFILE_EXCLUSIVE_LOCK|windows.LOCKFILE_FAIL_IMMEDIATELY,
		0, 1, 0, &windows.Overlapped{OffsetHigh: 1 << 30})
	if errors.Is(err, windows.ERROR_LOCK_VIOLATION) || errors.Is(err, windows.ERROR_IO_PENDING) {
		return true, nil
	}
	return false, err
}
