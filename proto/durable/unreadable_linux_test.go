package durable_test

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
	"testing"

	"tandem/proto/durable"
)

// In a folder that its user may write to and not read, one is made all the same.
func TestAFolderThatMayNotBeRead(t *testing.T) {
	t.Parallel()
	box := t.TempDir()
	if err := os.Chmod(box, 0o300); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = os.Chmod(box, 0o700) })
	become := func() error { return nil }
	if os.Geteuid() == 0 { // root may read everything
		const nobody = 65534
		if err := errors.Join(os.Chown(box, nobody, nobody), os.Chmod(filepath.Dir(box), 0o711)); err != nil { //nolint:gosec // another user goes in
			t.Fatal(err)
		}
		become = func() error { return syscall.Setfsuid(nobody) }
	}
	made := make(chan error)
	go func() {
		runtime.LockOSThread() // and never unlocked: the thread, whose user is another, ends with this
		if err := become(); err != nil {
			made <- err
			return
		}
		if _, err := os.ReadDir(box); !errors.Is(err, os.ErrPermission) {
			made <- fmt.Errorf("the folder can be read: %w", err)
			return
		}
		made <- durable.MakeFolder(filepath.Join(box, "in"), 0o700)
	}()
	if err := <-made; err != nil {
		t.Error(err)
	}
}
