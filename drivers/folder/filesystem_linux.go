package folder

import (
	"fmt"

	"golang.org/x/sys/unix"
)

// networked are the file systems of shares, by the numbers of statfs(2).
var networked = map[uint32]string{
	unix.NFS_SUPER_MAGIC: "NFS", unix.SMB_SUPER_MAGIC: "SMB", unix.SMB2_SUPER_MAGIC: "SMB", unix.CIFS_SUPER_MAGIC: "SMB",
	unix.V9FS_MAGIC: "9P", unix.AFS_SUPER_MAGIC: "AFS", unix.CODA_SUPER_MAGIC: "Coda", unix.CEPH_SUPER_MAGIC: "Ceph", unix.NCP_SUPER_MAGIC: "NCP",
}

// fileSystem says whether a folder is on a share, and how much room there is.
func fileSystem(dir string) (kind, free string) {
	var s unix.Statfs_t
	if err := unix.Statfs(dir, &s); err != nil {
		return "not known", "not known"
	}
	kind = "of this computer, no network share"
	number := uint32(s.Type) //nolint:gosec // the numbers of file systems have 32 bits
	if name, ok := networked[number]; ok {
		kind = "a network share (" + name + ")"
	} else if number == unix.FUSE_SUPER_MAGIC {
		kind = "FUSE, which may be a network share"
	}
	return kind, megabytes(s.Bavail * uint64(s.Bsize)) //nolint:gosec // a size of blocks is positive
}

func megabytes(n uint64) string { return fmt.Sprintf("%d MB", n/1_000_000) }
