//go:build unix

package ipp

import (
	"path/filepath"
	"syscall"
	"testing"

	"tandem/drivers/ipp/ipptest"
)

// TestPipeForDocument: to open a pipe would wait for its other end, which may never come.
func TestPipeForDocument(t *testing.T) {
	t.Parallel()
	for _, folder := range []bool{false, true} {
		p := ipptest.New()
		pipe := filepath.Join(t.TempDir(), "art.pdf")
		if err := syscall.Mkfifo(pipe, 0o600); err != nil {
			t.Fatal(err)
		}
		given := quick(p.Serve(t))
		if folder {
			given["documents"] = filepath.Dir(pipe)
		}
		s := open(t, given)
		s.online()
		s.take(s.daemon.Grant(s.job("r1", 1, pipe, "")))
		s.is("r1", aborted, "document-access-error")
	}
}
