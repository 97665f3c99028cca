// Package goldentest compares what a test got with a file in testdata. With -rewrite the files are written anew: read the difference,
// and look at the pictures.
package goldentest

import (
	"flag"
	"os"
	"path/filepath"
	"testing"
)

var rewrite = flag.Bool("rewrite", false, "write the golden files anew; read the difference")

// Compare reports an error if a file in testdata holds something else.
func Compare(t testing.TB, name, got string) {
	t.Helper()
	file := filepath.Join("testdata", name)
	if *rewrite {
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	switch {
	case err != nil:
		t.Fatal(err)
	case got == string(want):
	case filepath.Ext(file) == ".svg": // too long to print
		t.Errorf("the picture differs from %s: run the test with -rewrite and look at it", file)
	default:
		t.Errorf("output differs from %s:\n%s", file, got)
	}
}
