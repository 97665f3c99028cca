package bus

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// storeNewest writes the newest block of every stream once more, byte for byte, and syncs it.
//
// A sync that fails leaves its record where it can be read, and marks it as written (fsync(2)): it is on no disk, and no later sync brings
// it there. The server writes nothing more to such a block, but one that is started after it finds the record, takes it for stored and
// goes on behind it; the next loss of power would take it away, and with it all that was acknowledged since. So what can be read is
// brought to the disk before anybody builds on it. Only the newest block can hold such a record: the server syncs each record before it
// writes another. A block has a few MiB, and the same bytes in their places are as good whenever this is cut off.
func storeNewest(storeDir string) error {
	streams, err := fs.Glob(os.DirFS(storeDir), "jetstream/*/streams/*/"+blocksFolder)
	if err != nil {
		return fmt.Errorf("look for the blocks of streams: %w", err)
	}
	for _, stream := range streams {
		dir := filepath.Join(storeDir, filepath.FromSlash(stream))
		number, err := newestBlock(dir)
		if err != nil {
			return fmt.Errorf("look for the blocks of streams: %w", err)
		}
		if number == 0 {
			continue
		}
		if err := storeAgain(blockPath(dir, number)); err != nil {
			return fmt.Errorf("the newest records cannot be brought to the disk: %w: see what keeps the disk with %s from taking them, such as in the system's log; nothing there was changed", err, storeDir)
		}
	}
	return nil
}

// storeAgain writes a file over with what it holds.
func storeAgain(name string) (err error) {
	f, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return err
	}
	defer func() { err = errors.Join(err, f.Close()) }()
	const atOnce = 1 << 20
	piece := make([]byte, atOnce)
	for at := int64(0); ; {
		n, err := f.ReadAt(piece, at)
		if err != nil && !errors.Is(err, io.EOF) {
			return err
		}
		if n == 0 {
			return f.Sync()
		}
		if _, err := f.WriteAt(piece[:n], at); err != nil {
			return err
		}
		at += int64(n)
	}
}
