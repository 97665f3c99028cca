//go:build unix

package space

import (
	"syscall"
	"testing"
)

// blocks returns what a file takes on disk, in bytes: st_blocks counts 512, as stat(2) says.
func blocks(t *testing.T, name string) int64 {
	t.Helper()
	var st syscall.Stat_t
	if err := syscall.Stat(name, &st); err != nil {
		t.Fatal(err)
	}
	return st.Blocks * 512
}
