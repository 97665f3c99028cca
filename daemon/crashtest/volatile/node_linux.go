package volatile

import (
	"context"
	"os"
	"syscall"

	fusefs "github.com/hanwen/go-fuse/v2/fs"
	"github.com/hanwen/go-fuse/v2/fuse"
)

// node is a file or a folder as programs see it.
type node struct {
	fusefs.LoopbackNode

	disk *Disk
}

var (
	_ fusefs.NodeWrapChilder    = (*node)(nil)
	_ fusefs.NodeCreater        = (*node)(nil)
	_ fusefs.NodeOpener         = (*node)(nil)
	_ fusefs.NodeOpendirHandler = (*node)(nil)
	_ fusefs.NodeMkdirer        = (*node)(nil)
	_ fusefs.NodeRmdirer        = (*node)(nil)
	_ fusefs.NodeUnlinker       = (*node)(nil)
	_ fusefs.NodeRenamer        = (*node)(nil)
	_ fusefs.NodeSetattrer      = (*node)(nil)
	_ fusefs.NodeFsyncer        = (*node)(nil)
	_ fusefs.NodeLinker         = (*node)(nil)
	_ fusefs.NodeSymlinker      = (*node)(nil)
	_ fusefs.NodeMknoder        = (*node)(nil)
)

// WrapChild implements fusefs.NodeWrapChilder: what is below a node is like it.
func (n *node) WrapChild(context.Context, fusefs.InodeEmbedder) fusefs.InodeEmbedder {
	return &node{LoopbackNode: fusefs.LoopbackNode{RootData: n.RootData}, disk: n.disk}
}

// item returns what the node shows; nil: it has been removed. The caller holds disk.mu.
func (n *node) item() *item { return n.disk.find(n.Path(n.Root())) }

// Create implements fusefs.NodeCreater.
func (n *node) Create(ctx context.Context, name string, flags, mode uint32, out *fuse.EntryOut) (made *fusefs.Inode, _ fusefs.FileHandle, _ uint32, _ syscall.Errno) {
	opened := &file{disk: n.disk}
	var how uint32
	errno := n.disk.change(func() (errno syscall.Errno) {
		made, opened.FileHandle, how, errno = n.LoopbackNode.Create(ctx, name, flags, mode, out)
		return errno
	}, func() error {
		folder := n.item()
		if opened.item = folder.names[name]; opened.item != nil {
			return n.disk.emptied(opened.item, flags)
		}
		opened.item = n.disk.newItem(false, os.FileMode(mode))
		n.disk.named(opened.item, folder, name)
		return os.WriteFile(n.disk.content(opened.item), nil, 0o600)
	})
	if errno != 0 {
		return nil, nil, 0, errno
	}
	return made, opened, how, 0
}

// Open implements fusefs.NodeOpener.
func (n *node) Open(ctx context.Context, flags uint32) (fusefs.FileHandle, uint32, syscall.Errno) {
	opened := &file{disk: n.disk}
	var how uint32
	errno := n.disk.change(func() (errno syscall.Errno) {
		opened.FileHandle, how, errno = n.LoopbackNode.Open(ctx, flags)
		return errno
	}, func() error {
		if opened.item = n.item(); opened.item == nil {
			return syscall.ENOENT
		}
		return n.disk.emptied(opened.item, flags)
	})
	if errno != 0 {
		return nil, 0, errno
	}
	return opened, how, 0
}

// OpendirHandle implements fusefs.NodeOpendirHandler.
func (n *node) OpendirHandle(ctx context.Context, flags uint32) (fusefs.FileHandle, uint32, syscall.Errno) {
	handle, how, errno := n.LoopbackNode.OpendirHandle(ctx, flags)
	if errno != 0 {
		return nil, 0, errno
	}
	return &folder{handle.(listing)}, how, 0
}

