package volatile

import (
	"cmp"
	"errors"
	"fmt"
	"io"
	"maps"
	"math/rand/v2"
	"os"
	"path/filepath"
	"slices"
	"strconv"
	"sync"
	"syscall"

	fusefs "github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
)

// pageSize is what a system writes to a disk at once.
const pageSize = 4096

// rootID is the item of the root.
const rootID = 1

// Disk is such a disk. Its methods are for any goroutine.
type Disk struct {
	dir    string // a folder for what programs see, for what is on the disk of each file, and for the mount
	order  Order
	server *fuse.Server

	mu      sync.Mutex
	off     bool // the power is cut
	root    *item
	items   int                    // made so far
	pending []*operation           // on names, in their order: not on the disk
	refuse  func(path string) bool // the next sync of such a file fails
	refused int
	fails   func(path string) syscall.Errno // a write to such a file fails
}

// extent is a stretch of a file.
type extent struct{ from, to int64 }

// Mount makes an empty disk in a folder, and mounts it. The error is ENODEV where the system has no such file systems.
func Mount(dir string, order Order) (*Disk, error) {
	if _, err := os.Stat("/dev/fuse"); err != nil {
		return nil, errors.Join(err, syscall.ENODEV)
	}
	d := &Disk{dir: dir, order: order}
	d.root = d.newItem(true, 0o700)
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
	d.mu.Lock()
	d.off, d.pending = false, nil
	kept := map[string]bool{}
	err := d.load(d.root, d.live(), kept)
	d.mu.Unlock()
	if err != nil {
		return fmt.Errorf("read the disk: %w", err)
	}
	contents, err := os.ReadDir(d.durable())
	if err != nil {
		return err
	}
	for _, c := range contents {
		if !kept[c.Name()] {
			if err := os.Remove(filepath.Join(d.durable(), c.Name())); err != nil {
				return err
			}
		}
	}
	var live syscall.Stat_t
	if err := syscall.Stat(d.live(), &live); err != nil {
		return err
	}
	root := &fusefs.LoopbackRoot{Path: d.live(), Dev: live.Dev}
	top := &node{LoopbackNode: fusefs.LoopbackNode{RootData: root}, disk: d}
	root.RootNode = top
	d.server, err = fusefs.Mount(d.Path(), top, &fusefs.Options{MountOptions: fuse.MountOptions{DirectMountStrict: true, FsName: "volatile"}})
	return err
}

// load makes what is on the disk of a folder for programs to see, and notes what of files is in use.
func (d *Disk) load(folder *item, path string, kept map[string]bool) error {
	if err := os.Mkdir(path, folder.mode); err != nil {
		return err
	}
	folder.names = maps.Clone(folder.stored)
	for name, i := range folder.names {
		i.in, i.name = folder, name
		if i.folder {
			if err := d.load(i, filepath.Join(path, name), kept); err != nil {
				return err
			}
			continue
		}
		i.dirty = nil
		kept[contentName(i.id)] = true
		if err := copyFile(d.content(i), filepath.Join(path, name), i.mode); err != nil {
			return err
		}
	}
	return nil
}

func contentName(id int) string { return strconv.Itoa(id) }

// copyFile copies a file, with the time of its last change.
func copyFile(from, to string, mode os.FileMode) error {
	in, err := os.Open(from)
	if err != nil {
		return err
	}
	defer in.Close()
	info, err := in.Stat()
	if err != nil {
		return err
	}
	out, err := os.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	if err != nil {
		return err
	}
	_, err = io.Copy(out, in)
	return errors.Join(err, out.Close(), os.Chtimes(to, info.ModTime(), info.ModTime()))
}

// Cut cuts the power: from now on every call fails, and nothing more reaches the disk. Of what was not synced a part may have reached it
// before, as chance has it: of names the first few operations, of what files hold any pages. A nil chance is the worst one: nothing has.
func (d *Disk) Cut(chance *rand.Rand) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	d.off = true
	if chance == nil {
		return nil
	}
	d.cutNames(chance)
	var errs []error
	for _, i := range d.dirty() {
		if chance.IntN(2) == 0 {
			continue
		}
		for _, e := range i.dirty {
			for at := e.from; at < e.to; at += pageSize - at%pageSize {
				if page := (extent{at, min(at+pageSize-at%pageSize, e.to)}); chance.IntN(2) == 0 {
					errs = append(errs, d.store(i, page))
				}
			}
		}
	}
	return errors.Join(errs...)
}

// dirty are the files with what is not synced, in the order in which they were made.
func (d *Disk) dirty() (files []*item) {
	var look func(*item)
	look = func(i *item) {
		if len(i.dirty) > 0 {
			files = append(files, i)
		}
		for _, in := range i.names {
			look(in)
		}
	}
	look(d.root)
	slices.SortFunc(files, func(a, b *item) int { return cmp.Compare(a.id, b.id) })
	return files
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

// change does something to what programs see, and then to what is known of it.
func (d *Disk) change(live func() syscall.Errno, known func() error) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return syscall.EIO
	}
	if errno := live(); errno != 0 {
		return errno
	}
	return fusefs.ToErrno(known())
}

// wrote notes a stretch that has been written. The caller holds d.mu.
func (d *Disk) wrote(i *item, e extent) {
	if n := len(i.dirty); n > 0 && i.dirty[n-1].to == e.from {
		i.dirty[n-1].to = e.to
		return
	}
	i.dirty = append(i.dirty, e)
}

// emptied notes that a file has been opened, and is empty then if the flags say so.
func (d *Disk) emptied(i *item, flags uint32) error {
	if flags&syscall.O_TRUNC == 0 {
		return nil
	}
	i.dirty = nil
	return os.Truncate(d.content(i), 0)
}

// sync stores what has been written to a file, or the names in a folder, or fails. What has been removed needs nothing.
func (d *Disk) sync(which func() *item) syscall.Errno {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return syscall.EIO
	}
	i := which()
	if i == nil || i.in == nil && i != d.root {
		return 0
	}
	if i.folder {
		d.syncNames(i)
		return 0
	}
	written := i.dirty
	i.dirty = nil
	if d.refuse != nil && d.refuse(i.path()) {
		d.refuse = nil
		d.refused++
		return syscall.EIO
	}
	for _, e := range written {
		if err := d.store(i, e); err != nil {
			return fusefs.ToErrno(err)
		}
	}
	d.syncNames(i)
	info, err := os.Stat(filepath.Join(d.live(), i.path()))
	if err == nil {
		err = os.Chtimes(d.content(i), info.ModTime(), info.ModTime())
	}
	return fusefs.ToErrno(err)
}

// store copies a stretch of a file to the disk.
func (d *Disk) store(i *item, e extent) error {
	from, err := os.Open(filepath.Join(d.live(), i.path()))
	if err != nil {
		return err
	}
	defer from.Close()
	to, err := os.OpenFile(d.content(i), os.O_WRONLY, 0)
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
