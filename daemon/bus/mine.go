package bus

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
)

// checkMine refuses a store of which this user cannot read and write all. The server passes over a stream that it cannot read, which
// looks as if the ledger had been lost.
func checkMine(dir string) error {
	return filepath.WalkDir(dir, func(path string, entry fs.DirEntry, err error) error {
		if err == nil && entry.Type().IsRegular() {
			var f *os.File
			if f, err = os.OpenFile(path, os.O_RDWR, 0); err == nil {
				err = f.Close()
			}
		}
		if errors.Is(err, fs.ErrPermission) {
			return belongsToAnother(dir, err)
		}
		return nil // all else the server tells, and a file may just have gone
	})
}

// belongsToAnother says what helps when this user may not use a store.
func belongsToAnother(dir string, err error) error {
	return fmt.Errorf("%w: give the data folder that holds %s, and all that is in it, to the user that this program runs as, such as with chown -R", err, dir)
}