// Mkdir implements fusefs.NodeMkdirer.
func (n *node) Mkdir(ctx context.Context, name string, mode uint32, out *fuse.EntryOut) (made *fusefs.Inode, _ syscall.Errno) {
	errno := n.disk.change(func() (errno syscall.Errno) {
		made, errno = n.LoopbackNode.Mkdir(ctx, name, mode, out)
		return errno
	}, func() error {
		n.disk.named(n.disk.newItem(true, os.FileMode(mode)), n.item(), name)
		return nil
	})
	return made, errno
}

// Rmdir implements fusefs.NodeRmdirer.
func (n *node) Rmdir(ctx context.Context, name string) syscall.Errno {
	return n.disk.change(func() syscall.Errno { return n.LoopbackNode.Rmdir(ctx, name) }, func() error {
		n.disk.removed(n.item(), name)
		return nil
	})
}

// Unlink implements fusefs.NodeUnlinker.
func (n *node) Unlink(ctx context.Context, name string) syscall.Errno {
	return n.disk.change(func() syscall.Errno { return n.LoopbackNode.Unlink(ctx, name) }, func() error {
		n.disk.removed(n.item(), name)
		return nil
	})
}

// Rename implements fusefs.NodeRenamer. To swap two names is not for this disk.
func (n *node) Rename(ctx context.Context, name string, to fusefs.InodeEmbedder, newName string, flags uint32) syscall.Errno {
	if flags != 0 {
		return syscall.EINVAL
	}
	return n.disk.change(func() syscall.Errno { return n.LoopbackNode.Rename(ctx, name, to, newName, flags) }, func() error {
		n.disk.renamed(n.item(), name, to.(*node).item(), newName)
		return nil
	})
}

// Setattr implements fusefs.NodeSetattrer.
func (n *node) Setattr(ctx context.Context, f fusefs.FileHandle, in *fuse.SetAttrIn, out *fuse.AttrOut) syscall.Errno {
	opened, ok := f.(*file)
	if ok {
		f = opened.FileHandle
	}
	return n.disk.change(func() syscall.Errno { return n.LoopbackNode.Setattr(ctx, f, in, out) }, func() error {
		i := n.item()
		if ok {
			i = opened.item
		}
		if i == nil {
			return nil
		}
		if mode, ok := in.GetMode(); ok {
			i.mode = os.FileMode(mode).Perm()
		}
		if size, ok := in.GetSize(); ok {
			return os.Truncate(n.disk.content(i), int64(size))
		}
		return nil
	})
}

// Fsync implements fusefs.NodeFsyncer.
func (n *node) Fsync(_ context.Context, f fusefs.FileHandle, _ uint32) syscall.Errno {
	if opened, ok := f.(*file); ok {
		return n.disk.sync(func() *item { return opened.item })
	}
	return n.disk.sync(n.item)
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

// listing is what an open folder can do, but for its sync, which is the disk's.
type listing interface {
	fusefs.FileReaddirenter
	fusefs.FileSeekdirer
	fusefs.FileReleasedirer
}

// folder is one that is open.
type folder struct{ listing }

// file is one that is open.
type file struct {
	fusefs.FileHandle

	disk *Disk
	item *item
}

var (
	_ fusefs.FileReader   = (*file)(nil)
	_ fusefs.FileWriter   = (*file)(nil)
	_ fusefs.FileFlusher  = (*file)(nil)
	_ fusefs.FileReleaser = (*file)(nil)
)

// Read implements fusefs.FileReader.
func (f *file) Read(ctx context.Context, dest []byte, off int64) (fuse.ReadResult, syscall.Errno) {
	d := f.disk
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return nil, syscall.EIO
	}
	return f.FileHandle.(fusefs.FileReader).Read(ctx, dest, off)
}

// Write implements fusefs.FileWriter.
func (f *file) Write(ctx context.Context, data []byte, off int64) (uint32, syscall.Errno) {
	d := f.disk
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.off {
		return 0, syscall.EIO
	}
	if d.fails != nil {
		if errno := d.fails(f.item.path()); errno != 0 {
			return 0, errno
		}
	}
	n, errno := f.FileHandle.(fusefs.FileWriter).Write(ctx, data, off)
	if n > 0 {
		d.wrote(f.item, extent{off, off + int64(n)})
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
