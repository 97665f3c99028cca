package main

import (
	"errors"
	"net"
	"sync"
	"time"
)

// front is the address for clients. It outlives the servers that take turns behind it: that of a daemon that leads and
// that of one that does not.
type front struct {
	listener net.Listener
	accepted chan net.Conn
	closed   chan struct{}
	once     sync.Once
}

func newFront(l net.Listener) *front {
	f := &front{listener: l, accepted: make(chan net.Conn), closed: make(chan struct{})}
	go f.accept()
	return f
}

// accept hands connections to whoever serves. Between two turns they wait.
func (f *front) accept() {
	const pause = 50 * time.Millisecond
	defer f.Close()
	for {
		c, err := f.listener.Accept()
		if errors.Is(err, net.ErrClosed) {
			return
		}
		if err != nil { // too many open files, say: there will be fewer
			select {
			case <-time.After(pause):
				continue
			case <-f.closed:
				return
			}
		}
		select {
		case f.accepted <- c:
		case <-f.closed:
			_ = c.Close()
			return
		}
	}
}

// Close ends the front and every turn.
func (f *front) Close() {
	f.once.Do(func() {
		close(f.closed)
		_ = f.listener.Close()
	})
}

// turn returns a listener for one server; closing it leaves the front open.
func (f *front) turn() net.Listener { return &turn{front: f, ended: make(chan struct{})} }

type turn struct {
	*front
	ended chan struct{}
	end   sync.Once
}

func (t *turn) Accept() (net.Conn, error) {
	select {
	case <-t.ended:
		return nil, net.ErrClosed
	default:
	}
	select {
	case c := <-t.accepted:
		return c, nil
	case <-t.ended:
		return nil, net.ErrClosed
	case <-t.closed:
		return nil, net.ErrClosed
	}
}

func (t *turn) Close() error {
	t.end.Do(func() { close(t.ended) })
	return nil
}

func (t *turn) Addr() net.Addr { return t.listener.Addr() }
