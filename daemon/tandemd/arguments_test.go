package main

import (
	"errors"
	"io"
	"testing"
)

// Arguments that cannot be used are never a success, and end with 2 as the README says.
func TestWrongArgumentsAreTheCallersMistake(t *testing.T) {
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
