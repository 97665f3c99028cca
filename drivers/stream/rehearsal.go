package stream

import (
	"io"
	"sync"
	"time"
)

// empty is the line of a rehearsal: it takes every byte at once, and nothing moves.
type empty struct {
	once   sync.Once
	closed chan struct{}
}

func newEmpty() *empty { return &empty{closed: make(chan struct{})} }

func (e *empty) Read([]byte) (int, error) {
	<-e.closed
	return 0, io.ErrClosedPipe
}

func (*empty) Write(p []byte) (int, error) { return len(p), nil }
func (*empty) Ready() (bool, error)        { return true, nil }
func (*empty) Flush() error                { return nil }
func (*empty) EndWrite() error             { return nil }
func (*empty) Silent(time.Duration) bool   { return false }
func (*empty) Drop()                       {}

func (e *empty) Close() error {
	e.once.Do(func() { close(e.closed) })
	return nil
}
