package ipptest

import (
	"os"
	"path/filepath"
	"sync"
	"testing"

	"tandem/drivers"
)

// Conformable returns a kind of driver whose example prints on a printer in memory, for the conformance suite. Each folder
// in which a driver keeps its memory comes with a printer that has no memory yet.
func Conformable(t *testing.T, kind drivers.Kind) drivers.Kind {
	t.Helper()
	document := filepath.Join(t.TempDir(), "art.pdf")
	if err := os.WriteFile(document, []byte("%PDF-1.4"), 0o600); err != nil {
		t.Fatal(err)
	}
	p := New()
	kind.Example = map[string]string{"uri": p.Serve(t), "default-document": document, "poll-slow": "5m"}
	make := kind.New
	var mu sync.Mutex
	var last string
	kind.New = func(env drivers.Env, given map[string]string) (drivers.Driver, error) {
		mu.Lock()
		defer mu.Unlock()
		if env.StateDir != last {
			last = env.StateDir
			p.Forget()
		}
		return make(env, given)
	}
	return kind
}
