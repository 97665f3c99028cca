package drivers

import (
	"sync"
	"time"

	"github.com/nats-io/nats.go"
)

const (
	// unheardFirst to unheardLongest is how long no daemon answers over a connection that stands until another server is tried; it
	// doubles from one to the other. The first is longer than another daemon takes to lead.
	unheardFirst, unheardLongest = 10 * time.Second, 10 * time.Minute
)

// elsewhere leaves a server over which no daemon answers for another of the connection's servers. Of three servers, two may not reach
// each other while both reach the third: who is connected to the one does not hear a daemon that is connected to the other.
type elsewhere struct {
	conn *nats.Conn

	mu         sync.Mutex
	since      time.Time // no answer since then; zero: the last hello was answered
	reconnects uint64    // of the connection, then
	wait       time.Duration
}

// heard notes that a daemon has answered.
func (e *elsewhere) heard() {
	e.mu.Lock()
	defer e.mu.Unlock()
	e.since, e.wait = time.Time{}, 0
}

// unheard notes that none has, and connects to another server if that has been so for long. A connection that serves several devices
// is moved by one of them: the others see that it has been.
func (e *elsewhere) unheard(now time.Time) {
	e.mu.Lock()
	defer e.mu.Unlock()
	reconnects := e.conn.Stats().Reconnects
	if e.since.IsZero() || e.reconnects != reconnects || !e.conn.IsConnected() {
		e.since, e.reconnects = now, reconnects
		return
	}
	if e.wait = max(e.wait, unheardFirst); now.Sub(e.since) < e.wait || len(e.conn.Servers()) < 2 {
		return
	}
	e.since, e.wait = now, min(2*e.wait, unheardLongest)
	_ = e.conn.ForceReconnect() // it fails only if the connection is closed
}
