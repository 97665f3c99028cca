package space

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

const (
	ballastName = "ballast"
	probeName   = "write-test"
	probeBytes  = 4096
)

// ballastHeld says whether the ballast is there in its full size. One of another size is left from other settings, or from a
// disk that was full while it was made: it does not count, and is removed.
func (w *Watch) ballastHeld() bool {
	info, err := os.Stat(w.path(ballastName))
	if err != nil {
		return false
	}
	if info.Size() == w.opt.Ballast && w.opt.Ballast > 0 {
		return true
	}
	w.release()
	return false
}

// hold allocates the ballast under another name, so that one that is there is whole.
func (w *Watch) hold() (err error) {
	name := w.path(ballastName + ".new")
	f, err := os.OpenFile(name, os.O_CREATE|os.O_TRUNC|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("make the ballast: %w", err)
	}
	defer func() {
		if err != nil {
			_ = os.Remove(name)
		}
	}()
	err = allocate(f, w.opt.Ballast)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err != nil {
		return fmt.Errorf("make the ballast: %w", err)
	}
	if err := os.Rename(name, w.path(ballastName)); err != nil {
		return fmt.Errorf("make the ballast: %w", err)
	}
	return nil
}

// release gives the ballast's space back.
func (w *Watch) release() {
	for _, name := range []string{ballastName, ballastName + ".new"} {
		_ = os.Remove(w.path(name)) // on a disk that cannot be written there is nothing to win
	}
}

// probe writes, syncs and removes a small file.
func (w *Watch) probe() (err error) {
	f, err := os.OpenFile(w.path(probeName), os.O_CREATE|os.O_TRUNC|os.O_RDWR, 0o600)
	if err != nil {
		return fmt.Errorf("try to write: %w", err)
	}
	err = writeZeros(f, probeBytes)
	if err == nil {
		err = f.Sync()
	}
	err = errors.Join(err, f.Close())
	if gone := os.Remove(w.path(probeName)); gone != nil && !errors.Is(gone, fs.ErrNotExist) {
		err = errors.Join(err, gone)
	}
	if err != nil {
		return fmt.Errorf("try to write: %w", err)
	}
	return nil
}

func (w *Watch) path(name string) string { return filepath.Join(w.opt.Dir, name) }

func writeZeros(f *os.File, size int64) error {
	zeros := make([]byte, min(size, 1<<20))
	for at := int64(0); at < size; {
		n, err := f.Write(zeros[:min(int64(len(zeros)), size-at)])
		if err != nil {
			return err
		}
		at += int64(n)
	}
	return nil
}
