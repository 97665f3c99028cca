package space

import (
	"context"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"testing/synctest"
	"time"
)

// disk is a disk whose free space a test says; what the ballast takes is taken off.
type disk struct {
	dir  string
	free atomic.Int64 // without the ballast
	err  atomic.Pointer[error]
}

func (d *disk) measure(string) (uint64, error) {
	if err := d.err.Load(); err != nil {
		return 0, *err
	}
	free := d.free.Load()
	if info, err := os.Stat(filepath.Join(d.dir, ballastName)); err == nil {
		free -= info.Size()
	}
	return uint64(max(free, 0)), nil
}

const mib = 1 << 20

func newDisk(t *testing.T, free int64) (*disk, *Watch) {
	d := &disk{dir: t.TempDir()}
	d.free.Store(free)
	return d, New(Options{Dir: d.dir, Limit: 8 * mib, Ballast: 4 * mib, Measure: d.measure, MeasureFiles: boundless})
}

func boundless(string) (uint64, error) { return math.MaxUint64, nil }

func (d *disk) ballast() bool {
	info, err := os.Stat(filepath.Join(d.dir, ballastName))
	return err == nil && info.Size() == 4*mib
}

// The disk fills and is emptied again, a look at each level.
func TestLevels(t *testing.T) {
	d, w := newDisk(t, 100*mib)
	if w.ReadOnly() == nil {
		t.Error("takes work before it has looked")
	}
	for i, step := range []struct {
		free              int64 // without the ballast
		readOnly, ballast bool
		need              uint64
	}{
		{free: 100 * mib, ballast: true},
		{free: 12 * mib, ballast: true}, // 8 left
		{free: 12*mib - 1, readOnly: true, ballast: true, need: 10 * mib},
		{free: 13 * mib, readOnly: true, ballast: true, need: 10 * mib}, // above the limit, not far enough
		{free: 6 * mib, readOnly: true, ballast: true, need: 10 * mib},  // 2 left: a quarter
		{free: 6*mib - 1, readOnly: true, need: 14 * mib},
		{free: 0, readOnly: true, need: 14 * mib},
		{free: 14*mib - 1, readOnly: true, need: 14 * mib},
		{free: 14 * mib, ballast: true},
		{free: 12 * mib, ballast: true},
	} {
		d.free.Store(step.free)
		err := w.Look()
		if (err != nil) != step.readOnly || d.ballast() != step.ballast {
			t.Fatalf("step %d, %d bytes: error %v, ballast %t, want read-only %t, ballast %t", i, step.free, err, d.ballast(), step.readOnly, step.ballast)
		}
		if found, ok := errors.AsType[*Error](err); ok && (found.Need != step.need || !strings.Contains(err.Error(), "free ")) {
			t.Errorf("step %d: %v needs %d, want %d and the remedy", i, err, found.Need, step.need)
		}
	}
}

// The disk has bytes enough, and no room for more files: a store that needs the next one stops answering, so nothing new is taken before.
func TestFilesRunOut(t *testing.T) {
	d, _ := newDisk(t, 100*mib)
	var files atomic.Uint64
	w := New(Options{
		Dir: d.dir, Limit: 8 * mib, Ballast: 4 * mib, Measure: d.measure, MeasureFiles: func(string) (uint64, error) { return files.Load(), nil },
	})
	canOpen := func() bool {
		ctx, cancel := context.WithCancel(t.Context())
		cancel()
		return w.Await(ctx) == nil
	}
	for i, step := range []struct {
		files          uint64
		readOnly, open bool
	}{
		{files: 256, open: true},
		{files: 255, readOnly: true, open: true},
		{files: 319, readOnly: true, open: true}, // above the limit, not far enough
		{files: 15, readOnly: true},
		{files: 320, open: true},
		{files: 0, open: true}, // and yet another file can be made: this disk keeps no account of them
	} {
		files.Store(step.files)
		err := w.Look()
		if (err != nil) != step.readOnly || canOpen() != step.open {
			t.Errorf("step %d, %d files: error %v, can be opened %t, want read-only %t, %t", i, step.files, err, canOpen(), step.readOnly, step.open)
		}
		if err != nil && !strings.Contains(err.Error(), fmt.Sprintf("remove %d files there", 320-step.files)) {
			t.Errorf("step %d: %v does not say the remedy", i, err)
		}
	}
	// None, and none can be made.
	files.Store(0)
	if err := os.Mkdir(filepath.Join(d.dir, probeName), 0o700); err != nil {
		t.Fatal(err)
	}
	found, ok := errors.AsType[*Error](w.Look())
	if !ok || found.Metadata()["free_files"] != "0" || found.Metadata()["needed_files"] != "320" || canOpen() {
		t.Errorf("got %v, can be opened %t", found, canOpen())
	}
}

