package bus

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// mountDisk mounts a disk of the test's own.
func mountDisk(t *testing.T, flags uintptr, options string) (dir string) {
	t.Helper()
	dir = t.TempDir()
	if err := syscall.Mount("tandem-test", dir, "tmpfs", flags, options); err != nil {
		// A machine that permits it to nobody lacks no part that could be installed.
		if os.Getenv("CI") == "true" && !errors.Is(err, syscall.EPERM) {
			t.Fatal(err)
		}
		t.Skipf("no disk of the test's own can be mounted here (needs root): %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Error(err)
		}
	})
	return dir
}

// A stream on a disk that is really full: whoever appends hears nothing, and Failed hears of it, by the stream's name. It also tells
// whether the server's lines still are what they were when its version changes.
func TestFailedOnAFullDisk(t *testing.T) {
	dir := mountDisk(t, 0, "size=4m")
	lines := make(chan string, 100)
	s := startServer(t, func(c *ServerConfig) {
		c.StoreDir, c.Listen = filepath.Join(dir, "store"), ""
		c.Failed = func(line string) {
			select {
			case lines <- line:
			default:
			}
		}
	})
	conn, err := s.LedgerConn()
	if err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(conn)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "RECORDS", Subjects: []string{"records"}, Storage: jetstream.FileStorage}); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(dir, "something-else"), make([]byte, 2<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	body := make([]byte, 64<<10)
	for n := 0; ; n++ {
		ctx, cancel := context.WithTimeout(t.Context(), time.Second)
		_, err := js.Publish(ctx, "records", body)
		cancel()
		if errors.Is(err, context.DeadlineExceeded) {
			break // deaf
		}
		if err != nil {
			t.Fatalf("append %d is answered with %v: a store that answers needs no Failed", n, err)
		}
		if n > 100 {
			t.Fatal("the disk does not become full")
		}
	}
	select {
	case line := <-lines:
		if !strings.Contains(line, "RECORDS") {
			t.Errorf("heard %q, which does not name the stream", line)
		}
	case <-time.After(10 * time.Second):
		t.Error("Failed has heard nothing: the server's lines are others now")
	}
}
