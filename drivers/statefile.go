package drivers

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"

	"tandem/proto/durable"
)

// maxStateSize bounds what LoadState reads, in bytes.
const maxStateSize = 1 << 20

// SaveState writes a file of a driver's StateDir in whole or not at all: a reader, and a restart after a kill or a power
// loss, sees the old bytes or the new ones, and the new ones once SaveState has returned without an error. It makes the
// folder if there is none. Only one process may write a file.
//
// After an error nothing may be done that the file should have told of: whoever cannot note that a run begins does not
// begin it, and says why with [ReasonNotStored].
func SaveState(dir, name string, body []byte) error {
	if err := saveState(dir, name, body); err != nil {
		return fmt.Errorf("save %s: %w", name, err)
	}
	return nil
}

func saveState(dir, name string, body []byte) error {
	if err := durable.MakeFolder(dir, 0o700); err != nil {
		return err
	}
	path := filepath.Join(dir, name)
	f, err := os.OpenFile(path+".new", os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return err
	}
	return durable.Replace(path, f, body)
}

// LoadState reads a file that SaveState wrote. A file that is not there gives nil and no error.
func LoadState(dir, name string) ([]byte, error) {
	f, err := os.Open(filepath.Join(dir, name))
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, fmt.Errorf("load %s: %w", name, err)
	}
	defer f.Close()
	body, err := io.ReadAll(io.LimitReader(f, maxStateSize+1))
	if err != nil {
		return nil, fmt.Errorf("load %s: %w", name, err)
	}
	if len(body) > maxStateSize {
		return nil, fmt.Errorf("load %s: it has more than %d bytes and is not ours: move it away", name, maxStateSize)
	}
	return body, nil
}