// The daemon's user has used up its share of a disk on which much is free: to free space elsewhere on it does not help.
func TestShareUsedUp(t *testing.T) {
	err := &Error{Dir: "/srv/floor", Free: 50 << 30, Need: 10 * mib, Cause: &os.PathError{Op: "open", Path: "/srv/floor/write-test", Err: syscall.EDQUOT}}
	if text := err.Error(); strings.Contains(text, "free 0 bytes") || !strings.Contains(text, "raise the user's quota") {
		t.Errorf("%q does not say what helps", text)
	}
}

// A disk that holds less in all than has to be free is too small: nobody can free so much there.
func TestDiskTooSmall(t *testing.T) {
	d, _ := newDisk(t, 6*mib)
	size := uint64(14*mib - 1)
	w := New(Options{
		Dir: d.dir, Limit: 8 * mib, Ballast: 4 * mib, Measure: d.measure, MeasureSize: func(string) (uint64, error) { return size, nil },
	})
	if err := w.Look(); err == nil || !strings.Contains(err.Error(), "set --space-limit and --space-ballast lower") {
		t.Errorf("got %v, want a word on what helps", err)
	}
	size++
	if err := w.Look(); err == nil || !strings.Contains(err.Error(), "free 8.0 MiB more there") {
		t.Errorf("on a disk that is large enough: %v", err)
	}
}

// A daemon that starts goes on where the one before it was.
func TestStart(t *testing.T) {
	for _, c := range []struct {
		name     string
		free     int64
		held     bool
		readOnly bool
		ballast  bool
	}{
		{"enough for everything", 14 * mib, false, false, true},
		{"not enough for a ballast", 14*mib - 1, false, false, false},
		{"below the limit", 8*mib - 1, false, true, false},
		{"ballast of the one before", 12 * mib, true, false, true},
		{"nothing but the ballast", 4 * mib, true, true, false},
	} {
		d, w := newDisk(t, c.free)
		if c.held {
			if err := w.hold(); err != nil {
				t.Fatal(err)
			}
		}
		if err := w.Look(); (err != nil) != c.readOnly || d.ballast() != c.ballast {
			t.Errorf("%s: error %v, ballast %t, want read-only %t, ballast %t", c.name, err, d.ballast(), c.readOnly, c.ballast)
		}
	}
}

