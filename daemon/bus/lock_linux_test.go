package bus

import (
	"errors"
	"os"
	"strings"
	"syscall"
	"testing"
)

// A daemon that is started on a disk which turned read-only says what is to be mended.
func TestReadOnlyDirectoryIsRefused(t *testing.T) {
	dir := t.TempDir()
	if err := syscall.Mount("tandem-test", dir, "tmpfs", syscall.MS_RDONLY, "size=1m"); err != nil {
		if os.Getenv("CI") == "true" && !errors.Is(err, syscall.EPERM) {
			t.Fatal(err)
		}
		t.Skipf("no disk of the test's own can be mounted here (needs root): %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	if f, err := lockDir(dir); err == nil || !strings.Contains(err.Error(), "find out why its disk can only be read") {
		t.Errorf("it is locked as %v, error %v", f, err)
	}
}
