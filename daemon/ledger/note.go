package ledger

import (
	"encoding/binary"
	"errors"
	"fmt"
	"hash/crc32"
	"io"
	"os"
	"path/filepath"
	"sync"

	"tandem/proto/durable"
)

// Note remembers in a small file which record was acknowledged last, or followed. A store may take a damaged end of its file for one
// that was never finished and cut it off without a word; what it has forgotten in this way is known here.
//
// The file is written over after each record and not synced before it is closed: the death of the process leaves it as it was, and after a loss
// of power it may name an older record, which weakens the comparison and never makes it wrong. It has two places that are
// written in turn, so that a write which is cut off leaves the one before.
type Note struct {
	mu   sync.Mutex
	file *os.File
	head Head // revision and hash only
	turn int64
}

// A place holds the revision, the record's hash and a checksum of both, and is padded.
const (
	noteUsed  = 8 + hashSize + 4
	notePlace = 64
)

var noteTable = crc32.MakeTable(crc32.Castagnoli)

// OpenNote opens the note at path, or makes an empty one.
func OpenNote(path string) (*Note, error) {
	_, missing := os.Stat(path)
	f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
	if err != nil {
		return nil, fmt.Errorf("open the note of the last record: %w", err)
	}
	if missing != nil {
		if err := durable.SyncFolder(filepath.Dir(path)); err != nil {
			return nil, errors.Join(fmt.Errorf("make the note of the last record: %w", err), f.Close())
		}
	}
	n := &Note{file: f}
	if err := n.read(); err != nil {
		return nil, fmt.Errorf("open the note of the last record: %w", errors.Join(err, f.Close()))
	}
	return n, nil
}

func (n *Note) read() error {
	for turn := range int64(2) {
		place := make([]byte, notePlace)
		if _, err := n.file.ReadAt(place, turn*notePlace); errors.Is(err, io.EOF) {
			continue
		} else if err != nil {
			return err
		}
		if binary.BigEndian.Uint32(place[noteUsed-4:]) != crc32.Checksum(place[:noteUsed-4], noteTable) {
			continue
		}
		if revision := binary.BigEndian.Uint64(place); revision > n.head.Revision {
			n.head, n.turn = Head{Revision: revision, Hash: place[8 : 8+hashSize]}, 1-turn
		}
	}
	return nil
}

// Head returns the revision and the hash of the record that is noted; the zero Head if none is.
func (n *Note) Head() Head {
	if n == nil {
		return Head{}
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.head
}

// set notes a record. What cannot be written leaves an older note in the file, which does no harm.
func (n *Note) set(head Head) {
	if n == nil {
		return
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	if head.Revision <= n.head.Revision { // who follows reads the last record that it knows once more
		return
	}
	place := make([]byte, notePlace)
	binary.BigEndian.PutUint64(place, head.Revision)
	copy(place[8:], head.Hash)
	binary.BigEndian.PutUint32(place[noteUsed-4:], crc32.Checksum(place[:noteUsed-4], noteTable))
	n.head = Head{Revision: head.Revision, Hash: head.Hash}
	if _, err := n.file.WriteAt(place, n.turn*notePlace); err == nil {
		n.turn = 1 - n.turn
	}
}

// Close syncs and closes the file: after an orderly end it tells the last record even if the power fails then.
func (n *Note) Close() error {
	if n == nil {
		return nil
	}
	n.mu.Lock()
	defer n.mu.Unlock()
	return errors.Join(n.file.Sync(), n.file.Close())
}
