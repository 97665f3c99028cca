package intake

import (
	"errors"
	"fmt"
	"os"
	"path/filepath"

	"tandem/proto/lockfile"
)

// ErrInUse says that another process watches the folder. Two would hand each file in twice and move it under each other's
// hands.
var ErrInUse = errors.New("watched folder in use")

// takeLock keeps other processes out of a folder until the file is closed.
func takeLock(root *os.Root, dir string) (*os.File, error) {
	path := filepath.Join(stateFolder, "lock")
	f, err := root.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o666)
	if err != nil {
		return nil, fmt.Errorf("lock the watched folder: %w", err)
	}
	switch err := lockfile.Take(f); {
	case errors.Is(err, lockfile.ErrHeld):
		return nil, errors.Join(fmt.Errorf("%w: %s is %w: stop it first, or watch another folder", ErrInUse, dir, err), f.Close())
	case err != nil:
		return nil, errors.Join(fmt.Errorf("lock the watched folder: %w: run the intake on the computer that holds the folder", err), f.Close())
	}
	return f, nil
}
