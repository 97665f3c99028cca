package volatile

import (
	"errors"
	"os"
	"syscall"
	"testing"
)

// ForTest makes an empty disk for a test, and unmounts it at the end. Where it cannot be made the test is left out, but under CI only if the
// machine permits it to nobody: it lacks no part then that could be installed.
func ForTest(t testing.TB, order Order) *Disk {
	t.Helper()
	d, err := Mount(t.TempDir(), order)
	if err != nil {
		forbidden := errors.Is(err, syscall.EPERM) || errors.Is(err, syscall.EACCES) || errors.Is(err, syscall.ENODEV)
		if os.Getenv("CI") == "true" && (!forbidden || os.Geteuid() != 0) {
			t.Fatalf("make a disk whose power can be cut: %v", err)
		}
		t.Skipf("no disk whose power can be cut can be made here (needs root and fuse): %v", err)
	}
	t.Cleanup(func() {
		if err := d.Close(); err != nil {
			t.Errorf("unmount a disk whose power can be cut: %v", err)
		}
	})
	return d
}
