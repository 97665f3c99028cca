package main

import (
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"
	"time"
)

// Arguments that cannot be used are never a success, and end with 2 as the README says.
func TestWrongArgumentsAreTheCallersMistake(t *testing.T) {
	half := t.TempDir() // a restore into it was interrupted: a service that starts the daemon again and again mends nothing
	t.Cleanup(func() {  // a look at the disk may be under way when the daemon has refused, and makes a file there
		for late := time.Now().Add(10 * time.Second); os.RemoveAll(half) != nil; time.Sleep(10 * time.Millisecond) {
			if time.Now().After(late) {
				t.Errorf("%s cannot be removed", half)
				return
			}
		}
	})
	if err := os.WriteFile(filepath.Join(half, "RESTORE-UNFINISHED"), nil, 0o600); err != nil {
		t.Fatal(err)
	}
	for _, args := range [][]string{
		{"nosuch"},
		{"--nosuch"},
		{"serve", "extra"},
		{"serve", "--nosuch"},
		{"ledger", "verfy"},
		{"ledger", "verify", "x"},
		{"backup", "verfy", "floor.tgz"},
		{"drivers", "nosuch"},
		{"restore"},
		{"demo", "x"},
		{"config", "x"},
		{"drive", "x"},
		{"serve", "--floor", "../../testdata/floors/harbour.yaml", "--data-dir", "arguments_test.go", "--listen", "127.0.0.1:0"},
		{"serve", "--floor", "../../testdata/floors/harbour.yaml", "--data-dir", half, "--listen", "127.0.0.1:0"},
	} {
		root := rootCommand()
		root.SetArgs(args)
		root.SetOut(io.Discard)
		root.SetErr(io.Discard)
		err := root.ExecuteContext(t.Context())
		if _, ok := errors.AsType[*usageError](err); !ok {
			t.Errorf("tandemd %q: error %v, want a usage error", args, err)
		}
	}
	for _, args := range [][]string{{}, {"ledger"}, {"backup"}, {"--help"}, {"ledger", "verify", "--help"}} {
		root := rootCommand()
		root.SetArgs(args)
		root.SetOut(io.Discard)
		root.SetErr(io.Discard)
		if err := root.ExecuteContext(t.Context()); err != nil {
			t.Errorf("tandemd %q: %v", args, err)
		}
	}
}
