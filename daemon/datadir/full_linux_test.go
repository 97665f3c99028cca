package datadir_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"tandem/daemon/datadir"
	"tandem/daemon/history"
)

// A disk that fills while a ledger is made says so, at once, and with what helps; what was there before stays as it was.
func TestDiskFullWhileALedgerIsMade(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("to mount a small disk one must be root")
	}
	s := start(t, t.TempDir())
	for i := range 200 {
		s.submit(fmt.Sprintf("job-%d", i), "print", "cut")
	}
	s.historyKept()
	file := s.backup()
	s.stop()
	small := t.TempDir()
	if err := syscall.Mount("tmpfs", small, "tmpfs", 0, "size=4m"); err != nil {
		t.Skipf("no small disk: %v", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(small, syscall.MNT_DETACH) })
	dir := filepath.Join(small, "data")
	if err := os.CopyFS(datadir.BusDir(dir), os.DirFS(datadir.BusDir(s.dir))); err != nil {
		t.Fatal(err)
	}
	if err := os.Chmod(filepath.Join(datadir.BusDir(dir), "driver-token"), 0o600); err != nil {
		t.Fatal(err)
	}
	copyFile(t, filepath.Join(s.dir, history.FileName), filepath.Join(dir, history.FileName))
	full := filepath.Join(small, "full")
	fill := func(left int64) {
		t.Helper()
		var fs syscall.Statfs_t
		if err := syscall.Statfs(small, &fs); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(full, make([]byte, int64(fs.Bavail)*fs.Bsize-left), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	said := func(err error, remedy string, began time.Time) {
		t.Helper()
		if err == nil || !strings.Contains(err.Error(), "no space left") || !strings.Contains(err.Error(), "free space") || !strings.Contains(err.Error(), remedy) {
			t.Errorf("a full disk is told as %v, want what helps", err)
		}
		if took := time.Since(began); took > 4*time.Second {
			t.Errorf("it is told after %v, as long as an answer is waited for", took)
		}
	}
	fill(60_000)
	began := time.Now()
	_, err := datadir.Rebuild(t.Context(), dir, datadir.RebuildOptions{Now: began})
	said(err, "run the same command again", began)
	if err := os.RemoveAll(dir + "/bus.rebuilding"); err != nil {
		t.Fatal(err)
	}
	if _, err := datadir.Verify(t.Context(), dir); err != nil {
		t.Errorf("what was there is no longer good: %v", err)
	}
	elsewhere := filepath.Join(small, "elsewhere")
	if err := os.Remove(full); err != nil {
		t.Fatal(err)
	}
	fill(60_000)
	began = time.Now()
	_, err = datadir.Restore(t.Context(), bytes.NewReader(file), elsewhere, datadir.RestoreOptions{Actor: "mira", Now: began})
	said(err, "remove "+elsewhere, began)

	// What is said helps.
	if err := os.RemoveAll(elsewhere); err != nil {
		t.Fatal(err)
	}
	if err := os.Remove(full); err != nil {
		t.Fatal(err)
	}
	if _, err := datadir.Rebuild(t.Context(), dir, datadir.RebuildOptions{Now: time.Now()}); err != nil {
		t.Error(err)
	}
	if _, err := datadir.Restore(t.Context(), bytes.NewReader(file), elsewhere, datadir.RestoreOptions{Actor: "mira", Now: time.Now()}); err != nil {
		t.Error(err)
	}
}
