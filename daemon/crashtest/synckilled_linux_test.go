package crashtest

import (
	"math/rand/v2"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"tandem/daemon/crashtest/volatile"
)

// A sync of the ledger fails, and the daemon is killed before it hears of it: nobody is left who knows that the record which can be read there
// is not on the disk. The next daemon takes it for stored and goes on behind it, and then the power is cut: what that one has acknowledged is
// there.
func TestASyncFailsAndTheDaemonIsKilled(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	s := openShop(t, filepath.Join(disk.Path(), "data"), machines)
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "killed", 12, true)
	stop := working(t, l, 4)
	seed := uint64(time.Now().UnixNano())
	t.Logf("seed %d", seed)
	chance := rand.New(rand.NewPCG(seed, 12))
	for round := range 2 {
		awaitMore(t, l, 60)
		pid := s.Daemon().cmd.Process.Pid
		disk.RefuseSync(func(path string) bool {
			if !strings.Contains(path, "/TANDEM_LEDGER/") || !strings.HasSuffix(path, ".blk") {
				return false
			}
			return syscall.Kill(pid, syscall.SIGKILL) == nil
		})
		awaitRefused(t, disk, round+1)
		_ = s.KillDaemon() // it has been
		must(t, s.Start(within(t, time.Minute)))
		awaitMore(t, l, 60)
		powerCut(t, s, disk, chance)
		comeBack(t, s, l)
	}
	stop()
	closeBooks(t, s, l)
}
