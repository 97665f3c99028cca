package lead_test

import (
	"os"
	"runtime"
	"testing"
)

// TestMain plays on one thread. Go 1.26 gives the timers of a synctest bubble one context of the race detector, and two threads that look at
// timers of the same bubble at once have made it crash (SIGSEGV in timer.maybeRunChan); seen once in some ten runs of TestNeverTwo.
func TestMain(m *testing.M) {
	runtime.GOMAXPROCS(1)
	os.Exit(m.Run())
}
