package drivertest

import (
	"context"
	"strings"
	"testing"
	"time"

	"tandem/drivers"
	"tandem/drivers/clock"
	tandemv1 "tandem/proto/tandem/v1"
)

// RunWatcher holds a kind against what every watcher must keep, with its Example as settings and nothing to read at hand.
// What a kind makes of what it reads is for its own tests.
func RunWatcher(t *testing.T, kind drivers.Kind) {
	if kind.NewWatcher == nil {
		t.Fatal("there is no NewWatcher")
	}
	testNames(t, kind)
	env := drivers.Env{Device: "device-1", Operations: []string{operation}, Clock: clock.Wall()}
	watcher, err := drivers.NewWatcher(kind, env, kind.Example)
	if err != nil {
		t.Fatalf("with the example: %v", err)
	}
	if _, err := drivers.NewWatcher(kind, env, map[string]string{"no-such-setting": "1"}); err == nil || !strings.Contains(err.Error(), "no-such-setting") {
		t.Errorf("with a setting that is not known: error %v, want one that names it", err)
	}
	if kind.New == nil {
		if _, err := drivers.NewHost(kind, env, kind.Example); err == nil || !strings.Contains(err.Error(), "watch") {
			t.Errorf("as a device's driver: error %v, want one that says that it only watches", err)
		}
	}
	testWatcherReturns(t, watcher)
}

// testWatcherReturns ends a watcher that may not have found anything yet.
func testWatcherReturns(t *testing.T, watcher drivers.Watcher) {
	for _, when := range []time.Duration{0, 50 * time.Millisecond} {
		ctx, cancel := context.WithTimeout(t.Context(), when)
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			_ = watcher.Watch(ctx, func(drivers.Seen) {}) // it may well have found nothing before its context ended
		}()
		<-ctx.Done()
		select {
		case <-ended:
		case <-time.After(promptly):
			t.Errorf("Watch has not returned %s after its context ended", promptly)
		}
		cancel()
	}
}

// Watched is a watcher that runs until the end of a test.
type Watched struct {
	Ended <-chan error // what Watch has returned

	t    *testing.T
	seen <-chan drivers.Seen
}

// Watch runs a watcher.
func Watch(t *testing.T, watcher drivers.Watcher) *Watched {
	t.Helper()
	ctx, cancel := context.WithCancel(t.Context())
	t.Cleanup(cancel)
	seen, ended := make(chan drivers.Seen), make(chan error, 1)
	go func() {
		ended <- watcher.Watch(ctx, func(v drivers.Seen) {
			select {
			case seen <- v:
			case <-ctx.Done():
			}
		})
	}()
	return &Watched{Ended: ended, t: t, seen: seen}
}

// Until waits until the watcher shows a state, and returns what it has shown on the way, with that last.
func (w *Watched) Until(what string, state tandemv1.DeviceState) []drivers.Seen {
	w.t.Helper()
	var shown []drivers.Seen
	for patience := time.After(30 * time.Second); ; {
		select {
		case v := <-w.seen:
			shown = append(shown, v)
			if v.State == state {
				return shown
			}
		case err := <-w.Ended:
			w.t.Fatalf("%s: the watcher has ended: %v", what, err)
		case <-patience:
			w.t.Fatalf("%s: it has shown %+v", what, shown)
		}
	}
}
