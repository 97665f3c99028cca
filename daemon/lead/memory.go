package lead

import (
	"context"
	"fmt"
	"sync"
)

// Memory is a Store for tests and simulation, for all candidates of one process. The zero Memory is ready for use.
type Memory struct {
	mu    sync.Mutex
	entry Entry
}

var _ Store = (*Memory)(nil)

// Read implements Store.
func (m *Memory) Read(ctx context.Context) (Entry, error) {
	m.mu.Lock()
	defer m.mu.Unlock()
	return m.entry, ctx.Err()
}

// Swap implements Store.
func (m *Memory) Swap(ctx context.Context, value []byte, revision uint64) (uint64, error) {
	if err := ctx.Err(); err != nil {
		return 0, err
	}
	m.mu.Lock()
	defer m.mu.Unlock()
	if revision != m.entry.Revision {
		return 0, fmt.Errorf("%w: it is at revision %d, not %d", ErrChanged, m.entry.Revision, revision)
	}
	m.entry = Entry{Value: value, Revision: revision + 1}
	return revision + 1, nil
}
