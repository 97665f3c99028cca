package crashtest

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"google.golang.org/grpc"
	"google.golang.org/grpc/codes"
	"google.golang.org/grpc/status"

	"tandem/daemon/space"
	tandemv1 "tandem/proto/tandem/v1"
)

// resumeWithin is how long after space has been freed new work has to be taken.
const resumeWithin = 10 * time.Second

// mountSmall mounts a small disk in memory; options are those of tmpfs(5) behind its size.
func mountSmall(t *testing.T, size string, options ...string) string {
	t.Helper()
	dir := t.TempDir()
	if err := syscall.Mount("tandem-test", dir, "tmpfs", 0, strings.Join(append([]string{"size=" + size}, options...), ",")); err != nil {
		cannotMount(t, err, "no disk of a test's own can be mounted here (needs root): %v", err)
	}
	t.Cleanup(func() {
		if err := syscall.Unmount(dir, 0); err != nil {
			t.Errorf("unmount %s: %v", dir, err)
		}
	})
	return dir
}

// fill writes a file until a disk has only so much left, or is full.
func fill(t *testing.T, dir string, leave uint64, step time.Duration) {
	t.Helper()
	f, err := os.OpenFile(filepath.Join(dir, "something-else"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	must(t, err)
	defer f.Close()
	for {
		free, err := space.Free(dir)
		must(t, err)
		if leave > 0 && free <= leave {
			return
		}
		n := 64 << 10
		if leave > 0 {
			n = int(min(uint64(n), free-leave))
		}
		_, err = f.Write(make([]byte, max(n, 1)))
		if errors.Is(err, syscall.ENOSPC) {
			return
		}
		must(t, err)
		if step > 0 {
			time.Sleep(step)
		}
	}
}

func empty(t *testing.T, dir string) {
	t.Helper()
	must(t, os.Remove(filepath.Join(dir, "something-else")))
}

// attempts numbers the jobs of tryNewWork: each is new.
var attempts atomic.Int64

// tryNewWork hands in a job that devices never touch.
func tryNewWork(ctx context.Context, s *Shop) error {
	id := fmt.Sprintf("one-more-%d", attempts.Add(1))
	ctx, cancel := context.WithTimeout(ctx, 2*time.Second)
	defer cancel()
	_, err := s.Jobs.CreateJob(ctx, &tandemv1.CreateJobRequest{
		Job: &tandemv1.Job{Id: id, Pieces: 1, Hold: true, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}}}, RequestId: id,
	}, grpc.WaitForReady(true))
	return err
}

// awaitReadOnly returns the first answer that says that nothing new is taken.
func awaitReadOnly(t *testing.T, s *Shop) error {
	t.Helper()
	var refusal error
	must(t, poll(within(t, 20*time.Second), "read-only", func(ctx context.Context) (bool, error) {
		if ended, err := s.Daemon().Ended(); ended {
			return false, err
		}
		refusal = tryNewWork(ctx, s)
		return status.Code(refusal) == codes.Unavailable && Reason(refusal) == "LEDGER_READ_ONLY", nil
	}))
	return refusal
}

// resumed returns how long it takes until new work is taken.
func resumed(t *testing.T, s *Shop) {
	t.Helper()
	began := time.Now()
	must(t, poll(within(t, resumeWithin), "new work to be taken", func(ctx context.Context) (bool, error) {
		if ended, err := s.Daemon().Ended(); ended {
			return false, err
		}
		return tryNewWork(ctx, s) == nil, nil
	}))
	t.Logf("new work is taken again after %v", time.Since(began).Round(10*time.Millisecond))
	must(t, s.AwaitService(within(t, resumeWithin)))
}

