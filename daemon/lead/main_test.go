package lead_test

import (
	"os"
	"runtime"
	"testing"
)

// TestMain plays on one thread: with Go 1.26 the race detector has crashed in a synctest bubble with many timers (SIGSEGV under
// timer.maybeRunChan, once in some ten runs of TestNeverTwo), as if two threads had used one context of it. The cause is not proven.
func TestMain(m *testing.M) {
	runtime.GOMAXPROCS(1)
	os.Exit(m.Run())
}
