package history

import (
	"context"
	"errors"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/types/known/timestamppb"

	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// Somebody is told when the history is far behind, or has failed for a while; not before.
func TestAttention(t *testing.T) {
	store := ledger.NewMemory()
	head := ledger.Head{}
	appendOne := func() {
		rec := &ledgerv1.Record{Revision: head.Revision + 1, Term: 1, CommitTime: timestamppb.New(time.Unix(1, 0)), PreviousHash: head.Hash}
		var err error
		if head, err = store.Append(context.Background(), rec); err != nil {
			t.Fatal(err)
		}
	}
	h := &History{}
	if h.Attention() != nil {
		t.Error("attention before it follows")
	}
	h.lag.begin(store, 0)
	for range farBehind - 1 {
		appendOne()
	}
	if got := h.Attention(); got != nil {
		t.Errorf("%d records behind: %v", farBehind-1, got)
	}
	appendOne()
	if got := h.Attention(); len(got) != 1 || !strings.Contains(got[0], "4096 records behind") {
		t.Errorf("%d records behind: %v", farBehind, got)
	}
	h.lag.reached(head.Revision)
	if got := h.Attention(); got != nil {
		t.Errorf("caught up: %v", got)
	}
	if !h.lag.fail(errors.New("disk full")) || h.lag.fail(errors.New("disk full")) {
		t.Error("the first failure is not told from the second")
	}
	if got := h.Attention(); got != nil {
		t.Errorf("just failed: %v", got)
	}
	h.lag.since = h.lag.since.Add(-failingFor)
	if got := h.Attention(); len(got) != 1 || !strings.Contains(got[0], "disk full") {
		t.Errorf("failed for long: %v", got)
	}
	h.lag.reached(head.Revision)
	if h.Attention() != nil || !h.lag.fail(errors.New("again")) {
		t.Error("a failure is not over once records are kept again")
	}
}
