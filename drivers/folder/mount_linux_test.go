package folder

import (
	"errors"
	"os"
	"testing"

	"golang.org/x/sys/unix"

	"tandem/drivers/filejob/filejobtest"
)

// TestUnmounted: a share that is unmounted and mounted again, which only the administrator may do here.
func TestUnmounted(t *testing.T) {
	b := newBench(t, map[string]string{"done": "removed", "done-file": "", "lost-after": "1s"})
	share := t.TempDir()
	mount := func() error { return unix.Mount(share, b.in, "", unix.MS_BIND, "") }
	if err := mount(); errors.Is(err, unix.EPERM) {
		t.Skip("this user may not mount")
	} else if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { _ = unix.Unmount(b.in, unix.MNT_DETACH) }) // it may be unmounted already
	driver := b.driver()
	f := filejobtest.Start(t, driver)
	f.Grant(b.grant("r1"))
	name := b.dropped(f, "r1")
	if err := unix.Unmount(b.in, unix.MNT_DETACH); err != nil {
		t.Fatal(err)
	}
	if err := f.Lost(); !errors.Is(err, errNoAnchor) {
		t.Errorf("Run returns %v, want %v", err, errNoAnchor)
	}
	if err := mount(); err != nil {
		t.Fatal(err)
	}
	again := filejobtest.Start(t, driver)
	again.Run("r1", processing, "")
	if err := os.Remove(name); err != nil {
		t.Fatal(err)
	}
	again.Run("r1", completed, "")
}
