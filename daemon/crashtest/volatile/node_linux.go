package volatile

import (
	"context"
	"os"
	"path/filepath"
	"syscall"

	fusefs "github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
)

// node is a file or a directory. What it does to names and sizes it does to the disk as well.
type node struct {
	fusefs.LoopbackNode

	disk *Disk
}

var (
	_ fusefs.NodeWrapChilder = (*node)(nil)
	_ fusefs.NodeCreater     = (*node)(nil)
	_ fusefs.NodeOpener      = (*node)(nil)
	_ fusefs.NodeMkdirer     = (*node)(nil)
	_ fusefs.NodeRmdirer     = (*node)(nil)
	_ fusefs.NodeUnlinker    = (*node)(nil)
	_ fusefs.NodeRenamer     = (*node)(nil)
	_ fusefs.NodeSetattrer   = (*node)(nil)
	_ fusefs.NodeFsyncer     = (*node)(nil)
	_ fusefs.NodeLinker      = (*node)(nil)
	_ fusefs.NodeSymlinker   = (*node)(nil)
	_ fusefs.NodeMknoder     = (*node)(nil)
)

// WrapChild implements fusefs.NodeWrapChilder: what is below a node is like it.
func (n *node) WrapChild(context.Context, fusefs.InodeEmbedder) fusefs.InodeEmbedder {
	return &node{LoopbackNode: fusefs.LoopbackNode{RootData: n.RootData}, disk: n.disk}
}

// path is that below the root, of the node or of a child.
func (n *node) path(child ...string) string {
	return filepath.Join(append([]string{n.Path(n.Root())}, child...)...)
}

func (n *node) durable(child ...string) string {
	return filepath.Join(n.disk.durable(), n.path(child...))
}

// Create implements fusefs.NodeCreater.
func (n *node) Create(ctx context.Context, name string, flags, mode uint32, out *fuse.EntryOut) (made *fusefs.Inode, _ fusefs.FileHandle, _ uint32, _ syscall.Errno) {
	var handle fusefs.FileHandle
	var how uint32
	errno := n.disk.change(func() (errno syscall.Errno) {
		made, handle, how, errno = n.LoopbackNode.Create(ctx, name, flags, mode, out)
		return errno
	}, func() error {
		f, err := os.OpenFile(n.durable(name), os.O_CREATE|os.O_RDWR|int(flags)&os.O_TRUNC, os.FileMode(mode).Perm())
		if err != nil {
			return err
		}
		return f.Close()
	})
	if errno != 0 {
		return nil, nil, 0, errno
	}
	return made, &file{handle, made.Operations().(*node)}, how, 0
}

// Open implements fusefs.NodeOpener.
func (n *node) Open(ctx context.Context, flags uint32) (fusefs.FileHandle, uint32, syscall.Errno) {
	var handle fusefs.FileHandle
	var how uint32
	errno := n.disk.change(func() (errno syscall.Errno) {
		handle, how, errno = n.LoopbackNode.Open(ctx, flags)
		return errno
	}, func() error {
		if flags&syscall.O_TRUNC == 0 {
			return nil
		}
		n.disk.forget(n.path(), "")
		return os.Truncate(n.durable(), 0)
	})
	if errno != 0 {
		return nil, 0, errno
	}
	return &file{handle, n}, how, 0
}

// Mkdir implements fusefs.NodeMkdirer.
func (n *node) Mkdir(ctx context.Context, name string, mode uint32, out *fuse.EntryOut) (made *fusefs.Inode, _ syscall.Errno) {
	errno := n.disk.change(func() (errno syscall.Errno) {
		made, errno = n.LoopbackNode.Mkdir(ctx, name, mode, out)
		return errno
	}, func() error { return os.Mkdir(n.durable(name), os.FileMode(mode).Perm()) })
	return made, errno
}

// Rmdir implements fusefs.NodeRmdirer.
func (n *node) Rmdir(ctx context.Context, name string) syscall.Errno {
	return n.disk.change(func() syscall.Errno { return n.LoopbackNode.Rmdir(ctx, name) }, func() error { return os.Remove(n.durable(name)) })
}

