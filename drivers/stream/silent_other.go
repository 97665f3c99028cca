//go:build !linux

package stream

import (
	"syscall"
	"time"
)

// silent leaves it to the system to give up a peer that no longer answers.
func silent(syscall.RawConn, time.Duration) bool { return false }

// unacknowledged is not known here: what the system has taken counts as taken.
func unacknowledged(syscall.RawConn) (int, bool) { return 0, false }