// A disk fills slowly under load. The daemon takes nothing new before it is full, tells everybody, lets what runs go on, and
// takes new work again by itself once there is space.
func TestDiskFills(t *testing.T) {
	t.Parallel()
	disk := mountSmall(t, "24m")
	s := openShop(t, filepath.Join(disk, "data"), []string{"cutter-1"}, "--space-limit", "2MiB", "--space-ballast", "2MiB")
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "fills", 1, true)
	stop := working(t, l, 4)
	must(t, poll(within(t, 20*time.Second), "some work", func(context.Context) (bool, error) {
		l.mu.Lock()
		defer l.mu.Unlock()
		return len(l.accepted) > 5, nil
	}))
	fill(t, disk, 1<<20, 2*time.Millisecond) // below the limit, and far from the end
	refusal := awaitReadOnly(t, s)
	for _, want := range []string{" free, and new work is taken only with 2.5 MiB: free ", "iB more there", "so does the daemon once there is space"} {
		if !strings.Contains(refusal.Error(), want) {
			t.Errorf("the refusal does not say %q: %v", want, refusal)
		}
	}
	if free, err := space.Free(disk); err != nil || free == 0 {
		t.Errorf("%d bytes free while read-only, error %v: that is too late", free, err)
	}
	must(t, poll(within(t, 5*time.Second), "health to say so", func(ctx context.Context) (bool, error) {
		return !s.Serving(ctx, "") && !s.Serving(ctx, "tandem.v1.JobService") && s.Serving(ctx, "tandem.v1.DeviceService"), nil
	}))
	st, err := s.Admin.GetStatus(t.Context(), &tandemv1.GetStatusRequest{})
	must(t, err)
	if !strings.Contains(strings.Join(st.GetReasons(), "\n"), "no new work is taken") {
		t.Errorf("the status asks for no attention: %q", st.GetReasons())
	}
	// What runs goes on: runs that have been granted are started, end, and are booked.
	must(t, poll(within(t, 30*time.Second), "everything granted to be done", func(ctx context.Context) (bool, error) {
		list, err := s.Devices.ListDevices(ctx, &tandemv1.ListDevicesRequest{})
		if err != nil {
			return false, err
		}
		live := 0
		for _, d := range list.GetDevices() {
			live += len(d.GetRuns())
		}
		return live == 0, nil
	}))
	fill(t, disk, 0, 0) // to the end: the ballast is what is left
	must(t, poll(within(t, 5*time.Second), "the ballast to be given up", func(context.Context) (bool, error) {
		free, err := space.Free(disk)
		return free > 1<<20, err
	}))
	if err := tryNewWork(t.Context(), s); Reason(err) != "LEDGER_READ_ONLY" {
		t.Errorf("on a full disk: %v", err)
	}
	empty(t, disk)
	resumed(t, s)
	if n := len(s.ServiceTimes); n != 1 {
		t.Errorf("the daemon has been started %d times, want once", n)
	}
	stop()
	if l.Refused("LEDGER_READ_ONLY") == 0 {
		t.Error("no client of the load was refused")
	}
	closeBooks(t, s, l)
}

// A disk is filled to its last byte at once, faster than anybody can look, and stays full for a while. The embedded store goes
// deaf; the daemon opens it anew, and nothing acknowledged is lost.
func TestDiskFullAtOnce(t *testing.T) {
	t.Parallel()
	disk := mountSmall(t, "24m")
	s := openShop(t, filepath.Join(disk, "data"), []string{"cutter-1"}, "--space-limit", "2MiB", "--space-ballast", "2MiB")
	// A simulated machine remembers in a file what a real one knows by itself: that is not on the daemon's disk.
	must(t, os.Mkdir(s.Data(), 0o700))
	must(t, os.Symlink(t.TempDir(), filepath.Join(s.Data(), "drivers")))
	fullAtOnce(t, s, disk)
}

// The same, with what the machines remember on that disk, too: what cannot be remembered does not begin, so nothing begins twice.
func TestDiskFullAtOnceForMachinesToo(t *testing.T) {
	t.Parallel()
	disk := mountSmall(t, "24m")
	fullAtOnce(t, openShop(t, filepath.Join(disk, "data"), nil, "--space-limit", "2MiB", "--space-ballast", "2MiB"), disk)
}

