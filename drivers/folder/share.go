package folder

import (
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"tandem/proto/durable"
)

// entry is a file of a share.
type entry struct {
	Name string    `json:"name"`
	Size int64     `json:"size"`
	Time time.Time `json:"time"`
}

// same says whether a file has not changed.
func (e entry) same(o entry) bool {
	return strings.EqualFold(e.Name, o.Name) && e.Size == o.Size && e.Time.Equal(o.Time)
}

// share is where files are dropped. Its methods may hang for as long as a network does.
type share interface {
	// list returns the files of a folder.
	list(dir string) ([]entry, error)
	// read returns the first bytes of a file.
	read(name string, most int) ([]byte, error)
	// write makes a file of these bytes, safe from a loss of power.
	write(name string, body []byte) error
	// rename gives a file its name in one step, if there is none of that name.
	rename(from, to string) error
	// remove removes a file. It is no error if there is none.
	remove(name string) error
}

// disk is a share that the system has mounted, or a folder.
type disk struct{}

func (disk) list(dir string) ([]entry, error) {
	files, err := os.ReadDir(dir)
	if err != nil {
		return nil, err
	}
	out := make([]entry, 0, len(files))
	for _, f := range files {
		if f.IsDir() {
			continue
		}
		info, err := f.Info()
		switch {
		case errors.Is(err, fs.ErrNotExist): // gone meanwhile
			continue
		case err != nil:
			return nil, err
		}
		out = append(out, entry{f.Name(), info.Size(), info.ModTime()})
	}
	return out, nil
}

func (disk) read(name string, most int) ([]byte, error) {
	f, err := os.Open(name)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, int64(most)))
}

func (disk) write(name string, body []byte) error {
	f, err := os.OpenFile(name, os.O_WRONLY|os.O_CREATE|os.O_TRUNC, 0o644)
	if err != nil {
		return err
	}
	_, err = f.Write(body)
	if err == nil {
		err = f.Sync()
	}
	if err = errors.Join(err, f.Close()); err == nil {
		nameLasts(name)
	}
	return err
}

// nameLasts makes the name of a file safe from a loss of power, where the share has a way: not every one can sync a folder. A file that is lost
// all the same is not found after the restart, and the run's outcome is then unknown.
func nameLasts(name string) { _ = durable.SyncFolder(filepath.Dir(name)) }

func (disk) rename(from, to string) error {
	// No system renames without replacing on every kind of share, so it is looked first; nobody else uses our names.
	switch _, err := os.Lstat(to); {
	case err == nil:
		return fmt.Errorf("rename to %s: %w", filepath.Base(to), fs.ErrExist)
	case !errors.Is(err, fs.ErrNotExist):
		return err
	}
	if err := os.Rename(from, to); err != nil {
		return err
	}
	nameLasts(to)
	return nil
}

func (disk) remove(name string) error {
	if err := os.Remove(name); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

// memoryShare is the share of a rehearsal, which nobody watches.
type memoryShare struct {
	mu    sync.Mutex
	files map[string]entry
}

func newMemoryShare() *memoryShare { return &memoryShare{files: map[string]entry{}} }

func (s *memoryShare) list(dir string) ([]entry, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	var out []entry
	for name, e := range s.files {
		if filepath.Dir(name) == filepath.Clean(dir) {
			out = append(out, e)
		}
	}
	return out, nil
}

func (s *memoryShare) read(name string, _ int) ([]byte, error) {
	return nil, fmt.Errorf("read %s: %w", filepath.Base(name), fs.ErrNotExist)
}

func (s *memoryShare) write(name string, body []byte) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.files[filepath.Clean(name)] = entry{Name: filepath.Base(name), Size: int64(len(body))}
	return nil
}

func (s *memoryShare) rename(from, to string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	e, ok := s.files[filepath.Clean(from)]
	if !ok {
		return fmt.Errorf("rename %s: %w", filepath.Base(from), fs.ErrNotExist)
	}
	if _, ok := s.files[filepath.Clean(to)]; ok {
		return fmt.Errorf("rename to %s: %w", filepath.Base(to), fs.ErrExist)
	}
	delete(s.files, filepath.Clean(from))
	e.Name = filepath.Base(to)
	s.files[filepath.Clean(to)] = e
	return nil
}

func (s *memoryShare) remove(name string) error {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.files, filepath.Clean(name))
	return nil
}
