package main

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"time"

	"tandem/daemon/crashtest/volatile"
	"tandem/daemon/datadir"
	"tandem/daemon/ledger"
)

// Where a ledger goes on is known after a loss of power too: of two places that both stand back no floor goes on, and of two that both go on two do.
func TestThePlaceOfALedgerLasts(t *testing.T) {
	t.Parallel()
	disk := volatile.ForTest(t, volatile.Folders)
	for _, to := range []string{toCluster, toDataDir} {
		if err := errors.Join(markMoved(disk.Path(), to, ledger.Head{}, time.Now()), disk.Cut(nil), disk.Restart()); err != nil {
			t.Fatal(err)
		}
		_, err := os.Stat(filepath.Join(disk.Path(), datadir.MovedFile))
		if there := !errors.Is(err, fs.ErrNotExist); there != (to == toCluster) {
			t.Errorf("moved to %s, the file that says it went to a cluster is there: %t", to, there)
		}
	}
}