// Unlink implements fusefs.NodeUnlinker.
func (n *node) Unlink(ctx context.Context, name string) syscall.Errno {
	return n.disk.change(func() syscall.Errno { return n.LoopbackNode.Unlink(ctx, name) }, func() error {
		n.disk.forget(n.path(name), "")
		return os.Remove(n.durable(name))
	})
}

// Rename implements fusefs.NodeRenamer. To swap two names is not for this disk.
func (n *node) Rename(ctx context.Context, name string, to fusefs.InodeEmbedder, newName string, flags uint32) syscall.Errno {
	if flags != 0 {
		return syscall.EINVAL
	}
	return n.disk.change(func() syscall.Errno { return n.LoopbackNode.Rename(ctx, name, to, newName, flags) }, func() error {
		parent := to.(*node)
		n.disk.forget(parent.path(newName), "")
		n.disk.forget(n.path(name), parent.path(newName))
		return os.Rename(n.durable(name), parent.durable(newName))
	})
}

// Setattr implements fusefs.NodeSetattrer.
func (n *node) Setattr(ctx context.Context, f fusefs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	if opened, ok := f.(*file); ok {
		f = opened.FileHandle
	}
	return n.disk.change(func() syscall.Errno { return n.LoopbackNode.Setattr(ctx, f, in, out) }, func() error {
		if mode, ok := in.GetMode(); ok {
			if err := os.Chmod(n.durable(), os.FileMode(mode).Perm()); err != nil {
				return err
			}
		}
		if size, ok := in.GetSize(); ok {
			return os.Truncate(n.durable(), int64(size))
		}
		return nil
	})
}

// Fsync implements fusefs.NodeFsyncer: a directory is on disk at once.
func (n *node) Fsync(_ context.Context, f fusefs.FileHandle, _ uint32) syscall.Errno {
	if _, ok := f.(*file); !ok {
		return 0
	}
	return n.disk.sync(n.path())
}

// Link implements fusefs.NodeLinker: one name for one file.
func (n *node) Link(context.Context, fusefs.InodeEmbedder, string, *fuse.EntryOut) (*fusefs.Inode, syscall.Errno) {
	return nil, syscall.EPERM
}

// Symlink implements fusefs.NodeSymlinker.
func (n *node) Symlink(context.Context, string, string, *fuse.EntryOut) (*fusefs.Inode, syscall.Errno) {
	return nil, syscall.EPERM
}

// Mknod implements fusefs.NodeMknoder.
func (n *node) Mknod(context.Context, string, uint32, uint32, *fuse.EntryOut) (*fusefs.Inode, syscall.Errno) {
	return nil, syscall.EPERM
}

// file is one that is open.
type file struct {
	fusefs.FileHandle

	node *node
}

var (
	_ fusefs.FileReader   = (*file)(nil)
	_ fusefs.FileWriter   = (*file)(nil)
	_ fusefs.FileFlusher  = (*file)(nil)
	_ fusefs.FileReleaser = (*file)(nil)
)

// Read implements fusefs.FileReader.
func (f *file) Read(ctx context.Context, dest []byte, off int64) (fuse.ReadResult, syscall.Errno) {
	d := f.node.disk
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return nil, syscall.EIO
	}
	return f.FileHandle.(fusefs.FileReader).Read(ctx, dest, off)
}

// Write implements fusefs.FileWriter.
func (f *file) Write(ctx context.Context, data []byte, off int64) (uint32, syscall.Errno) {
	d := f.node.disk
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return 0, syscall.EIO
	}
	if d.fails != nil {
		if errno := d.fails(f.node.path()); errno != 0 {
			return 0, errno
		}
	}
	n, errno := f.FileHandle.(fusefs.FileWriter).Write(ctx, data, off)
	if n > 0 {
		d.wrote(f.node.path(), extent{off, off + int64(n)})
	}
	return n, errno
}

// Flush implements fusefs.FileFlusher.
func (f *file) Flush(ctx context.Context) syscall.Errno {
	return f.FileHandle.(fusefs.FileFlusher).Flush(ctx)
}

// Release implements fusefs.FileReleaser.
func (f *file) Release(ctx context.Context) syscall.Errno {
	return f.FileHandle.(fusefs.FileReleaser).Release(ctx)
}
