package space

import (
	"errors"
	"fmt"
	"io/fs"
	"strconv"
)

// Error says why nothing new is taken, and what to do about it.
type Error struct {
	// Dir is the data folder.
	Dir string
	// Free is what is free on its disk, in bytes.
	Free uint64
	// Need is what has to be free there before new work is taken again, in bytes.
	Need uint64
	// Size is what the disk holds in all, in bytes, if that is less than Need; else 0.
	Size uint64
	// FreeFiles is how many more files the disk can hold, and NeedFiles how many it has to; both are 0 if it can hold enough.
	FreeFiles, NeedFiles uint64
	// Cause is why nothing can be written at all; nil if only little space is left.
	Cause error
}

// Error names the free space needed, or the failure of the disk, and the remedy.
func (e *Error) Error() string {
	switch {
	case e.Cause != nil && full(e.Cause) && e.Free >= e.Need:
		return fmt.Sprintf("the disk with %s has %s free, and the daemon may not use it (%v): free some of the share that its user has of that disk, or raise the user's quota; the daemon then goes on by itself",
			e.Dir, Bytes(e.Free), cause(e.Cause))
	case e.Cause == nil && e.NeedFiles > 0 && e.Free >= e.Need:
		return fmt.Sprintf("the disk with %s can hold %d more files (inodes), and new work is taken only with %d: remove %d files there, whoever's they are; what runs goes on, and so does the daemon once there is room",
			e.Dir, e.FreeFiles, e.NeedFiles, e.NeedFiles-e.FreeFiles)
	case e.Cause == nil && e.Size > 0:
		return fmt.Sprintf("the disk with %s holds %s in all, and new work is taken only with %s free: put the data folder on a larger disk, or set --space-limit and --space-ballast lower; what runs goes on",
			e.Dir, Bytes(e.Size), Bytes(e.Need))
	case e.Cause == nil || full(e.Cause):
		more := uint64(0)
		if e.Need > e.Free {
			more = e.Need - e.Free
		}
		return fmt.Sprintf("the disk with %s has %s free, and new work is taken only with %s: free %s more there; what runs goes on, and so does the daemon once there is space",
			e.Dir, Bytes(e.Free), Bytes(e.Need), Bytes(more))
	case errors.Is(e.Cause, errAnotherFolder):
		return fmt.Sprintf("%s is not the folder that it was (%v): mount the disk again, and the daemon goes on by itself; if what is there now is the right one, stop the daemon and start it again", e.Dir, e.Cause)
	case readOnlyDisk(e.Cause):
		return fmt.Sprintf("the disk with %s is read-only (%v): look into the system's log for its failure, and mount it for writing again; the daemon then goes on by itself", e.Dir, cause(e.Cause))
	default:
		return fmt.Sprintf("the disk with %s cannot be written (%v): check the disk and its cables, and look into the system's log; the daemon goes on by itself once it can write", e.Dir, cause(e.Cause))
	}
}

// Unwrap returns the cause.
func (e *Error) Unwrap() error { return e.Cause }

// Metadata are the facts for programs.
func (e *Error) Metadata() map[string]string {
	m := map[string]string{
		"data_dir": e.Dir, "free_bytes": strconv.FormatUint(e.Free, 10), "needed_bytes": strconv.FormatUint(e.Need, 10),
	}
	if e.NeedFiles > 0 {
		m["free_files"], m["needed_files"] = strconv.FormatUint(e.FreeFiles, 10), strconv.FormatUint(e.NeedFiles, 10)
	}
	if e.Cause != nil {
		m["cause"] = cause(e.Cause).Error()
	}
	return m
}

// cause leaves out which file of ours could not be written: it is not that file's fault.
func cause(err error) error {
	if path, ok := errors.AsType[*fs.PathError](err); ok {
		return path.Err
	}
	return err
}

// Bytes writes a number of bytes for people, as 1.5 MiB.
func Bytes(n uint64) string {
	const step = 1024
	units := []string{"KiB", "MiB", "GiB", "TiB"}
	if n < step {
		return fmt.Sprintf("%d bytes", n)
	}
	f, unit := float64(n)/step, 0
	for f >= step && unit < len(units)-1 {
		f, unit = f/step, unit+1
	}
	return fmt.Sprintf("%.1f %s", f, units[unit])
}
