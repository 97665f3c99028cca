package volatile

import (
	"errors"
	"math/rand/v2"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
)

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// cut cuts the power and gives it back.
func cut(t *testing.T, d *Disk) {
	t.Helper()
	must(t, d.Cut(rand.New(rand.NewPCG(1, 1))))
	if err := os.WriteFile(filepath.Join(d.Path(), "late"), nil, 0o600); !errors.Is(err, syscall.EIO) {
		t.Fatalf("without power a file is made: %v", err)
	}
	must(t, d.Restart())
}

func (d *Disk) write(t *testing.T, name, text string, sync bool) {
	t.Helper()
	f, err := os.OpenFile(filepath.Join(d.Path(), name), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	must(t, err)
	_, err = f.WriteString(text)
	must(t, err)
	if sync {
		must(t, f.Sync())
	}
	must(t, f.Close())
}

// is says what a file must hold; after a cut what was not synced may be there in part, at its place.
func (d *Disk) is(t *testing.T, name, synced, written string) {
	t.Helper()
	data, err := os.ReadFile(filepath.Join(d.Path(), name))
	must(t, err)
	got := string(data)
	if len(got) < len(synced) || len(got) > len(written) || got[:len(synced)] != synced {
		t.Fatalf("%s holds %.60q, and %.60q was synced", name, got, synced)
	}
	for i := len(synced); i < len(got); i++ {
		if got[i] != written[i] && got[i] != 0 {
			t.Fatalf("%s holds %q at %d", name, got[i], i)
		}
	}
}

func TestACutKeepsWhatWasSynced(t *testing.T) {
	d := ForTest(t, Journal)
	long := strings.Repeat("x", 3*pageSize)
	d.write(t, "a", "synced", true)
	d.write(t, "a", long, false)
	d.is(t, "a", "synced"+long, "synced"+long)
	must(t, os.Mkdir(filepath.Join(d.Path(), "sub"), 0o700))
	d.write(t, "sub/new", "whole", true)
	must(t, os.Rename(filepath.Join(d.Path(), "sub"), filepath.Join(d.Path(), "moved")))
	must(t, os.Rename(filepath.Join(d.Path(), "moved", "new"), filepath.Join(d.Path(), "moved", "named")))
	d.write(t, "unsynced", "nothing of this need be there", false)
	must(t, os.Rename(filepath.Join(d.Path(), "unsynced"), filepath.Join(d.Path(), "renamed")))
	d.write(t, "gone", "x", true)
	must(t, os.Remove(filepath.Join(d.Path(), "gone")))
	d.write(t, "short", "0123456789", true)
	must(t, os.Truncate(filepath.Join(d.Path(), "short"), 4))
	cut(t, d)
	d.is(t, "a", "synced", "synced"+long)
	d.is(t, "moved/named", "whole", "whole")
	d.is(t, "renamed", "", "nothing of this need be there")
	d.is(t, "short", "0123", "0123")
	if _, err := os.Stat(filepath.Join(d.Path(), "gone")); !errors.Is(err, os.ErrNotExist) {
		t.Errorf("a removed file is back: %v", err)
	}
	d.write(t, "a", "!", true) // and it is a disk as before
	cut(t, d)
}

// What a sync was for that failed can be read, and no later sync of that file brings it to the disk.
func TestASyncThatFails(t *testing.T) {
	d := ForTest(t, Journal)
	d.write(t, "a", "one", true)
	f, err := os.OpenFile(filepath.Join(d.Path(), "a"), os.O_APPEND|os.O_RDWR, 0)
	must(t, err)
	defer f.Close()
	_, err = f.WriteString("two")
	must(t, err)
	d.RefuseSync(func(path string) bool { return path == "a" })
	if err := f.Sync(); !errors.Is(err, syscall.EIO) || d.Refused() != 1 {
		t.Fatalf("the sync says %v, %d were refused", err, d.Refused())
	}
	must(t, f.Sync())
	d.is(t, "a", "onetwo", "onetwo")
	_, err = f.WriteString("three")
	must(t, err)
	must(t, f.Sync())
	must(t, f.Close())
	cut(t, d)
	d.is(t, "a", "one\x00\x00\x00three", "one\x00\x00\x00three")
}

func TestWritesThatFail(t *testing.T) {
	d := ForTest(t, Journal)
	d.write(t, "a", "one", true)
	d.FailWrites(func(path string) syscall.Errno {
		if path == "a" {
			return syscall.ENOSPC
		}
		return 0
	})
	f, err := os.OpenFile(filepath.Join(d.Path(), "a"), os.O_APPEND|os.O_WRONLY, 0)
	must(t, err)
	defer f.Close()
	if _, err := f.WriteString("two"); !errors.Is(err, syscall.ENOSPC) {
		t.Fatalf("a write on a full disk: %v", err)
	}
	d.write(t, "b", "other", true)
	d.FailWrites(nil)
	d.write(t, "a", "three", true)
	d.is(t, "a", "onethree", "onethree")
}
