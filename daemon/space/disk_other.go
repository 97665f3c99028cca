//go:build !linux && !darwin && !freebsd && !windows

package space

import (
	"errors"
	"math"
	"syscall"
)

// Free cannot be told on this system: only a disk that fails is noticed.
func Free(string) (uint64, error) { return math.MaxInt64, nil }

// Size cannot be told on this system either.
func Size(string) (uint64, error) { return math.MaxInt64, nil }

// FreeFiles cannot be told on this system either.
func FreeFiles(string) (uint64, error) { return math.MaxUint64, nil }

func full(err error) bool { return errors.Is(err, syscall.ENOSPC) }

func readOnlyDisk(err error) bool { return errors.Is(err, syscall.EROFS) }
