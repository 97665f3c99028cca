package main

import (
	"context"
	"crypto/rand"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"go.uber.org/zap"
)

// TestDrivenOnce: a second process for the same device, started by mistake, ends at once and names the first; after a kill of the
// first the next one is not kept out.
func TestDrivenOnce(t *testing.T) {
	bin, dir := build(t), t.TempDir()
	floor, token := filepath.Join(dir, "floor.yaml"), filepath.Join(dir, "token")
	text := "time_zone: UTC\ndevices:\n  - {id: cutter-1, capacity: 1, driver: {kind: stream, external: true, settings: {address: rehearsal}}, abilities: [{operation: cut}]}\n"
	for name, body := range map[string]string{floor: text, token: rand.Text() + "\n"} {
		if err := os.WriteFile(name, []byte(body), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	args := []string{"drive", "--floor", floor, "--device", "cutter-1", "--bus", "nats://" + freeAddress(t), "--token-file", token, "--data-dir", filepath.Join(dir, "data")}
	lock := filepath.Join(dir, "data", "drivers", "cutter-1", "lock")
	for range 2 {
		first := start(t, bin, args...)
		pid := strconv.Itoa(first.cmd.Process.Pid)
		for late := time.Now().Add(20 * time.Second); ; time.Sleep(10 * time.Millisecond) {
			if body, err := os.ReadFile(lock); err == nil && strings.TrimSpace(string(body)) == pid {
				break
			}
			if time.Now().After(late) {
				t.Fatal("the first process holds no lock")
			}
		}
		ctx, cancel := context.WithTimeout(t.Context(), 20*time.Second)
		out, err := exec.CommandContext(ctx, bin, args...).CombinedOutput()
		cancel()
		if exit := (*exec.ExitError)(nil); !errors.As(err, &exit) || !strings.Contains(string(out), "process "+pid) {
			t.Errorf("the second process ends with %v and says %q, want that it names process %s", err, out, pid)
		}
		first.kill()
	}
}

// TestLockNotMade: a data folder in which no lock can be made does not keep a driver from telling how its device is.
func TestLockNotMade(t *testing.T) {
	t.Parallel()
	unlock, err := lockDevice(filepath.Join(t.TempDir(), "none"), "cutter-1", zap.NewNop())
	if err != nil {
		t.Fatal(err)
	}
	unlock()
}
