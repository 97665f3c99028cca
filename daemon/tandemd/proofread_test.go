package main

import (
	"context"
	"slices"
	"strings"
	"testing"

	"go.uber.org/zap/zaptest"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// headless is a ledger whose oldest records are gone, as when a file of the store was lost or overwritten.
type headless struct{ *ledger.Memory }

func (headless) Replay(_ context.Context, after uint64, _ func(*ledgerv1.Record) error) error {
	return &ledger.CompactedError{After: after, Oldest: 97}
}

// Records before the newest snapshot are missing: the floor goes on, and people are told what brings them back.
func TestProofreadTellsOfMissingRecords(t *testing.T) {
	var p proofread
	cfg := daemonConfig{Log: zaptest.NewLogger(t)}
	cfg.DataDir = "data"
	copied := []string{"the history is damaged: move it away"}
	if lines := p.attention(copied); !slices.Equal(lines, copied) {
		t.Errorf("beside a good ledger: %q", lines)
	}
	p.run(t.Context(), headless{ledger.NewMemory()}, cfg)
	lines := p.attention(copied)
	if len(lines) != 1 || !strings.Contains(lines[0], "records before revision 97 are missing") || !strings.Contains(lines[0], `tandemd ledger rebuild --data-dir "data"`) {
		t.Errorf("got %q", lines)
	}
}
