// Package durable makes files and their names last: a new file or folder, a rename and a deletion are on the disk only once the folder has been synced
// too (fsync(2)), whatever has been done for what the file holds. Windows cannot sync a folder and need not: there, on a file system that
// refuses to, and in a folder that this user may write to and not read, nothing is done.
package durable

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
)

// SyncFolder makes what was done to the names in a folder last over a loss of power.
func SyncFolder(dir string) error {
	f, err := os.Open(dir)
	if errors.Is(err, fs.ErrPermission) {
		return nil // as a drop box is: who writes there cannot do more
	}
	if err != nil {
		return fmt.Errorf("sync a folder: %w", err)
	}
	err = f.Sync()
	if cannotSync(err) {
		err = nil
	}
	return errors.Join(err, f.Close())
}

// Fill writes what an open file is to hold and closes it. What it holds, and its name, last once it has returned without an error.
func Fill(f *os.File, content []byte) error {
	if err := fill(f, content); err != nil {
		return err
	}
	return SyncFolder(filepath.Dir(f.Name()))
}

// Replace does so with a file that takes the place of the one at path, in the same folder: whenever the power fails there is the whole content,
// or what was there before. If it cannot take the place it is removed.
func Replace(path string, by *os.File, content []byte) error {
	err := fill(by, content)
	if err == nil {
		err = os.Rename(by.Name(), path)
	}
	if err != nil {
		return errors.Join(err, os.Remove(by.Name())) // half a file takes space that the next try may need
	}
	return SyncFolder(filepath.Dir(path))
}

func fill(f *os.File, content []byte) error {
	_, err := f.Write(content)
	if err == nil {
		err = f.Sync()
	}
	return errors.Join(err, f.Close())
}

// MakeFolder makes a folder, and those above it that are missing, as [os.MkdirAll] does, and makes their names last.
func MakeFolder(dir string, mode os.FileMode) error {
	var missing []string
	for at := filepath.Clean(dir); ; at = filepath.Dir(at) {
		if _, err := os.Stat(at); !errors.Is(err, fs.ErrNotExist) || at == filepath.Dir(at) {
			break
		}
		missing = append(missing, at)
	}
	if err := os.MkdirAll(dir, mode); err != nil {
		return err
	}
	for _, made := range slices.Backward(missing) {
		if err := SyncFolder(filepath.Dir(made)); err != nil {
			return err
		}
	}
	return nil
}

// SyncTree makes the names in a folder last, and in all below it: of what somebody else has made there. What goes meanwhile needs nothing.
func SyncTree(dir string) error {
	return filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err == nil && entry.IsDir() {
			err = SyncFolder(path)
		}
		if errors.Is(err, fs.ErrNotExist) && path != dir {
			return nil
		}
		return err
	})
}
