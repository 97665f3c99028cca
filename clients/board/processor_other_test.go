//go:build !unix

package board

import (
	"testing"
	"time"
)

// processorTime is not measured on this system.
func processorTime(testing.TB) time.Duration { return 0 }