func fullAtOnce(t *testing.T, s *Shop, disk string) {
	t.Helper()
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "full", 2, true)
	stop := working(t, l, 4)
	for round := range 2 {
		must(t, poll(within(t, 30*time.Second), "some requests", func(context.Context) (bool, error) {
			l.mu.Lock()
			defer l.mu.Unlock()
			return l.Requests > 300*(round+1), nil
		}))
		// What the daemon gives up is taken, too, until it has nothing left to give.
		until := time.Now().Add(3 * time.Second)
		for time.Now().Before(until) {
			fill(t, disk, 0, 0)
			time.Sleep(5 * time.Millisecond)
		}
		_ = awaitReadOnly(t, s)
		if s.Serving(t.Context(), "tandem.v1.JobService") {
			t.Error("healthy on a full disk")
		}
		empty(t, disk)
		resumed(t, s)
	}
	stop()
	closeBooks(t, s, l)
}

// A disk with bytes enough has no room for another file, all at once: the ledger's next block cannot be made. The daemon tells why, and
// goes on by itself once files are removed.
func TestNoMoreFilesAtOnce(t *testing.T) {
	t.Parallel()
	disk := mountSmall(t, "100m", "nr_inodes=600")
	s := openShop(t, filepath.Join(disk, "data"), nil, "--space-limit", "2MiB", "--space-ballast", "2MiB")
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "files", 5, true)
	stop := working(t, l, 4)
	awaitRequests(t, l, 300, 30*time.Second)
	clutter := filepath.Join(disk, "clutter")
	must(t, os.Mkdir(clutter, 0o700))
	for i := 0; ; i++ {
		err := os.WriteFile(filepath.Join(clutter, fmt.Sprint(i)), nil, 0o600)
		if errors.Is(err, syscall.ENOSPC) {
			break
		}
		must(t, err)
	}
	if refusal := awaitReadOnly(t, s); !strings.Contains(refusal.Error(), "more files (inodes), and new work is taken only with 320: remove ") {
		t.Errorf("the refusal does not say what helps: %v", refusal)
	}
	// A driver that cannot note that a run begins begins none; a daemon that is started now waits.
	must(t, s.KillDaemon())
	must(t, s.StartDaemon())
	_ = awaitReadOnly(t, s)
	must(t, os.RemoveAll(clutter))
	resumed(t, s)
	stop()
	closeBooks(t, s, l)
}

// A daemon that is started on a full disk waits for space and says so, and does not touch what it holds.
func TestStartOnAFullDisk(t *testing.T) {
	t.Parallel()
	disk := mountSmall(t, "24m")
	s := openShop(t, filepath.Join(disk, "data"), nil, "--space-limit", "2MiB", "--space-ballast", "2MiB")
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "start", 3, false)
	stop := working(t, l, 2)
	awaitRequests(t, l, 200, 20*time.Second)
	must(t, s.KillDaemon())
	must(t, os.Remove(filepath.Join(s.Data(), "ballast")))
	fill(t, disk, 0, 0)
	must(t, s.StartDaemon())
	_ = awaitReadOnly(t, s)
	empty(t, disk)
	resumed(t, s)
	stop()
	closeBooks(t, s, l)
}

// The disk is mounted for reading only before the daemon is started, and for writing again while it waits.
func TestStartOnAReadOnlyDisk(t *testing.T) {
	t.Parallel()
	disk := mountSmall(t, "24m")
	s := openShop(t, filepath.Join(disk, "data"), nil, "--space-limit", "2MiB", "--space-ballast", "2MiB")
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "remount", 4, false)
	stop := working(t, l, 2)
	awaitRequests(t, l, 200, 20*time.Second)
	must(t, s.KillDaemon())
	remount := func(flags uintptr) {
		t.Helper()
		must(t, syscall.Mount("tandem-test", disk, "tmpfs", syscall.MS_REMOUNT|flags, "size=24m"))
	}
	remount(syscall.MS_RDONLY)
	must(t, s.StartDaemon())
	if refusal := awaitReadOnly(t, s); !strings.Contains(refusal.Error(), "mount it for writing again") {
		t.Errorf("the refusal names no remedy: %v", refusal)
	}
	remount(0)
	resumed(t, s)
	stop()
	closeBooks(t, s, l)
}
