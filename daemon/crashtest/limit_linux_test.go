package crashtest

import (
	"context"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"golang.org/x/sys/unix"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"
)

// limitFiles bounds how large a file the daemon may write, as `ulimit -f` does, and returns what lifts the bound again.
func limitFiles(t *testing.T, p *Process, most uint64) (lift func()) {
	t.Helper()
	var before unix.Rlimit
	must(t, unix.Prlimit(p.cmd.Process.Pid, unix.RLIMIT_FSIZE, nil, &before))
	must(t, unix.Prlimit(p.cmd.Process.Pid, unix.RLIMIT_FSIZE, &unix.Rlimit{Cur: most, Max: before.Max}, nil))
	return func() { must(t, unix.Prlimit(p.cmd.Process.Pid, unix.RLIMIT_FSIZE, &before, nil)) }
}

// The ledger can be written no more for a cause that is not its disk's: the disk has space and takes the files with which it is tried.
// The daemon tells everybody that cause, not only that it opens its ledger, and goes on by itself once it is mended.
func TestLedgerMayNotGrow(t *testing.T) {
	t.Parallel()
	s := openShop(t, filepath.Join(t.TempDir(), "data"), nil, "--space-limit", "2MiB", "--space-ballast", "0MiB")
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "limit", 7, true)
	stop := working(t, l, 4)
	awaitRequests(t, l, 300, 30*time.Second)
	lift := limitFiles(t, s.Daemon(), 64<<10)
	for range 2 { // and it is told as long as it is so
		must(t, poll(within(t, 30*time.Second), "a refusal that names the cause", func(ctx context.Context) (bool, error) {
			if ended, err := s.Daemon().Ended(); ended {
				return false, err
			}
			err := tryNewWork(ctx, s)
			return status.Code(err) == codes.Unavailable && Reason(err) == "LEDGER_OPENING" &&
				strings.Contains(err.Error(), "file too large") && strings.Contains(err.Error(), "the greatest size of a file that it may write"), nil
		}))
		time.Sleep(time.Second)
	}
	lift()
	resumed(t, s)
	stop()
	closeBooks(t, s, l)
}
