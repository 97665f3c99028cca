//go:build unix

package board

import (
	"syscall"
	"testing"
	"time"
)

// processorTime is what this process has used of the processor so far.
func processorTime(t testing.TB) time.Duration {
	t.Helper()
	var r syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &r); err != nil {
		t.Fatal(err)
	}
	return time.Duration(r.Utime.Nano() + r.Stime.Nano())
}
