package lead_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math/rand/v2"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"tandem/daemon/lead"
)

var errAway = errors.New("the store is away")

// wire is one daemon's way to the store. It can be cut, in either direction, and be slow.
type wire struct {
	store *lead.Memory
	rand  *rand.Rand

	mu         sync.Mutex
	down, deaf bool // nothing gets there; nothing comes back
	slow       time.Duration
	old        lead.Entry // what a reader who is behind is given
	behind     bool
}

func (w *wire) set(f func(*wire)) {
	w.mu.Lock()
	defer w.mu.Unlock()
	f(w)
}

// pass takes its time, and says what the wire is like then.
func (w *wire) pass(ctx context.Context) (down, deaf bool, err error) {
	w.mu.Lock()
	var pause time.Duration
	if w.slow > 0 {
		pause = time.Duration(w.rand.Int64N(int64(w.slow)))
	}
	w.mu.Unlock()
	select {
	case <-time.After(pause):
	case <-ctx.Done():
		return false, false, ctx.Err()
	}
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.down, w.deaf, nil
}

func (w *wire) lose(ctx context.Context) error {
	<-ctx.Done()
	return fmt.Errorf("%w: %w", errAway, ctx.Err())
}

func (w *wire) Read(ctx context.Context) (lead.Entry, error) {
	down, deaf, err := w.pass(ctx)
	switch {
	case err != nil:
		return lead.Entry{}, err
	case down || deaf:
		return lead.Entry{}, w.lose(ctx)
	}
	now, err := w.store.Read(ctx)
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.behind {
		return w.old, err
	}
	w.old = now
	return now, err
}

func (w *wire) Swap(ctx context.Context, value []byte, revision uint64) (uint64, error) {
	down, _, err := w.pass(ctx)
	switch {
	case err != nil:
		return 0, err
	case down:
		return 0, w.lose(ctx)
	}
	stored, err := w.store.Swap(ctx, value, revision)
	_, deaf, late := w.pass(ctx)
	if late != nil {
		return 0, late
	}
	if deaf {
		return 0, w.lose(ctx)
	}
	return stored, err
}

// daemon tries to lead again and again.
type daemon struct {
	name    string
	wire    *wire
	elector *lead.Elector
	leases  chan *lead.Lease
}

func newDaemon(t *testing.T, store *lead.Memory, name string, seed uint64) *daemon {
	t.Helper()
	w := &wire{store: store, rand: rand.New(rand.NewPCG(seed, 1))}
	e, err := lead.New(w, lead.Options{Name: name, Address: name + ":7431"})
	if err != nil {
		t.Fatal(err)
	}
	return &daemon{name: name, wire: w, elector: e, leases: make(chan *lead.Lease, 1)}
}

func (d *daemon) acquire(ctx context.Context, t *testing.T) *lead.Lease {
	t.Helper()
	l, err := d.elector.Acquire(ctx)
	if err != nil {
		t.Errorf("%s: acquire: %v", d.name, err)
		return nil
	}
	return l
}

// within is the longest time from the end of a leader until another leads: the lease, its tenth, and a poll.
const within = lead.DefaultDuration + lead.DefaultDuration/10 + lead.DefaultDuration/10

func TestFirstComesAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var store lead.Memory
		begin := time.Now()
		a := newDaemon(t, &store, "a", 1)
		l := a.acquire(t.Context(), t)
		if took := time.Since(begin); took != 0 || !l.Valid() || l.Term() != 1 {
			t.Errorf("the first lease takes %v, is valid: %t, has term %d; want at once, true, 1", took, l.Valid(), l.Term())
		}
		if got := a.elector.Leader(); got != (lead.Leader{Name: "a", Address: "a:7431", Term: 1}) {
			t.Errorf("the leader is %+v", got)
		}
		time.Sleep(time.Hour)
		if !l.Valid() || l.Err() != nil {
			t.Error("a lease that can be renewed has ended")
		}
		l.Release(t.Context())
		if l.Valid() || !errors.Is(l.Err(), lead.ErrLost) || a.elector.Leader() != (lead.Leader{}) {
			t.Error("a lease that was given up is valid")
		}
	})
}

