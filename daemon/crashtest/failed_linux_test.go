package crashtest

import (
	"bytes"
	"context"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// failingDisk is a disk of the test's own whose file system can be told that the disk has failed: it lets nothing be written from then
// on, by those either who have files open there. It is on again once it has been unmounted, checked and mounted.
type failingDisk struct {
	t           *testing.T
	dir, device string
}

// mountFailing makes a file system in a file in memory, and mounts it.
func mountFailing(t *testing.T) *failingDisk {
	t.Helper()
	image := filepath.Join(mountSmall(t, "80m"), "image")
	must(t, os.WriteFile(image, nil, 0o600))
	must(t, os.Truncate(image, 64<<20))
	run := func(name string, args ...string) string {
		t.Helper()
		out, err := exec.Command(name, args...).CombinedOutput()
		if err != nil {
			if strings.Contains(string(out), "losetup") { // it has run, and found no loop device that it may use
				err = errors.Join(err, syscall.ENODEV)
			}
			cannotMount(t, err, "no disk that can fail can be made here (needs root, ext4 and loop devices): %s %v: %v\n%s", name, args, err, out)
		}
		return strings.TrimSpace(string(out))
	}
	run("mkfs.ext4", "-q", "-F", "-J", "size=4", "-E", "nodiscard", image)
	d := &failingDisk{t: t, dir: t.TempDir(), device: run("losetup", "--find", "--show", image)}
	t.Cleanup(func() {
		if out, err := exec.Command("losetup", "--detach", d.device).CombinedOutput(); err != nil {
			t.Errorf("detach %s: %v\n%s", d.device, err, out)
		}
	})
	if err := d.mount(); err != nil {
		cannotMount(t, err, "no ext4 can be mounted here: %v", err)
	}
	t.Cleanup(func() { _ = syscall.Unmount(d.dir, syscall.MNT_DETACH) })
	return d
}

func (d *failingDisk) mount() error {
	return syscall.Mount(d.device, d.dir, "ext4", 0, "errors=remount-ro")
}

// fail is what the file system does when it finds itself damaged: errors=remount-ro of ext4(5).
func (d *failingDisk) fail() {
	d.t.Helper()
	trigger := filepath.Join("/sys/fs/ext4", filepath.Base(d.device), "trigger_fs_error")
	if err := os.WriteFile(trigger, []byte("test"), 0o600); err != nil {
		missingPart(d.t, "ext4 cannot be told to fail here: %v", err)
	}
	if err := os.WriteFile(filepath.Join(d.dir, "probe"), nil, 0o600); !errors.Is(err, syscall.EROFS) {
		d.t.Fatalf("after the failure a write answers %v: this test tests nothing", err)
	}
}

// failUnder lets the disk fail while a process has nothing under way on it. On Linux 6.18, on a busy machine, an fsync at the very moment of
// the failure was now and then answered with success, and what it was for was lost: no program can be held to that. What the daemon
// does then is in TestALifeKnowsWhatTheOneBeforeHadStored of daemon/tandemd.
func (d *failingDisk) failUnder(p *Process) {
	d.t.Helper()
	must(d.t, p.cmd.Process.Signal(syscall.SIGSTOP))
	threads := filepath.Join("/proc", strconv.Itoa(p.cmd.Process.Pid), "task", "*", "stat")
	must(d.t, poll(within(d.t, 10*time.Second), "every thread to stand still", func(context.Context) (bool, error) {
		files, err := filepath.Glob(threads)
		for _, name := range files {
			stat, err := os.ReadFile(name)
			if err != nil {
				return false, err
			}
			if state := stat[bytes.LastIndexByte(stat, ')')+2:]; state[0] != 'T' { // proc_pid_stat(5)
				return false, nil
			}
		}
		return len(files) > 0, err
	}))
	d.fail()
	must(d.t, p.cmd.Process.Signal(syscall.SIGCONT))
}

// repair is a person's: nobody may have a file open there, or the disk cannot be taken away.
func (d *failingDisk) repair() {
	d.t.Helper()
	must(d.t, poll(within(d.t, 10*time.Second), "the daemon to let go of the disk", func(context.Context) (bool, error) {
		err := syscall.Unmount(d.dir, 0)
		if errors.Is(err, syscall.EBUSY) {
			return false, nil
		}
		return err == nil, err
	}))
	// fsck(8): 1 is that errors were corrected.
	if out, err := exec.Command("e2fsck", "-f", "-y", d.device).CombinedOutput(); err != nil {
		if exit, ok := errors.AsType[*exec.ExitError](err); !ok || exit.ExitCode() != 1 {
			d.t.Fatalf("check the disk: %v\n%s", err, out)
		}
	}
	must(d.t, d.mount())
}

// The disk fails in the middle of the work and becomes read-only under everybody's open files, the store's and the machines'. The
// daemon says so and lives; once the disk is back it goes on by itself, with everything acknowledged, and no machine begins twice.
func TestDiskBecomesReadOnlyUnderLoad(t *testing.T) {
	t.Parallel()
	disk := mountFailing(t)
	s := openShop(t, filepath.Join(disk.dir, "data"), []string{"cutter-1"}, "--space-limit", "2MiB", "--space-ballast", "2MiB")
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "failed", 6, true)
	stop := working(t, l, 4)
	for round := range 2 {
		must(t, poll(within(t, 30*time.Second), "some work", func(context.Context) (bool, error) {
			l.mu.Lock()
			defer l.mu.Unlock()
			return l.Requests > 200*(round+1) && len(l.accepted) > 8*(round+1), nil
		}))
		disk.failUnder(s.Daemon())
		refusal := awaitReadOnly(t, s)
		if !strings.Contains(refusal.Error(), "is read-only") || !strings.Contains(refusal.Error(), "mount it for writing again") {
			t.Errorf("the refusal does not name the failure and the remedy: %v", refusal)
		}
		// It stays like that, and alive, for as long as the disk does.
		for until := time.Now().Add(2 * time.Second); time.Now().Before(until); {
			if err := tryNewWork(t.Context(), s); err == nil {
				t.Fatal("new work is taken on a disk that is read-only")
			}
			if s.Serving(t.Context(), "") {
				t.Fatal("healthy on a disk that is read-only")
			}
			if ended, err := s.Daemon().Ended(); ended {
				t.Fatal(err)
			}
		}
		_ = awaitReadOnly(t, s)
		disk.repair()
		resumed(t, s)
	}
	stop()
	closeBooks(t, s, l)
}
