package main

import (
	"context"
	"fmt"
	"strings"
	"sync"
	"sync/atomic"
)

const (
	chainSteps = 4
	lastStep   = chainSteps - 1
	bodyBytes  = 200
)

// chainTask is a step of a chain as peers pass it on.
type chainTask struct {
	ID   string `json:"id"`
	Step int    `json:"step"`
}

// body is what a peer stores of a job.
func body(n int64, step int) []byte {
	return fmt.Appendf(nil, `{"id":"job-%d","step":%d,"pieces":60,"note":"%s"}`, n, step, strings.Repeat("x", bodyBytes-60))
}

// waiters are those who wait for the end of a chain.
type waiters struct {
	m    sync.Map
	made atomic.Int64
}

// unique names something that no measurement before has named.
func (w *waiters) unique(prefix string, n int64) string {
	return fmt.Sprintf("%s%d-%d", prefix, n, w.made.Add(1))
}

func (w *waiters) add(id string) <-chan struct{} {
	done := make(chan struct{})
	w.m.Store(id, done)
	return done
}

func (w *waiters) finish(id string) {
	if done, ok := w.m.LoadAndDelete(id); ok {
		close(done.(chan struct{}))
	}
}

func wait(ctx context.Context, done <-chan struct{}) error {
	select {
	case <-done:
		return nil
	case <-ctx.Done():
		return ctx.Err()
	}
}
