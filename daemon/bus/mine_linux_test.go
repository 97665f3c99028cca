package bus

import (
	"context"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"syscall"
	"testing"
	"time"

	"github.com/nats-io/nats.go/jetstream"
)

// A store that was restored by root, of which a part was given to the daemon's user: the server would pass over a stream that it cannot
// read, and the ledger would be taken for lost.
func TestStoreOfAnotherUserIsRefused(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("to be another user one must be root")
	}
	const nobody = 65534
	shared := t.TempDir()
	for _, dir := range []string{shared, filepath.Dir(shared)} {
		if err := os.Chmod(dir, 0o755); err != nil { //nolint:gosec // another user goes in
			t.Fatal(err)
		}
	}
	program := filepath.Join(shared, "daemon")
	content, err := os.ReadFile("/proc/self/exe")
	if err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(program, content, 0o755); err != nil { //nolint:gosec // another user runs it
		t.Fatal(err)
	}
	dir := filepath.Join(shared, "bus")
	s := startServer(t, func(c *ServerConfig) { c.StoreDir = dir })
	nc, err := s.LedgerConn()
	if err != nil {
		t.Fatal(err)
	}
	js, err := jetstream.New(nc)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := js.CreateStream(t.Context(), jetstream.StreamConfig{Name: "KEPT"}); err != nil {
		t.Fatal(err)
	}
	s.Shutdown()
	// One after the other is given away, as somebody would who follows the errors.
	for _, given := range []string{"", lockName, TokenFile, "jetstream"} {
		if err := os.Chown(filepath.Join(dir, given), nobody, nobody); err != nil {
			t.Fatal(err)
		}
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second) // one that is not refused serves until it is killed
		child := exec.CommandContext(ctx, program)
		child.Env = append(os.Environ(), daemonDir+"="+dir)
		child.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: nobody, Gid: nobody}}
		out, err := child.Output()
		cancel()
		if err == nil || !strings.Contains(string(out), "permission denied") || !strings.Contains(string(out), "chown -R") {
			t.Errorf("with all up to %q given to the daemon's user it ends with %v and says %q, want what helps", given, err, out)
		}
	}
}