func TestReleasedIsTakenAtOnce(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var store lead.Memory
		a, b := newDaemon(t, &store, "a", 1), newDaemon(t, &store, "b", 2)
		first := a.acquire(t.Context(), t)
		second := make(chan *lead.Lease)
		go func() { second <- b.acquire(t.Context(), t) }()
		time.Sleep(10 * time.Second)
		if got := b.elector.Leader(); got.Name != "a" || got.Address != "a:7431" {
			t.Errorf("b sees the leader %+v, want a", got)
		}
		first.Release(t.Context())
		begin := time.Now()
		l := <-second
		if took := time.Since(begin); took > lead.DefaultDuration/10 || l.Term() != 2 {
			t.Errorf("it takes %v to lead after another has given up, in term %d", took, l.Term())
		}
		l.Release(t.Context())
	})
}

// The holder is cut off: it stops by itself when the lease ends, counted from its last renewal, and only then another leads.
func TestCutOff(t *testing.T) {
	for _, c := range []struct {
		name string
		cut  func(*wire)
	}{
		{"nothing gets to the store", func(w *wire) { w.down = true }},
		{"no answer comes back", func(w *wire) { w.deaf = true }}, // one more renewal is stored, and its holder does not know
	} {
		t.Run(c.name, func(t *testing.T) {
			synctest.Test(t, func(t *testing.T) {
				var store lead.Memory
				a, b := newDaemon(t, &store, "a", 1), newDaemon(t, &store, "b", 2)
				first := a.acquire(t.Context(), t)
				second := make(chan *lead.Lease, 1)
				go func() { second <- b.acquire(t.Context(), t) }()
				time.Sleep(17*time.Second + 123*time.Millisecond)
				a.wire.set(c.cut)
				begin := time.Now()
				<-first.Lost()
				ended := time.Now()
				if took := ended.Sub(begin); took > lead.DefaultDuration || first.Valid() {
					t.Errorf("the holder has stopped after %v, want within %v", took, lead.DefaultDuration)
				}
				l := <-second
				if !time.Now().After(ended) {
					t.Error("another leads before the holder has stopped")
				}
				if took := time.Since(begin); took > within+lead.DefaultDuration*3/5 {
					t.Errorf("another leads after %v", took)
				}
				l.Release(t.Context())
				first.Release(t.Context())
			})
		})
	}
}

// The store is away for longer than a lease lasts, as while its servers choose who leads it: who held the lease may hold it
// again as soon as the store is back, as long as nobody else has taken it.
func TestOwnLeaseIsNotWaitedFor(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var store lead.Memory
		a := newDaemon(t, &store, "a", 1)
		first := a.acquire(t.Context(), t)
		time.Sleep(10 * time.Second)
		a.wire.set(func(w *wire) { w.down = true })
		<-first.Lost()
		first.Release(t.Context())
		time.AfterFunc(3*time.Second+7*time.Millisecond, func() { a.wire.set(func(w *wire) { w.down = false }) })
		begin := time.Now()
		l := a.acquire(t.Context(), t)
		if took := time.Since(begin) - 3*time.Second; took > lead.DefaultDuration/5 || l.Term() != 2 {
			t.Errorf("it leads %v after the store is back, in term %d; want soon, and in a term of its own", took, l.Term())
		}
		l.Release(t.Context())
	})
}

// A renewal whose answer was lost is not another's.
func TestLostAnswerIsNoLoss(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var store lead.Memory
		a := newDaemon(t, &store, "a", 1)
		l := a.acquire(t.Context(), t)
		for range 50 {
			a.wire.set(func(w *wire) { w.deaf = true })
			time.Sleep(lead.DefaultDuration * 2 / 5) // as long as one attempt waits for its answer
			a.wire.set(func(w *wire) { w.deaf = false })
			time.Sleep(2 * lead.DefaultDuration)
			if !l.Valid() {
				t.Fatal("the lease is lost although each gap was much shorter than it")
			}
		}
		l.Release(t.Context())
	})
}

