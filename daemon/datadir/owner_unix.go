//go:build unix

package datadir

import (
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"syscall"
)

// GiveToOwner gives what root has made in a data folder to whom the folder belongs: the daemon runs as that user, and could not open
// it. Whoever is not root can make nothing in another user's folder.
func GiveToOwner(dir, made string) error {
	if os.Geteuid() != 0 {
		return nil
	}
	info, err := os.Stat(dir)
	if err != nil {
		return fmt.Errorf("find whose folder it is: %w", err)
	}
	owner, ok := info.Sys().(*syscall.Stat_t)
	if !ok || owner.Uid == 0 {
		return nil
	}
	return filepath.WalkDir(made, func(path string, _ fs.DirEntry, err error) error {
		if err == nil {
			err = os.Lchown(path, int(owner.Uid), int(owner.Gid))
		}
		if err != nil {
			return fmt.Errorf("give it to the folder's owner: %w", err)
		}
		return nil
	})
}
