package intake

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strconv"
	"strings"
)

// ErrInUse says that another process watches the folder. Two would hand each file in twice and move it under each other's
// hands.
var ErrInUse = errors.New("watched folder in use")

// lock keeps other processes out of a folder. The operating system lets go of it when the process ends in whatever way, so
// what a dead process has left never locks anybody out. Its content is the owner's process id, for people.
type lock struct{ file *os.File }

func takeLock(root *os.Root, dir string) (*lock, error) {
	path := filepath.Join(stateFolder, "lock")
	f, err := root.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return nil, fmt.Errorf("lock the watched folder: %w", err)
	}
	held, err := lockFile(f)
	switch {
	case err != nil:
		return nil, errors.Join(fmt.Errorf("lock the watched folder with %s: %w: run the intake on the computer that holds the folder", path, err), f.Close())
	case held:
		owner := ownerOf(f)
		return nil, errors.Join(fmt.Errorf("%w: %s watches %s: stop it first, or watch another folder", ErrInUse, owner, dir), f.Close())
	}
	if err := f.Truncate(0); err != nil {
		return nil, errors.Join(fmt.Errorf("write the lock of the watched folder: %w", err), f.Close())
	}
	if _, err := f.WriteAt([]byte(strconv.Itoa(os.Getpid())+"\n"), 0); err != nil {
		return nil, errors.Join(fmt.Errorf("write the lock of the watched folder: %w", err), f.Close())
	}
	return &lock{f}, nil
}

// ownerOf names the process that holds the lock, as far as the file tells.
func ownerOf(f *os.File) string {
	text := make([]byte, 20)
	n, _ := f.ReadAt(text, 0)
	if pid, err := strconv.Atoi(strings.TrimSpace(string(text[:n]))); err == nil {
		return fmt.Sprintf("process %d", pid)
	}
	return "another process"
}

// release closes the file, which lets go of the lock. The file stays: if it were removed, a process that opened it just
// before and one that makes it anew could both hold a lock.
func (l *lock) release() error { return l.file.Close() }
