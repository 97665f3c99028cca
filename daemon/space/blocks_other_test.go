//go:build !unix

package space

import (
	"os"
	"testing"
)

// blocks returns the length of a file: what it takes on disk is not told here.
func blocks(t *testing.T, name string) int64 {
	t.Helper()
	info, err := os.Stat(name)
	if err != nil {
		t.Fatal(err)
	}
	return info.Size()
}
