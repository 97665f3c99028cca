package space

import (
	"errors"
	"os"

	"golang.org/x/sys/unix"
)

// allocate gives a file of length 0 real blocks. Where the file system cannot do that at once, zeros are written.
func allocate(f *os.File, size int64) error {
	for {
		err := unix.Fallocate(int(f.Fd()), 0, 0, size)
		switch {
		case errors.Is(err, unix.EINTR):
		case errors.Is(err, unix.EOPNOTSUPP), errors.Is(err, unix.ENOSYS):
			return writeZeros(f, size)
		default:
			return err
		}
	}
}
