package lead

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"sync"
	"sync/atomic"
	"time"

	"go.uber.org/zap"
)

// ErrLost is why a lease counts no longer.
var ErrLost = errors.New("lead: the lease has ended or another has it")

// Lease is the right to lead. It is renewed in the background until Release, or until it cannot be.
type Lease struct {
	elector *Elector
	stop    context.CancelFunc
	kept    chan struct{} // closed when nothing renews it any more
	ends    atomic.Pointer[time.Time]

	once sync.Once
	lost chan struct{}

	// Owned by keep, and after kept is closed by Release.
	claim    claim
	revision uint64
}

// Term counts how often the lease has changed hands.
func (l *Lease) Term() uint64 { return l.claim.Term }

// Valid reports whether this daemon leads at this moment. It looks at the clock: a process that was stopped and goes on
// finds out with its next call.
func (l *Lease) Valid() bool {
	select {
	case <-l.lost:
		return false
	default:
		return time.Now().Before(*l.ends.Load())
	}
}

// Err is nil while the lease is valid, and then ErrLost.
func (l *Lease) Err() error {
	if l.Valid() {
		return nil
	}
	return ErrLost
}

// Lost is closed when the lease has ended, be it released, not renewed in time or taken by another.
func (l *Lease) Lost() <-chan struct{} { return l.lost }

// extend counts from when a renewal was sent that is known to be stored.
func (l *Lease) extend(sent time.Time) {
	ends := sent.Add(l.claim.Duration)
	l.ends.Store(&ends)
}

func (l *Lease) lose() {
	l.once.Do(func() {
		l.elector.see(Leader{})
		close(l.lost)
	})
}

// keep renews the lease until ctx ends or it is lost.
func (l *Lease) keep(ctx context.Context) {
	defer close(l.kept)
	pause := l.claim.Duration / renewals
	timer := time.NewTimer(pause)
	defer timer.Stop()
	end := time.NewTimer(time.Until(*l.ends.Load()))
	defer end.Stop()
	for {
		select {
		case <-ctx.Done():
			return
		case <-end.C:
			l.elector.log.Warn("lease not renewed in time", zap.Uint64("term", l.claim.Term))
			l.lose()
			return
		case <-timer.C:
		}
		err := l.renew(ctx)
		switch {
		case ctx.Err() != nil:
			return
		case errors.Is(err, ErrLost):
			l.elector.log.Warn("another has the lease", zap.Uint64("term", l.claim.Term))
			l.lose()
			return
		case err != nil:
			l.elector.log.Debug("lease not renewed; trying again", zap.Error(err))
			timer.Reset(pause / 5)
		default:
			timer.Reset(pause)
		}
		end.Reset(time.Until(*l.ends.Load()))
	}
}

// renew stores the lease once more. ErrLost means that it is another's.
func (l *Lease) renew(ctx context.Context) error {
	l.claim.Renewal++
	ctx, cancel := context.WithDeadline(ctx, *l.ends.Load())
	defer cancel()
	stored, sent, err := l.elector.swap(ctx, l.claim, l.revision)
	if err == nil {
		l.revision = stored
		l.extend(sent)
		return nil
	}
	if !errors.Is(err, ErrChanged) {
		return err
	}
	// Another has it, or a renewal of ours was stored whose answer was lost.
	entry, err := l.elector.store.Read(ctx)
	if err != nil {
		return err
	}
	var now claim
	if entry.Revision > 0 {
		if err := json.Unmarshal(entry.Value, &now); err != nil {
			return fmt.Errorf("%w: what is stored is no lease", ErrLost)
		}
	}
	switch {
	case entry.Revision < l.revision && entry.Revision > 0: // read from one who is behind
		return ErrChanged
	case now.Token != l.claim.Token:
		return ErrLost
	}
	l.revision = entry.Revision
	return ErrChanged // it is renewed from here at once
}

// Release gives the lease up, so that another may lead at once, and returns when nothing renews it any more. The daemon
// must have stopped leading before. If it cannot be told to the store, the lease ends by itself.
func (l *Lease) Release(ctx context.Context) {
	l.stop()
	<-l.kept
	valid := l.Valid()
	l.lose()
	if !valid {
		return
	}
	l.claim.Renewal++
	l.claim.Released = true
	if _, _, err := l.elector.swap(ctx, l.claim, l.revision); err != nil {
		l.elector.log.Debug("lease not given up; it ends by itself", zap.Error(err))
	}
}
