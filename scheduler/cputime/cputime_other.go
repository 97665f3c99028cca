//go:build !unix

package cputime

import "time"

var started = time.Now()

// Process is the time since the start: where processor time is not to be had, run nothing else beside.
func Process() time.Duration { return time.Since(started) }
