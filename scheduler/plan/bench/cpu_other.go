//go:build !unix

package main

import "time"

var started = time.Now()

// cpu is the time since the start: where processor time is not to be had, run nothing else beside.
func cpu() time.Duration { return time.Since(started) }
