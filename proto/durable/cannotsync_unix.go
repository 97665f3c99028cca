//go:build unix

package durable

import (
	"errors"
	"syscall"
)

// cannotSync says whether a file system refuses to sync folders.
func cannotSync(err error) bool {
	return errors.Is(err, syscall.EINVAL) || errors.Is(err, syscall.ENOTSUP)
}
