//go:build unix

package drivers

import (
	"errors"
	"os"
	"syscall"
)

// syncFolder makes a rename in a folder last. A file system that cannot sync folders need not.
func syncFolder(dir string) error {
	d, err := os.Open(dir)
	if err != nil {
		return err
	}
	err = d.Sync()
	if errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP) {
		err = nil
	}
	return errors.Join(err, d.Close())
}
