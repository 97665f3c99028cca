package main

import (
	"context"
	"errors"
	"fmt"
	"net"
	"strings"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
	"google.golang.org/grpc"

	"tandem/daemon/api"
	"tandem/daemon/bus"
	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	"tandem/daemon/space"
	"tandem/proto/durable"
)

const (
	// firstPause and longestPause bound the time between a failure and the next opening; it doubles from one to the other.
	firstPause, longestPause = 200 * time.Millisecond, 2 * time.Second
	// steadyAfter is how long a daemon has to serve before its next failure counts as a first one.
	steadyAfter = 30 * time.Second
)

// serveUntilStopped runs a daemon, and opens everything anew if its ledger fails it: after an append without an answer
// only the ledger knows what is true. While the disk cannot be written nothing is opened on it, and clients hear why.
func serveUntilStopped(ctx context.Context, cfg daemonConfig, ready func(address)) error {
	if err := durable.MakeFolder(cfg.DataDir, 0o700); err != nil {
		return &usageError{fmt.Errorf("--data-dir: %w: name a folder that is there, or can be made", err)}
	}
	listener, err := net.Listen("tcp", cfg.Listen)
	if err != nil {
		return fmt.Errorf("listen for clients on %s: %w", cfg.Listen, err)
	}
	entrance := newFront(listener)
	defer entrance.Close()
	disk := space.New(space.Options{Dir: cfg.DataDir, Limit: cfg.SpaceLimit, Ballast: cfg.Ballast, Log: cfg.Log.Named("space")})
	cfg.place = place{entrance, disk, cfg.Doors, new(life), cfg.DataDir}

	served := false
	opened := func(a address) {
		served = true
		cfg.BusListen = strings.TrimPrefix(a.Bus, "nats://") // of several starts the first chooses the port
		if ready != nil {
			ready(a)
		}
	}
	watching, stopWatching := context.WithCancel(ctx)
	defer stopWatching()
	go disk.Run(watching)
	for pause := firstPause; ; {
		awaiting := cfg.place.closed()
		err := disk.Await(ctx)
		awaiting()
		if err != nil {
			return err
		}
		began := time.Now()
		cfg.place.before.begins()
		err = serve(ctx, cfg, opened)
		if ctx.Err() != nil || err == nil {
			return err
		}
		disk.Suspect()
		if !worthAnother(err, disk.ReadOnly(), served) {
			return err
		}
		if time.Since(began) > steadyAfter {
			pause = firstPause
		}
		cfg.place.before.failed(err.Error())
		cfg.Log.Error("ledger failed; opening it anew", zap.Error(err), zap.Duration("in", pause))
		awaiting = cfg.place.closed()
		select {
		case <-ctx.Done():
			awaiting()
			return err
		case <-time.After(pause):
			awaiting()
		}
		pause = min(2*pause, longestPause)
	}
}

// worthAnother says whether a daemon that has failed may come up if everything is opened anew. A disk that fails explains
// every error; otherwise damage stays damage, and what did not come up the first time will not the second time either.
func worthAnother(err, disk error, served bool) bool {
	if trouble, ok := errors.AsType[*space.Error](disk); ok && trouble.Cause != nil {
		return true
	}
	for _, final := range []error{ledger.ErrCorrupt, ledger.ErrNotDurable, bus.ErrInUse} {
		if errors.Is(err, final) {
			return false
		}
	}
	return served || errors.Is(err, engine.ErrStopped)
}

// deafness ends the wait for a store that has said in its log that it cannot write: it answers no request, and says nothing
// to the one who waits. The cause is in that line alone, so it is kept for those who ask why the daemon is away.
type deafness struct {
	store atomic.Pointer[ledger.JetStream]
	life  *life
}

func (d *deafness) of(store *ledger.JetStream) { d.store.Store(store) }

func (d *deafness) heard(line string) {
	if store := d.store.Load(); store != nil && strings.Contains(line, ledger.StreamName) {
		if _, cause, ok := strings.Cut(line, ": "); ok {
			d.life.failed(cause)
		}
		store.Abandon()
	}
}

// place is what stays through all the lives of a daemon that keeps its ledger itself: its address for clients and its disk.
// The zero place has neither.
type place struct {
	front  *front
	disk   *space.Watch
	doors  []grpc.ServerOption
	before *life  // nil: nothing is kept of the lives before
	dir    string // the data folder
}

// life is what the lives before have left behind in this process: a disk that fails may lose what it had said was on it.
type life struct {
	head  ledger.Head // the last record stored
	shown time.Time   // by the floor's clock, which a simulated floor's next one goes on from

	failure atomic.Pointer[string] // why the last one's ledger failed it; nil: it did not, or the next one has begun
}

// failed notes why the ledger fails a life. The first cause counts: others follow from it.
func (l *life) failed(cause string) {
	if l != nil {
		l.failure.CompareAndSwap(nil, &cause)
	}
}

// begins forgets why the life before failed.
func (l *life) begins() { l.failure.Store(nil) }

// remember notes it at the end of a life.
func (l *life) remember(head ledger.Head, now time.Time) {
	if head.Revision > l.head.Revision {
		l.head = head
	}
	if now.After(l.shown) {
		l.shown = now
	}
}

// known returns the last record that the ledger must hold: the one that the history has, or a later one of the lives before.
func (l *life) known(past ledger.Head) ledger.Head {
	if l != nil && l.head.Revision > past.Revision {
		return l.head
	}
	return past
}

// goesOn returns the time from which a simulated floor's clock goes on: that of the last commit, or a later one that was shown.
func (p place) goesOn(last time.Time) time.Time {
	if p.before != nil && p.before.shown.After(last) {
		return p.before.shown
	}
	return last
}

// readOnly says why nothing new is taken; nil: it is.
func (p place) readOnly() error {
	if p.disk == nil {
		return nil
	}
	return p.disk.ReadOnly()
}

// away says why the daemon is not there; nil: it is opening its ledger, as at each start.
func (p place) away() error {
	if err := p.readOnly(); err != nil {
		return err
	}
	if p.before != nil {
		if cause := p.before.failure.Load(); cause != nil {
			return &api.ReopeningError{Dir: p.dir, Cause: *cause}
		}
	}
	return nil
}

// attention is what people see about the disk.
func (p place) attention() []string {
	if err := p.readOnly(); err != nil {
		return []string{"no new work is taken: " + err.Error()}
	}
	return nil
}

// closed lets a server answer that the daemon is not there, and why, until the function it returns is called.
func (p place) closed() (done func()) {
	g := api.NewClosed(p.away, p.doors...)
	var serving sync.WaitGroup
	listener := p.front.turn()
	serving.Go(func() { _ = g.Serve(listener) })
	return func() {
		_ = listener.Close()
		g.Stop()
		serving.Wait()
	}
}
