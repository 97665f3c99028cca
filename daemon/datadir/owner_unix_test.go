//go:build unix

package datadir_test

import (
	"bytes"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
	"testing"
	"time"

	"tandem/daemon/datadir"
)

// Root restores and makes anew what the daemon, another user, must open: what is made belongs to whom the folder belongs.
func TestMadeByRootForTheFoldersOwner(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("to give files away one must be root")
	}
	const nobody = 65534
	s := start(t, t.TempDir())
	s.submit("a", "print")
	s.historyKept()
	file := s.backup()
	s.stop()
	belongs := func(root string) {
		t.Helper()
		err := filepath.WalkDir(root, func(path string, _ fs.DirEntry, err error) error {
			if err != nil {
				return err
			}
			info, err := os.Lstat(path)
			if err != nil {
				return err
			}
			if owner, ok := info.Sys().(*syscall.Stat_t); !ok || owner.Uid != nobody {
				t.Errorf("%s is not its owner's", path)
			}
			return nil
		})
		if err != nil {
			t.Fatal(err)
		}
	}
	own := func(dir string) {
		t.Helper()
		if err := os.Chown(dir, nobody, nobody); err != nil {
			t.Fatal(err)
		}
	}

	back := t.TempDir()
	own(back)
	if _, err := datadir.Restore(t.Context(), bytes.NewReader(file), back, datadir.RestoreOptions{Actor: "mira", Now: time.Now()}); err != nil {
		t.Fatal(err)
	}
	belongs(back)

	own(s.dir)
	if _, err := datadir.Rebuild(t.Context(), s.dir, datadir.RebuildOptions{Now: time.Now()}); err != nil {
		t.Fatal(err)
	}
	belongs(datadir.BusDir(s.dir))
}
