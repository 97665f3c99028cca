package history_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"

	"tandem/daemon/crashtest/volatile"
	"tandem/daemon/history"
	"tandem/proto/durable"
)

// opener is the environment variable that makes of TestOpensForAnother a program that opens the histories of folders.
const opener = "TANDEM_TEST_HISTORIES"

// TestOpensForAnother is no test by itself. The engine maps a file of the disk into memory, and a process that waits for a page of its own
// disk may wait for ever: the one that opens the history is not the one that is its disk.
func TestOpensForAnother(t *testing.T) {
	for _, dir := range filepath.SplitList(os.Getenv(opener)) {
		h, err := history.Open(t.Context(), dir)
		if err == nil {
			err = h.Close()
		}
		if err != nil {
			t.Errorf("damaged: %t: %v", errors.Is(err, history.ErrDamaged), err)
		}
	}
}

// opens opens and closes the histories of folders in a process of its own, and returns what it says if it cannot.
func opens(t *testing.T, dirs ...string) error {
	t.Helper()
	cmd := exec.CommandContext(t.Context(), os.Args[0], "-test.run=^TestOpensForAnother$")
	cmd.Env = append(os.Environ(), opener+"="+strings.Join(dirs, string(filepath.ListSeparator)))
	out, err := cmd.CombinedOutput()
	if err != nil {
		return fmt.Errorf("%w: %s", err, out)
	}
	return nil
}

// The first start ends at any sync of the history that it makes, with a disk that fails and then a loss of power: that is not told as
// damage, and the next start finds nothing that it would have to take for the rest of a history that was there. With an empty ledger beside
// it such a rest keeps a daemon from starting.
func TestFirstStartIsCutOff(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	var dirs []string
	for whole := false; !whole; {
		at := len(dirs) + 1
		dirs = append(dirs, filepath.Join(disk.Path(), strconv.Itoa(at)))
		var syncs atomic.Int64
		disk.RefuseSync(func(string) bool { return syncs.Add(1) == int64(at) })
		err := opens(t, dirs[at-1])
		whole = syncs.Load() < int64(at)
		switch {
		case whole && (err != nil || at < 3):
			t.Errorf("with %d syncs: %v", syncs.Load(), err)
		case err != nil && (strings.Contains(err.Error(), "damaged: true") || !strings.Contains(err.Error(), "the system's log")):
			t.Errorf("sync %d fails, and is told as %v", at, err)
		}
	}
	disk.RefuseSync(nil)
	cutAndOpen(t, disk, dirs)
}

// A history that has been opened for the first time is there, with the folder that was made for it, whatever a loss of power takes.
func TestANewHistoryLasts(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	dir := filepath.Join(disk.Path(), "shop", "data")
	if err := errors.Join(opens(t, dir), disk.Cut(nil), disk.Restart()); err != nil {
		t.Fatal(err)
	}
	if _, err := os.Stat(filepath.Join(dir, history.FileName)); err != nil {
		t.Error(err)
	}
}

// cutAndOpen cuts the power, gives it back, and opens the histories.
func cutAndOpen(t *testing.T, disk *volatile.Disk, dirs []string) {
	t.Helper()
	seed := rand.Uint64()
	t.Logf("seed %d", seed)
	if err := disk.Cut(rand.New(rand.NewPCG(seed, 1))); err != nil {
		t.Fatal(err)
	}
	if err := disk.Restart(); err != nil {
		t.Fatal(err)
	}
	if err := opens(t, dirs...); err != nil {
		t.Errorf("after a loss of power: %v", err)
	}
}

// The same, with a disk that fails or is full at one of its writes, of which there are some 150.
func TestFirstStartIsNotWritten(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	var dirs []string
	fails := map[string]int{} // by folder: how many writes to go until one fails
	for i := range 16 {
		name := strconv.Itoa(i)
		dirs, fails[name] = append(dirs, filepath.Join(disk.Path(), name)), 1+10*i+rand.IntN(10)
		if err := durable.MakeFolder(dirs[i], 0o700); err != nil {
			t.Fatal(err)
		}
	}
	t.Logf("fails at %v", fails)
	disk.FailWrites(func(path string) syscall.Errno {
		folder := filepath.Base(filepath.Dir(path))
		if fails[folder]--; fails[folder] != 0 {
			return 0
		}
		return []syscall.Errno{syscall.EIO, syscall.ENOSPC}[len(folder)-1] // of one figure or of two
	})
	err := opens(t, dirs...)
	disk.FailWrites(nil)
	if err == nil || strings.Contains(err.Error(), "damaged: true") {
		t.Errorf("writes fail, and are told as %v", err)
	}
	cutAndOpen(t, disk, dirs)
}