// An attempt whose answer was lost is found to have succeeded, or waited out.
func TestLostAnswerToAnAttempt(t *testing.T) {
	for _, gap := range []time.Duration{lead.DefaultDuration / 2, 2 * lead.DefaultDuration} {
		synctest.Test(t, func(t *testing.T) {
			var store lead.Memory
			a := newDaemon(t, &store, "a", 1)
			a.wire.set(func(w *wire) { w.slow = time.Millisecond })
			time.AfterFunc(time.Nanosecond, func() { a.wire.set(func(w *wire) { w.slow, w.deaf = 0, true }) })
			time.AfterFunc(gap, func() { a.wire.set(func(w *wire) { w.deaf = false }) })
			l := a.acquire(t.Context(), t)
			if !l.Valid() {
				t.Error("what was acquired is not valid")
			}
			l.Release(t.Context())
		})
	}
}

// While the lease cannot be read, it is known why, and soon nobody is known to lead any more.
func TestTrouble(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		var store lead.Memory
		a, b := newDaemon(t, &store, "a", 1), newDaemon(t, &store, "b", 2)
		l := a.acquire(t.Context(), t)
		ctx, cancel := context.WithCancel(t.Context())
		var ended sync.WaitGroup
		ended.Go(func() { _, _ = b.elector.Acquire(ctx) })
		time.Sleep(time.Second)
		if b.elector.Trouble() != nil || b.elector.Leader().Name != "a" {
			t.Errorf("with a store that can be read: trouble %v, %+v leads", b.elector.Trouble(), b.elector.Leader())
		}
		b.wire.set(func(w *wire) { w.down = true })
		time.Sleep(3 * within)
		if b.elector.Trouble() == nil || b.elector.Leader() != (lead.Leader{}) {
			t.Errorf("with a store that is away: trouble %v, %+v leads", b.elector.Trouble(), b.elector.Leader())
		}
		b.wire.set(func(w *wire) { w.down = false })
		time.Sleep(within)
		if b.elector.Trouble() != nil || b.elector.Leader().Name != "a" {
			t.Errorf("with a store that is back: trouble %v, %+v leads", b.elector.Trouble(), b.elector.Leader())
		}
		cancel()
		ended.Wait()
		l.Release(t.Context())
	})
}

// What is in the store has been written by nobody of us.
func TestForeignLease(t *testing.T) {
	for _, value := range []string{"", "{}", "null", `{"leader":"x","duration":-5}`, `{"duration":9000000000000000000}`, "\xff"} {
		synctest.Test(t, func(t *testing.T) {
			var store lead.Memory
			if _, err := store.Swap(t.Context(), []byte(value), 0); err != nil {
				t.Fatal(err)
			}
			begin := time.Now()
			l := newDaemon(t, &store, "a", 1).acquire(t.Context(), t)
			if took := time.Since(begin); took > within || took < lead.DefaultDuration {
				t.Errorf("%q is replaced after %v, want after a lease", value, took)
			}
			l.Release(t.Context())
		})
	}
}

