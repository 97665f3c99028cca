package intake

import (
	"bufio"
	"bytes"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
)

// entry says that the content of a file was taken in, and where the file was to go.
type entry struct {
	Digest string `json:"sha256"`
	Job    string `json:"job"`
	Code   string `json:"code,omitempty"`
	File   string `json:"file"`
	To     string `json:"to"`
	// Moved says that the file is there.
	Moved bool `json:"moved,omitempty"`
}

// journal remembers which content came as which file, so that a file that comes twice can be named. It decides nothing:
// whether a job is there only the daemon says. Losing it costs no more than the names.
type journal struct {
	file    *os.File
	entries map[string]entry
	torn    bool // the last line was not finished when the program ended
}

const (
	journalName = "journal"
	// maxEntries is how many are kept when the journal is read; as many again may be added.
	maxEntries = 50_000
	// maxEntry is the longest line, in bytes.
	maxEntry = 4096
)

func openJournal(root *os.Root) (*journal, error) {
	path := filepath.Join(stateFolder, journalName)
	j := &journal{entries: map[string]entry{}}
	lines, err := j.load(root, path)
	if err != nil {
		return nil, fmt.Errorf("read the journal of the watched folder: %w", err)
	}
	if len(lines) > maxEntries {
		lines = lines[len(lines)-maxEntries:]
		if err := writeWhole(root, path+".tmp", path, bytes.Join(lines, nil)); err != nil {
			return nil, fmt.Errorf("shorten the journal of the watched folder: %w", err)
		}
		j.torn = false
	}
	if j.file, err = root.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o666); err != nil {
		return nil, fmt.Errorf("open the journal of the watched folder: %w", err)
	}
	return j, nil
}

// load reads the entries; lines that are none are passed over.
func (j *journal) load(root *os.Root, path string) (lines [][]byte, err error) {
	f, err := root.Open(path)
	if errors.Is(err, fs.ErrNotExist) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer f.Close()
	r := bufio.NewReaderSize(f, maxEntry)
	for {
		line, err := r.ReadSlice('\n')
		if len(line) > 0 {
			j.torn = line[len(line)-1] != '\n'
		}
		var e entry
		if err == nil && json.Unmarshal(line, &e) == nil && e.Digest != "" {
			j.entries[e.Digest] = e
			lines = append(lines, bytes.Clone(line))
		}
		switch {
		case errors.Is(err, io.EOF):
			return lines, nil
		case err != nil && !errors.Is(err, bufio.ErrBufferFull):
			return nil, err
		}
	}
}

// find returns the first file that had that content.
func (j *journal) find(digest string) (entry, bool) {
	e, ok := j.entries[digest]
	return e, ok
}

// add keeps an entry. A loss of power may take it away again: no more than a name depends on it, so nobody waits for the disk.
func (j *journal) add(e entry) error {
	line, err := json.Marshal(e)
	if err != nil {
		return err
	}
	line = append(line, '\n')
	if j.torn {
		line = append([]byte{'\n'}, line...)
	}
	if _, err := j.file.Write(line); err != nil {
		j.torn = true
		return err
	}
	j.torn = false
	j.entries[e.Digest] = e
	return nil
}

func (j *journal) close() error { return j.file.Close() }
