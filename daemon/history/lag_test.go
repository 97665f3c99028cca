package history

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
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

// A history that its disk does not take goes on by itself, and people hear what makes room for it.
func TestAttentionWhenFull(t *testing.T) {
	h, err := Open(t.Context(), t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	}()
	if _, err := h.db.ExecContext(t.Context(), "PRAGMA max_page_count = 1"); err != nil { // it is as large as it may be
		t.Fatal(err)
	}
	_, err = h.db.ExecContext(t.Context(), "INSERT INTO records (revision, stored) VALUES (1, zeroblob(100000))")
	h.lag.begin(ledger.NewMemory(), 0)
	h.lag.fail(fmt.Errorf("keep records: %w", err))
	h.lag.since = h.lag.since.Add(-failingFor)
	if got := h.Attention(); len(got) != 1 || !strings.Contains(got[0], "free space on its disk; it goes on by itself then") {
		t.Errorf("with %v people hear %q", err, got)
	}
}

// A file that is damaged inside opens as if it were whole. People are told at once, with what to do, since no time mends it.
func TestAttentionWhenDamagedInside(t *testing.T) {
	dir := t.TempDir()
	h, err := Open(t.Context(), dir)
	if err != nil {
		t.Fatal(err)
	}
	if err := h.Close(); err != nil {
		t.Fatal(err)
	}
	path := filepath.Join(dir, FileName)
	info, err := os.Stat(path)
	if err != nil {
		t.Fatal(err)
	}
	file, err := os.OpenFile(path, os.O_WRONLY, 0)
	if err != nil {
		t.Fatal(err)
	}
	const page = 4096 // the first has the schema
	_, err = file.WriteAt(bytes.Repeat([]byte{0xa5}, int(info.Size())-page), page)
	if err := errors.Join(err, file.Close()); err != nil {
		t.Fatal(err)
	}
	db, err := connect(path, false)
	if err != nil {
		t.Fatal(err)
	}
	defer db.Close()
	var n int
	failure := db.QueryRowContext(t.Context(), "SELECT count(*) FROM jobs").Scan(&n)
	h = &History{}
	h.lag.begin(ledger.NewMemory(), 0)
	h.lag.fail(fmt.Errorf("keep records: %w", failure))
	if got := h.Attention(); len(got) != 1 || !strings.Contains(got[0], "move history.db away") {
		t.Errorf("after %v: %q", failure, got)
	}
}