// TestNeverTwo plays half an hour of three daemons whose wires are cut, slow, deaf and behind at random. At no moment are two
// leases valid; and when the trouble is over, one daemon leads.
func TestNeverTwo(t *testing.T) {
	for seed := range uint64(40) {
		synctest.Test(t, func(t *testing.T) {
			var store lead.Memory
			chance := rand.New(rand.NewPCG(seed, 7))
			ctx, cancel := context.WithCancel(t.Context())
			var mu sync.Mutex
			held := map[string]*lead.Lease{}
			terms := map[uint64]string{}
			var all []*daemon
			var running sync.WaitGroup
			for i, name := range []string{"a", "b", "c"} {
				d := newDaemon(t, &store, name, 10*seed+uint64(i))
				all = append(all, d)
				running.Go(func() {
					for ctx.Err() == nil {
						l, err := d.elector.Acquire(ctx)
						if err != nil {
							return
						}
						mu.Lock()
						held[d.name] = l
						if other, taken := terms[l.Term()]; taken {
							t.Errorf("seed %d: %s and %s have term %d", seed, other, d.name, l.Term())
						}
						terms[l.Term()] = d.name
						mu.Unlock()
						select {
						case <-l.Lost():
						case <-ctx.Done():
						}
						l.Release(context.Background())
					}
				})
			}
			valid := func() (n int) {
				mu.Lock()
				defer mu.Unlock()
				for _, l := range held {
					if l.Valid() {
						n++
					}
				}
				return n
			}
			for end := time.Now().Add(30 * time.Minute); time.Now().Before(end); {
				d := all[chance.IntN(len(all))]
				d.wire.set(func(w *wire) {
					w.down, w.deaf, w.behind = chance.IntN(4) == 0, chance.IntN(4) == 0, chance.IntN(4) == 0
					w.slow = time.Duration(chance.IntN(3)) * 400 * time.Millisecond
				})
				for range 1 + chance.IntN(200) {
					time.Sleep(time.Duration(1 + chance.IntN(40_000_000)))
					if n := valid(); n > 1 {
						t.Fatalf("seed %d: %d leases are valid at once", seed, n)
					}
				}
			}
			for _, d := range all {
				d.wire.set(func(w *wire) { w.down, w.deaf, w.behind, w.slow = false, false, false, 0 })
			}
			time.Sleep(2*within + 2*time.Second)
			if n := valid(); n != 1 {
				t.Errorf("seed %d: %d daemons lead when the trouble is over", seed, n)
			}
			if len(terms) < 5 {
				t.Errorf("seed %d: the lease has changed hands %d times only: the trouble is too little", seed, len(terms))
			}
			cancel()
			running.Wait()
		})
	}
}

// A daemon is told of another with its name that leads, once; the lease that it left itself, at another address, is none.
func TestSameName(t *testing.T) {
	t.Parallel()
	synctest.Test(t, func(t *testing.T) {
		store := new(lead.Memory)
		first := newDaemon(t, store, "a", 1).acquire(t.Context(), t)
		core, said := observer.New(zap.InfoLevel)
		second, err := lead.New(store, lead.Options{Name: "a", Address: "b:7431", Log: zap.New(core)})
		if err != nil {
			t.Fatal(err)
		}
		var lease *lead.Lease
		ended := make(chan struct{})
		go func() {
			defer close(ended)
			lease, _ = second.Acquire(t.Context())
		}()
		time.Sleep(10 * time.Second)
		first.Release(t.Context())
		<-ended
		if n := said.FilterMessageSnippet("the same name").Len(); n != 1 {
			t.Errorf("it was told %d times of the other one, want once", n)
		}
		lease.Release(t.Context())

		left, err := json.Marshal(map[string]any{"leader": "a", "address": "before:7431", "term": 9, "token": "left", "duration": time.Second})
		if err != nil {
			t.Fatal(err)
		}
		store = new(lead.Memory)
		if _, err := store.Swap(t.Context(), left, 0); err != nil {
			t.Fatal(err)
		}
		if second, err = lead.New(store, lead.Options{Name: "a", Address: "b:7431", Log: zap.New(core)}); err != nil {
			t.Fatal(err)
		}
		if lease, err = second.Acquire(t.Context()); err != nil {
			t.Fatal(err)
		}
		lease.Release(t.Context())
		if n := said.FilterMessageSnippet("the same name").Len(); n != 1 {
			t.Errorf("it takes the lease that it left for another's: told %d times", n)
		}
	})
}

func TestOptions(t *testing.T) {
	for _, o := range []lead.Options{{}, {Name: "a", Duration: -1}, {Name: "a", Duration: time.Microsecond}} {
		if _, err := lead.New(&lead.Memory{}, o); err == nil {
			t.Errorf("%+v is taken", o)
		}
	}
}
