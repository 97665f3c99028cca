package lockfile

import (
	"errors"
	"os"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
)

func TestTake(t *testing.T) {
	path := filepath.Join(t.TempDir(), "lock")
	open := func() *os.File {
		f, err := os.OpenFile(path, os.O_RDWR|os.O_CREATE, 0o600)
		if err != nil {
			t.Fatal(err)
		}
		t.Cleanup(func() { _ = f.Close() })
		return f
	}
	first, second := open(), open()
	if err := Take(first); err != nil {
		t.Fatal(err)
	}
	if err := Take(second); !errors.Is(err, ErrHeld) || !strings.Contains(err.Error(), "process "+strconv.Itoa(os.Getpid())) {
		t.Errorf("taken twice: %v", err)
	}
	if err := first.Close(); err != nil {
		t.Fatal(err)
	}
	if err := Take(second); err != nil {
		t.Errorf("after it was let go: %v", err)
	}
}
