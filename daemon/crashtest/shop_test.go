package crashtest

import (
	"context"
	"errors"
	"os"
	"path/filepath"
	"sync"
	"syscall"
	"testing"
	"time"
)

// program is the daemon, built once for all tests of the package.
var program = sync.OnceValues(func() (string, error) {
	dir, err := os.MkdirTemp("", "tandem-crashtest-")
	if err != nil {
		return "", err
	}
	return Build(context.Background(), dir, false)
})

func TestMain(m *testing.M) {
	code := m.Run()
	if path, err := program(); err == nil {
		_ = os.RemoveAll(filepath.Dir(path))
	}
	os.Exit(code)
}

// openShop sets up a shop whose data lies in a folder of the test's or, if data is not empty, there.
func openShop(t *testing.T, data string, external []string, flags ...string) *Shop {
	t.Helper()
	path, err := program()
	if err != nil {
		t.Fatal(err)
	}
	return openFrom(t, Config{
		Program: path, Floor: filepath.Join("..", "..", "testdata", "floors", "harbour.yaml"), Dir: t.TempDir(), Data: data,
		External: external, TimeScale: 1500, Flags: append([]string{"--space-ballast", "1MiB"}, flags...),
	})
}

// openFrom opens a shop until the end of the test.
func openFrom(t *testing.T, cfg Config) *Shop {
	t.Helper()
	s, err := Open(cfg)
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		s.Close()
		if !t.Failed() {
			return
		}
		if s.daemon != nil {
			t.Logf("the daemon's log ends with\n%s", s.daemon.Output())
		}
		for id, p := range s.drivers {
			t.Logf("the log of the driver of %s ends with\n%s", id, p.Output())
		}
	})
	return s
}

// within is a context for what has to come about in time.
func within(t *testing.T, d time.Duration) context.Context {
	t.Helper()
	ctx, cancel := context.WithTimeout(t.Context(), d)
	t.Cleanup(cancel)
	return ctx
}

// must ends a test at an error.
func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

// missing ends a test for which this machine lacks something: where everything has to be tested that is a failure.
func missingPart(t *testing.T, format string, args ...any) {
	t.Helper()
	if os.Getenv("CI") == "true" {
		t.Fatalf(format, args...)
	}
	t.Skipf(format, args...)
}

// cannotMount ends a test for which no disk of its own can be made. A machine that permits it to nobody lacks no part that
// could be installed, so the test is left out there.
func cannotMount(t *testing.T, err error, format string, args ...any) {
	t.Helper()
	for _, forbidden := range []error{syscall.EPERM, syscall.EACCES, syscall.ENODEV} {
		if errors.Is(err, forbidden) && os.Geteuid() == 0 {
			t.Skipf("this machine permits no such disk: "+format, args...)
		}
	}
	missingPart(t, format, args...)
}

// working starts clients, and returns a function that stops them.
func working(t *testing.T, l *Load, clients int) (stop func()) {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	done := make(chan struct{})
	go func() { defer close(done); l.Run(ctx, clients) }()
	var once sync.Once
	stop = func() { once.Do(func() { cancel(); <-done }) }
	t.Cleanup(stop)
	return stop
}

// awaitRequests waits until the clients have made more than so many requests.
func awaitRequests(t *testing.T, l *Load, most int, wait time.Duration) {
	t.Helper()
	must(t, poll(within(t, wait), "some requests", func(context.Context) (bool, error) {
		l.mu.Lock()
		defer l.mu.Unlock()
		return l.Requests > most, nil
	}))
}

// closeBooks lets the work be finished, stops the daemon and compares everything with everything.
func closeBooks(t *testing.T, s *Shop, l *Load) *Books {
	t.Helper()
	must(t, l.AwaitWork(within(t, time.Minute)))
	must(t, s.StopDaemon())
	books, err := Audit(t.Context(), s.Data())
	must(t, err)
	for _, err := range []error{books.CheckLoad(l), books.CheckMachines(s.folders()...), l.Check()} {
		if err != nil {
			t.Error(err)
		}
	}
	return books
}
