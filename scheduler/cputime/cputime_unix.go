//go:build unix

// Package cputime tells how long the processor has worked for this process, for benchmarks and long searches: what they measure
// does not depend then on what else the computer does.
package cputime

import (
	"syscall"
	"time"
)

// Process is the processor time of this process so far.
func Process() time.Duration {
	var u syscall.Rusage
	if syscall.Getrusage(syscall.RUSAGE_SELF, &u) != nil {
		return 0
	}
	return time.Duration(u.Utime.Nano() + u.Stime.Nano())
}
