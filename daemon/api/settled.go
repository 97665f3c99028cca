package api

import (
	"context"
	"sync"

	"tandem/daemon/engine"
	"tandem/scheduler/floor"
)

// settled is an engine whose View and DoThen have done with what they were given once they return. The engine itself
// leaves early when a request ends, and its loop may come to the request's function later, while the request's answer is
// already being read.
type settled struct{ Engine }

func (s settled) View(ctx context.Context, fn func(engine.State)) error {
	read, settle := once(fn)
	err := s.Engine.View(ctx, read)
	settle()
	return err
}

func (s settled) DoThen(ctx context.Context, m floor.Meta, c floor.Command, then func(engine.State)) (engine.Result, error) {
	read, settle := once(then)
	r, err := s.Engine.DoThen(ctx, m, c, read)
	settle()
	return r, err
}

// once returns fn in a form that does nothing after settle has returned.
func once(fn func(engine.State)) (read func(engine.State), settle func()) {
	var mu sync.Mutex
	over := false
	read = func(st engine.State) {
		mu.Lock()
		defer mu.Unlock()
		if !over {
			fn(st)
		}
	}
	settle = func() {
		mu.Lock()
		defer mu.Unlock()
		over = true
	}
	return read, settle
}
