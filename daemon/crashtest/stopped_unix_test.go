//go:build unix

package crashtest

import (
	"context"
	"os"
	"syscall"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// stopFor is how long a process stands still: a moment, or what TANDEM_SIGSTOP says, such as 120s.
func stopFor(t *testing.T, moment time.Duration) time.Duration {
	t.Helper()
	text := os.Getenv("TANDEM_SIGSTOP")
	if text == "" {
		return moment
	}
	d, err := time.ParseDuration(text)
	if err != nil || d <= 0 {
		t.Fatalf("TANDEM_SIGSTOP is %q: write a duration such as 120s", text)
	}
	return d
}

// standStill stops a process as a debugger, or a computer that sleeps, does, and lets it go on.
func standStill(t *testing.T, p *Process, d time.Duration) {
	t.Helper()
	must(t, p.cmd.Process.Signal(syscall.SIGSTOP))
	select {
	case <-time.After(d):
	case <-t.Context().Done():
	}
	must(t, p.cmd.Process.Signal(syscall.SIGCONT))
}

// link returns what the daemon thinks of a device.
func link(ctx context.Context, s *Shop, device string) (tandemv1.Link, error) {
	d, err := s.Devices.GetDevice(ctx, &tandemv1.GetDeviceRequest{Id: device})
	return d.GetLink(), err
}

// The daemon stands still with clients that ask and drivers that report. When it goes on, it serves everybody at once: it has
// heard nobody and blames nobody, and everything is done once.
func TestDaemonStandsStill(t *testing.T) {
	t.Parallel()
	d := stopFor(t, 7*time.Second)
	external := []string{"printer-north", "cutter-1", "rack-east"}
	s := openShop(t, "", external)
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "still", 7, true)
	stop := working(t, l, 4)
	must(t, poll(within(t, 30*time.Second), "some work", func(context.Context) (bool, error) {
		l.mu.Lock()
		defer l.mu.Unlock()
		return l.Requests > 150 && len(l.accepted) > 5, nil
	}))
	standStill(t, s.Daemon(), d)
	const within10 = 10 * time.Second
	began := time.Now()
	must(t, s.AwaitService(within(t, within10)))
	must(t, poll(within(t, within10), "new work to be taken", func(ctx context.Context) (bool, error) { return tryNewWork(ctx, s) == nil, nil }))
	t.Logf("after %v without a word new work is taken again in %v", d, time.Since(began).Round(10*time.Millisecond))
	for _, device := range external {
		must(t, poll(within(t, within10), device+" to be online", func(ctx context.Context) (bool, error) {
			got, err := link(ctx, s, device)
			return got == tandemv1.Link_LINK_ONLINE, err
		}))
	}
	l.mu.Lock()
	before := l.Requests
	l.mu.Unlock()
	must(t, poll(within(t, within10), "the clients to be answered", func(context.Context) (bool, error) {
		l.mu.Lock()
		defer l.mu.Unlock()
		return l.Requests > before+50, nil
	}))
	stop()
	if n := len(s.ServiceTimes); n != 1 {
		t.Errorf("the daemon has been started %d times, want once", n)
	}
	closeBooks(t, s, l)
}

// A driver stands still until the daemon has given it up. What it had in hand has an unknown outcome and is given to nobody else; when
// it goes on it tells what it has, and the same run is finished.
func TestDriverStandsStill(t *testing.T) {
	t.Parallel()
	const device = "printer-north"
	s := openShop(t, "", []string{device})
	must(t, s.Start(within(t, time.Minute)))
	l := NewLoad(s, "quiet", 8, true)
	stop := working(t, l, 3)
	must(t, poll(within(t, 30*time.Second), "a run on "+device, func(ctx context.Context) (bool, error) {
		d, err := s.Devices.GetDevice(ctx, &tandemv1.GetDeviceRequest{Id: device})
		return len(d.GetRuns()) > 0, err
	}))
	driver := s.drivers[device]
	must(t, driver.cmd.Process.Signal(syscall.SIGSTOP))
	must(t, poll(within(t, 30*time.Second), device+" to be given up", func(ctx context.Context) (bool, error) {
		got, err := link(ctx, s, device)
		return got == tandemv1.Link_LINK_OFFLINE, err
	}))
	select {
	case <-time.After(stopFor(t, time.Second)):
	case <-t.Context().Done():
	}
	must(t, driver.cmd.Process.Signal(syscall.SIGCONT))
	must(t, poll(within(t, 20*time.Second), device+" to be back", func(ctx context.Context) (bool, error) {
		got, err := link(ctx, s, device)
		return got == tandemv1.Link_LINK_ONLINE, err
	}))
	stop()
	closeBooks(t, s, l)
}