func TestBallastOfOtherSizeIsMadeAnew(t *testing.T) {
	d, w := newDisk(t, 100*mib)
	for _, name := range []string{ballastName, ballastName + ".new"} {
		if err := os.WriteFile(filepath.Join(d.dir, name), []byte("left over"), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	if err := w.Look(); err != nil || !d.ballast() {
		t.Errorf("error %v, ballast %t", err, d.ballast())
	}
	if left, err := filepath.Glob(filepath.Join(d.dir, "*")); err != nil || len(left) != 1 {
		t.Errorf("left are %q, error %v", left, err)
	}
}

// The ballast has real blocks: a sparse one would hold nothing back.
func TestBallastIsAllocated(t *testing.T) {
	d, w := newDisk(t, 100*mib)
	if err := w.Look(); err != nil {
		t.Fatal(err)
	}
	if got := blocks(t, filepath.Join(d.dir, ballastName)); got < 4*mib {
		t.Errorf("%d bytes are allocated, want %d", got, 4*mib)
	}
}

func TestFailingDisk(t *testing.T) {
	for cause, want := range map[error]string{
		syscall.EROFS: "mount it for writing again",
		syscall.EIO:   "check the disk",
	} {
		d, w := newDisk(t, 100*mib)
		err := w.Look()
		if err != nil {
			t.Fatal(err)
		}
		d.err.Store(&cause)
		if err = w.Look(); err == nil || !strings.Contains(err.Error(), want) || !errors.Is(err, cause) {
			t.Errorf("got %v, want a word about %v with %q", err, cause, want)
		}
		d.err.Store(nil)
		if err := w.Look(); err != nil {
			t.Errorf("after %v: still %v", cause, err)
		}
	}
}

// The disk is unmounted, and the bare folder below is at the path: nothing is written there, and no store is opened.
func TestUnmounted(t *testing.T) {
	d, w := newDisk(t, 100*mib)
	if err := w.Look(); err != nil {
		t.Fatal(err)
	}
	away := d.dir + ".away"
	rename := func(from, to string) {
		t.Helper()
		if err := os.Rename(from, to); err != nil {
			t.Fatal(err)
		}
	}
	rename(d.dir, away)
	if err := os.Mkdir(d.dir, 0o700); err != nil {
		t.Fatal(err)
	}
	if err := w.Look(); err == nil || !strings.Contains(err.Error(), "mount the disk again") {
		t.Errorf("got %v, want a word about the disk that is gone", err)
	}
	ctx, cancel := context.WithTimeout(t.Context(), 50*time.Millisecond)
	defer cancel()
	if err := w.Await(ctx); err == nil {
		t.Error("a store may be opened in another folder")
	}
	if d.ballast() {
		t.Error("the ballast is made in another folder")
	}
	if err := os.Remove(d.dir); err != nil {
		t.Errorf("something was written there: %v", err)
	}
	rename(away, d.dir)
	if err := w.Look(); err != nil {
		t.Errorf("with the disk back: still %v", err)
	}
}

// What somebody else has seen fail is believed only once a write has worked.
func TestSuspect(t *testing.T) {
	d, w := newDisk(t, 100*mib)
	if err := w.Look(); err != nil {
		t.Fatal(err)
	}
	w.Suspect()
	if err := w.ReadOnly(); err != nil {
		t.Errorf("on a disk that can be written: %v", err)
	}
	// A folder where the small file should be: nobody can write that, not even the superuser.
	if err := os.Mkdir(filepath.Join(d.dir, probeName), 0o700); err != nil {
		t.Fatal(err)
	}
	w.Suspect()
	for range 2 {
		if err := w.Look(); err == nil {
			t.Fatal("a write does not work, and new work is taken")
		}
	}
	if err := os.Remove(filepath.Join(d.dir, probeName)); err != nil {
		t.Fatal(err)
	}
	if err := w.Look(); err != nil {
		t.Errorf("once a write works: %v", err)
	}
}

func TestAwait(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		d, w := newDisk(t, 0)
		opened := make(chan error)
		go func() { opened <- w.Await(t.Context()) }()
		time.Sleep(10 * time.Second)
		synctest.Wait()
		select {
		case err := <-opened:
			t.Fatalf("opened on a full disk: %v", err)
		default:
		}
		d.free.Store(mib) // read-only still, but not without any space
		if err := <-opened; err != nil {
			t.Error(err)
		}
		if w.ReadOnly() == nil {
			t.Error("1 MiB free, and new work is taken")
		}
	})
	ctx, cancel := context.WithCancel(t.Context())
	cancel()
	_, w := newDisk(t, 0)
	if err := w.Await(ctx); !errors.Is(err, context.Canceled) {
		t.Errorf("got %v, want that of the context", err)
	}
}

func TestFolderOfSomebodyElse(t *testing.T) {
	d, w := newDisk(t, 100*mib)
	var denied error = &os.PathError{Op: "open", Path: d.dir, Err: syscall.EACCES}
	d.err.Store(&denied)
	if err := w.Await(t.Context()); !errors.Is(err, os.ErrPermission) {
		t.Errorf("got %v, want an answer at once", err)
	}
}

func TestRealDisk(t *testing.T) {
	free, err := Free(t.TempDir())
	if err != nil || free == 0 {
		t.Errorf("%d bytes free, error %v", free, err)
	}
	if size, err := Size(t.TempDir()); err != nil || size < free {
		t.Errorf("%d bytes in all, error %v", size, err)
	}
	if files, err := FreeFiles(t.TempDir()); err != nil || files == 0 {
		t.Errorf("%d more files, error %v", files, err)
	}
	if _, err := Free(filepath.Join(t.TempDir(), "no such folder")); err == nil {
		t.Error("a folder that is not there has free space")
	}
}

func TestBytes(t *testing.T) {
	for n, want := range map[uint64]string{0: "0 bytes", 1023: "1023 bytes", 1024: "1.0 KiB", 1536 * 1024: "1.5 MiB", 5 << 40: "5.0 TiB", 5000 << 40: "5000.0 TiB"} {
		if got := Bytes(n); got != want {
			t.Errorf("Bytes(%d) = %q, want %q", n, got, want)
		}
	}
}
