package bus

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strconv"
	"strings"

	"tandem/proto/durable"
)

// blocksFolder, in that of a stream, has the files with its records: 1.blk, 2.blk and so on, each of a few MiB.
const blocksFolder = "msgs"

func blockPath(dir string, number uint64) string {
	return filepath.Join(dir, strconv.FormatUint(number, 10)+".blk")
}

// newestBlock returns the highest number of a block in a folder, 0 if there is none.
func newestBlock(dir string) (uint64, error) {
	entries, err := os.ReadDir(dir)
	if err != nil {
		return 0, err
	}
	newest := uint64(0)
	for _, entry := range entries {
		name, isBlock := strings.CutSuffix(entry.Name(), ".blk")
		if number, err := strconv.ParseUint(name, 10, 64); isBlock && err == nil { // the server does not take others for blocks either
			newest = max(newest, number)
		}
	}
	return newest, nil
}

// StoreNames makes the names in the store directory last. The server syncs what its files hold, and not the folders in which it makes them
// (nats-server 2.15.2): whoever has opened a ledger, or filled one, calls this before anybody relies on it. Most file systems bring the name of a
// new file to the disk when the file is synced; no standard says that they do.
func (s *Server) StoreNames() error {
	if err := durable.SyncTree(s.dir); err != nil {
		return fmt.Errorf("bring the names of the store's files to the disk: %w", err)
	}
	return nil
}

// StoreNewBlocks returns a function that makes the names of the blocks last which a stream of the ledger's account has begun since it was
// called before, for the reason that StoreNames has. Whoever has been told that a record is stored calls it, from one goroutine at a time,
// before anybody relies on the record. It costs a look for one file, and a sync of a folder once in some MiB.
func (s *Server) StoreNewBlocks(stream string) func() error {
	dir := filepath.Join(s.dir, "jetstream", ledgerAccount, "streams", stream, blocksFolder)
	known := uint64(0)
	return func() error {
		if known != 0 {
			if _, err := os.Lstat(blockPath(dir, known+1)); errors.Is(err, fs.ErrNotExist) {
				return nil
			}
		}
		newest, err := newestBlock(dir)
		if err == nil {
			err = durable.SyncFolder(dir)
		}
		if err != nil {
			return fmt.Errorf("bring the name of a new block of stream %s to the disk: %w", stream, err)
		}
		known = newest
		return nil
	}
}
