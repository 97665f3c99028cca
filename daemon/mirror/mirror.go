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
	"google.golang.org/protobuf/proto"

	"tandem/daemon/engine"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

// Engine is what a mirror needs of the engine.
type Engine interface {
	View(ctx context.Context, fn func(engine.State)) error
	Watch(ctx context.Context, after uint64, fn func(*ledgerv1.Record) error, idle func(revision uint64) <-chan struct{}) error
}

// startAgain is how long a mirror that has failed waits before it begins anew.
const startAgain = 10 * time.Second

// Mirror is a copy of one engine's floor.
type Mirror struct {
	engine  Engine
	now     func() time.Time
	log     *zap.Logger
	waiting []chan struct{} // one for each that asked for Changes
	pace    pace

	mu    sync.Mutex // guards what follows
	floor *floor.Floor
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
	return &Mirror{engine: e, now: now, log: log}
}

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

// Run follows the engine until ctx ends or the engine stops.
func (m *Mirror) Run(ctx context.Context) {
	for ctx.Err() == nil {
		err := m.follow(ctx)
		if ctx.Err() != nil || errors.Is(err, engine.ErrStopped) {
			return
		}
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
		m.mu.Unlock()
	})
	if err != nil {
		return err
	}
	m.tell()
	return m.engine.Watch(ctx, revision, func(rec *ledgerv1.Record) error {
		own := proto.CloneOf(rec) // the engine's floor keeps parts of it
		m.mu.Lock()
		defer m.mu.Unlock()
		m.floor.ApplyRecord(own)
		for _, e := range own.GetEvents() {
			m.noteDown(e, own.GetCommitTime().AsTime())
		}
		m.pace.add(time.Now(), len(own.GetEvents()))
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
