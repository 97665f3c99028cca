package durable_test

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"

	"tandem/proto/durable"
)

// That names last is shown where a disk loses them: daemon/crashtest.
func TestFolders(t *testing.T) {
	t.Parallel()
	top := t.TempDir()
	deep := filepath.Join(top, "a", "b", "c")
	for range 2 { // one that is there is as good
		if err := durable.MakeFolder(deep, 0o700); err != nil {
			t.Fatal(err)
		}
	}
	if info, err := os.Stat(deep); err != nil || !info.IsDir() {
		t.Errorf("the folder is made: %v", err)
	}
	if err := errors.Join(durable.SyncTree(top), durable.SyncFolder(deep)); err != nil {
		t.Error(err)
	}
	gone := filepath.Join(top, "gone")
	for what, err := range map[string]error{"SyncTree": durable.SyncTree(gone), "SyncFolder": durable.SyncFolder(gone)} {
		if !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s of a folder that is not there: %v", what, err)
		}
	}
	file := filepath.Join(top, "file")
	if err := os.WriteFile(file, nil, 0o600); err != nil {
		t.Fatal(err)
	}
	if err := durable.MakeFolder(filepath.Join(file, "below"), 0o700); err == nil {
		t.Error("a folder is made below a file")
	}
}

// A folder of this path alone is made where the program is.
func TestMakeFolderHere(t *testing.T) {
	t.Chdir(t.TempDir())
	if err := durable.MakeFolder("here", 0o700); err != nil {
		t.Error(err)
	}
}
