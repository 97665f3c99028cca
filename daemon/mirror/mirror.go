// Package mirror keeps a copy of the engine's floor beside its loop, for whoever computes in the background: forecasts, plans. It
// touches the loop once, when it starts: it copies the floor, and keeps its copy by the records that the engine commits, as any
// watcher does. What is computed from it costs the loop nothing.
package mirror

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"time"

	"go.uber.org/zap"

	"tandem/daemon/engine"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Engine is what a mirror needs of the engine.
type Engine interface {
	View(ctx context.Context, fn func(engine.State)) error
	Watch(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error, idle func(revision uint64) <-chan struct{}) error
	Busy() float64
}

// startAgain is how long a mirror that has failed waits before it begins anew.
const startAgain = 10 * time.Second

// Mirror is a copy of one engine's floor.
type Mirror struct {
	engine  Engine
	now     func() time.Time
	log     *zap.Logger
	waiting []chan struct{} // one for each that asked for Changes
	pace    *Pace           // of those who compute

	mu    sync.Mutex // guards what follows
	floor *floor.Floor
	hash  []byte               // of the last record, if that is not
	last  *ledgerv1.Record     // applied; nil: none since the floor was copied
	down  map[string]time.Time // device -> since when it stands still or is offline
}

// Floor is what a mirror shows. It belongs to the mirror: read it and clone it, within Look only.
type Floor struct {
	*floor.Floor
	Now  time.Time            // never before the last commit
	Down map[string]time.Time // device -> since when it stands still or is offline, as far as that has been seen
}

// New returns a mirror of an engine's floor, whose clock is now. Run makes it follow.
func New(e Engine, now func() time.Time, log *zap.Logger) *Mirror {
	if log == nil {
		log = zap.NewNop()
	}
	return &Mirror{engine: e, now: now, log: log, pace: NewPace(e.Busy)}
}

// Pace is kept by all who compute from this mirror.
func (m *Mirror) Pace() *Pace { return m.pace }

// Changes returns a channel that holds a token whenever the floor has changed since the last was taken. Each caller gets one of its
// own; ask before Run.
func (m *Mirror) Changes() <-chan struct{} {
	c := make(chan struct{}, 1)
	m.waiting = append(m.waiting, c)
	return c
}

// Look shows the floor to fn, which must be quick: meanwhile the mirror stands still. It is false if there is nothing to show yet.
func (m *Mirror) Look(fn func(Floor)) bool {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.floor == nil {
		return false
	}
	now := m.now()
	if now.Before(m.floor.CommitTime) {
		now = m.floor.CommitTime
	}
	fn(Floor{m.floor, now, m.down})
	return true
}

// Snapshot returns the mirror's whole state with the hash of the last record it has applied, so that nobody has to read the engine's for
// it; false if there is none yet.
func (m *Mirror) Snapshot() (*ledgerv1.Snapshot, bool) {
	m.mu.Lock()
	defer m.mu.Unlock()
	if m.floor == nil {
		return nil, false
	}
	hash := m.hash
	if m.last != nil {
		var err error
		if hash, err = ledger.Hash(m.last); err != nil {
			m.log.Warn("no snapshot of the copied floor", zap.Error(err))
			return nil, false
		}
	}
	snap := m.floor.Snapshot()
	snap.Hash = hash
	return snap, true
}

// Run follows the engine until ctx ends or the engine stops.
func (m *Mirror) Run(ctx context.Context) {
	for ctx.Err() == nil {
		err := m.follow(ctx)
		if ctx.Err() != nil || errors.Is(err, engine.ErrStopped) {
			return
		}
		m.mu.Lock()
		m.floor = nil // nobody knows what of the last record it has
		m.mu.Unlock()
		m.log.Warn("the floor is copied anew", zap.Error(err))
		Rest(ctx, startAgain)
	}
}

// follow copies the floor and applies every record to the copy.
func (m *Mirror) follow(ctx context.Context) (err error) {
	defer Recovered("follow the ledger", &err)
	var revision uint64
	err = m.engine.View(ctx, func(st engine.State) {
		copied := st.Floor.Clone()
		m.mu.Lock()
		m.floor, m.down, revision = copied, map[string]time.Time{}, st.Head.Revision
		m.hash, m.last = st.Head.Hash, nil
		m.mu.Unlock()
	})
	if err != nil {
		return err
	}
	m.tell()
	return m.engine.Watch(ctx, revision, func(rec *ledgerv1.Record) error {
		m.mu.Lock()
		defer m.mu.Unlock()
		m.floor.ApplyRecord(rec) // floors keep parts of records and never change them
		m.last = rec
		for _, e := range rec.GetEvents() {
			m.noteDown(e, rec.GetCommitTime().AsTime())
		}
		m.tell()
		return nil
	}, nil)
}

// noteDown keeps since when devices stand still.
func (m *Mirror) noteDown(e *ledgerv1.Event, at time.Time) {
	c := e.GetDeviceChanged()
	if c == nil {
		return
	}
	if c.GetState() != tandemv1.DeviceState_DEVICE_STATE_STOPPED && c.GetLink() == tandemv1.Link_LINK_ONLINE {
		delete(m.down, c.GetDevice())
	} else if m.down[c.GetDevice()].IsZero() {
		m.down[c.GetDevice()] = at
	}
}

func (m *Mirror) tell() {
	for _, c := range m.waiting {
		select {
		case c <- struct{}{}:
		default:
		}
	}
}

// Rest waits, or until ctx ends.
func Rest(ctx context.Context, d time.Duration) {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-t.C:
	case <-ctx.Done():
	}
}

// Recovered makes a panic an error, deferred by whoever computes from a mirror: a bug there is no reason to stop a shop.
func Recovered(what string, err *error) {
	if p := recover(); p != nil {
		*err = fmt.Errorf("%s: panic: %v", what, p)
	}
}
