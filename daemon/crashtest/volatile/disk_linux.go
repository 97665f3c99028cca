package volatile

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"

	fusefs "github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
)

// pageSize is what a system writes to a disk at once.
const pageSize = 4096

// Disk is such a disk. Its methods are for any goroutine.
type Disk struct {
	dir    string // a folder for what programs see, for what is on the disk, and for the mount
	server *fuse.Server

	mu      sync.Mutex
	off     bool                   // the power is cut
	dirty   map[string][]extent    // by path: written and not synced
	refuse  func(path string) bool // the next sync of such a file fails
	refused int
	fails   func(path string) syscall.Errno // a write to such a file fails
}

// extent is a stretch of a file.
type extent struct{ from, to int64 }

// Mount makes an empty disk in a folder, and mounts it. The error is ENODEV where the system has no such file systems.
func Mount(dir string) (*Disk, error) {
	if _, err := os.Stat("/dev/fuse"); err != nil {
		return nil, errors.Join(err, syscall.ENODEV)
	}
	d := &Disk{dir: dir}
	for _, sub := range []string{d.durable(), d.Path()} {
		if err := os.MkdirAll(sub, 0o700); err != nil {
			return nil, err
		}
	}
	return d, d.mount()
}

// Path is where the disk is mounted.
func (d *Disk) Path() string { return filepath.Join(d.dir, "mnt") }

func (d *Disk) live() string    { return filepath.Join(d.dir, "live") }
func (d *Disk) durable() string { return filepath.Join(d.dir, "durable") }

// mount lets programs see what is on the disk.
func (d *Disk) mount() error {
	if err := os.RemoveAll(d.live()); err != nil {
		return err
	}
	if out, err := exec.Command("cp", "-a", d.durable(), d.live()).CombinedOutput(); err != nil {
		return fmt.Errorf("read the disk: %w\n%s", err, out)
	}
	d.mu.Lock()
	d.off, d.dirty = false, map[string][]extent{}
	d.mu.Unlock()
	var live syscall.Stat_t
	if err := syscall.Stat(d.live(), &live); err != nil {
		return err
	}
	root := &fusefs.LoopbackRoot{Path: d.live(), Dev: live.Dev}
	top := &node{LoopbackNode: fusefs.LoopbackNode{RootData: root}, disk: d}
	root.RootNode = top
	var err error
	d.server, err = fusefs.Mount(d.Path(), top, &fusefs.Options{MountOptions: fuse.MountOptions{DirectMountStrict: true, FsName: "volatile"}})
	return err
}

// Cut cuts the power: from now on every call fails, and nothing more reaches the disk. Of what was not synced a part may have reached it
// before, page by page and in any order, as chance has it.
func (d *Disk) Cut(chance *rand.Rand) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.off = true
	var errs []error
	for path, written := range d.dirty {
		if chance.IntN(2) == 0 {
			continue
		}
		for _, e := range written {
			for at := e.from; at < e.to; at += pageSize - at%pageSize {
				if page := (extent{at, min(at+pageSize-at%pageSize, e.to)}); chance.IntN(2) == 0 {
					errs = append(errs, d.store(path, page))
				}
			}
		}
	}
	return errors.Join(errs...)
}

// Restart is the computer's, once every program has ended: what it sees now is what has reached the disk.
func (d *Disk) Restart() error {
	if err := d.server.Unmount(); err != nil {
		return err
	}
	return d.mount()
}

// Close unmounts the disk.
func (d *Disk) Close() error { return d.server.Unmount() }

// RefuseSync lets the next sync of a file fail that matches. What it was for will not reach the disk, though it can be read until the power
// is cut.
func (d *Disk) RefuseSync(match func(path string) bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.refuse = match
}

// FailWrites lets every write to a file fail for which fails returns an error, such as ENOSPC, from now on; nil: none does.
func (d *Disk) FailWrites(fails func(path string) syscall.Errno) {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.fails = fails
}

// Refused is how many syncs have failed so.
func (d *Disk) Refused() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.refused
}

// change does something to the names of the disk that needs no sync: to what programs see, and then to what is on the disk.
func (d *Disk) change(live func() syscall.Errno, durable func() error) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return syscall.EIO
	}
	if errno := live(); errno != 0 {
		return errno
	}
	return fusefs.ToErrno(durable())
}

// wrote notes a stretch that has been written. The caller holds d.mu.
func (d *Disk) wrote(path string, e extent) {
	list := d.dirty[path]
	if n := len(list); n > 0 && list[n-1].to == e.from {
		list[n-1].to = e.to
		return
	}
	d.dirty[path] = append(list, e)
}

// sync stores what has been written to a file, or fails.
func (d *Disk) sync(path string) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return syscall.EIO
	}
	written := d.dirty[path]
	delete(d.dirty, path)
	if d.refuse != nil && d.refuse(path) {
		d.refuse = nil
		d.refused++
		return syscall.EIO
	}
	for _, e := range written {
		if err := d.store(path, e); err != nil {
			return fusefs.ToErrno(err)
		}
	}
	return 0
}

// store copies a stretch of a file to the disk. One that has been removed needs nothing.
func (d *Disk) store(path string, e extent) error {
	from, err := os.Open(filepath.Join(d.live(), path))
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	if err != nil {
		return err
	}
	defer from.Close()
	to, err := os.OpenFile(filepath.Join(d.durable(), path), os.O_WRONLY, 0)
	if err != nil {
		return err
	}
	defer to.Close()
	data := make([]byte, e.to-e.from)
	n, err := from.ReadAt(data, e.from)
	if err != nil && !errors.Is(err, io.EOF) { // it may have been cut short since
		return err
	}
	_, err = to.WriteAt(data[:n], e.from)
	return err
}

// forget drops what has been written to a file, or below a directory, that is no more; with another name it is that one's. The caller
// holds d.mu.
func (d *Disk) forget(path, renamed string) {
	for p, written := range d.dirty {
		rest, below := strings.CutPrefix(p, path)
		if !below || rest != "" && rest[0] != '/' {
			continue
		}
		delete(d.dirty, p)
		if renamed != "" {
			d.dirty[renamed+rest] = written
		}
	}
}
