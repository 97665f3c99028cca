package space

import (
	"errors"
	"fmt"
	"math"

	"golang.org/x/sys/windows"
)

// Free returns what is free on the disk of a folder for this user, in bytes.
func Free(dir string) (uint64, error) {
	free, _, err := room(dir)
	return free, err
}

// Size returns what the disk of a folder holds in all for this user, in bytes.
func Size(dir string) (uint64, error) {
	_, size, err := room(dir)
	return size, err
}

func room(dir string) (free, size uint64, err error) {
	name, err := windows.UTF16PtrFromString(dir)
	if err != nil {
		return 0, 0, fmt.Errorf("ask for the free space of %s: %w", dir, err)
	}
	var all uint64
	if err := windows.GetDiskFreeSpaceEx(name, &free, &size, &all); err != nil {
		return 0, 0, fmt.Errorf("ask for the free space of %s: %w", dir, err)
	}
	return free, size, nil
}

// FreeFiles: the number of files is not bounded here.
func FreeFiles(string) (uint64, error) { return math.MaxUint64, nil }

// full says whether an error means that the disk, or the user's share of it, has no space left.
func full(err error) bool {
	return errors.Is(err, windows.ERROR_DISK_FULL) || errors.Is(err, windows.ERROR_HANDLE_DISK_FULL) || errors.Is(err, windows.ERROR_DISK_QUOTA_EXCEEDED)
}

func readOnlyDisk(err error) bool { return errors.Is(err, windows.ERROR_WRITE_PROTECT) }
