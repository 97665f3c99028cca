//go:build linux || darwin || freebsd

package space

import (
	"errors"
	"fmt"
	"math"
	"syscall"

	"golang.org/x/sys/unix"
)

// readOnlyFlag is ST_RDONLY of Linux's statfs(2) and MNT_RDONLY of the BSDs'.
const readOnlyFlag = 1

// Free returns what is free on the disk of a folder for users other than the superuser, in bytes. A disk that
// is mounted for reading only is an error.
func Free(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, fmt.Errorf("ask for the free space of %s: %w", dir, err)
	}
	if st.Flags&readOnlyFlag != 0 {
		return 0, fmt.Errorf("ask for the free space of %s: %w", dir, syscall.EROFS)
	}
	return uint64(st.Bavail) * uint64(st.Bsize), nil //nolint:unconvert // the fields' types differ between systems
}

// Size returns what the disk of a folder holds in all, in bytes.
func Size(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, fmt.Errorf("ask for the size of the disk of %s: %w", dir, err)
	}
	return st.Blocks * uint64(st.Bsize), nil
}

// FreeFiles returns how many more files the disk of a folder can hold: its free inodes. Where a file system has no table of a fixed
// size it says 0 in all, and the answer is math.MaxUint64.
func FreeFiles(dir string) (uint64, error) {
	var st unix.Statfs_t
	if err := unix.Statfs(dir, &st); err != nil {
		return 0, fmt.Errorf("ask for the free inodes of %s: %w", dir, err)
	}
	if st.Files == 0 {
		return math.MaxUint64, nil
	}
	return uint64(max(st.Ffree, 0)), nil //nolint:unconvert // the field's type differs between systems
}

// full says whether an error means that the disk, or the user's share of it, has no space left.
func full(err error) bool { return errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EDQUOT) }

func readOnlyDisk(err error) bool { return errors.Is(err, syscall.EROFS) }
