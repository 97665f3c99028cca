package bus

import (
	"strings"
	"syscall"
	"testing"
)

// A daemon that is started on a disk which turned read-only says what is to be mended.
func TestReadOnlyDirectoryIsRefused(t *testing.T) {
	dir := mountDisk(t, syscall.MS_RDONLY, "size=1m")
	if f, err := lockDir(dir); err == nil || !strings.Contains(err.Error(), "find out why its disk can only be read") {
		t.Errorf("it is locked as %v, error %v", f, err)
	}
}
