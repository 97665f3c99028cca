//go:build unix

package lockfile

import (
	"errors"
	"os"
	"syscall"
)

// try takes the lock without waiting and reports whether somebody else holds it.
func try(f *os.File) (held bool, err error) {
	for {
		err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX|syscall.LOCK_NB)
		switch {
		case errors.Is(err, syscall.EINTR):
			continue
		case errors.Is(err, syscall.EWOULDBLOCK):
			return true, nil
		}
		return false, err
	}
}
