package history_test

import (
	"context"
	"strings"
	"testing"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"tandem/daemon/history"
)

// Tables that cannot be filled, as on a disk that is full or fails, are told of, once, and tried again after a rest.
func TestARefillThatFailsIsTold(t *testing.T) {
	t.Parallel()
	s := newShop(t)
	h, stop := s.follow()
	s.do("a")
	s.caughtUp(h)
	stop()
	s.exec("PRAGMA user_version = 99")
	h, err := history.Open(t.Context(), s.dir)
	if err != nil {
		t.Fatal(err)
	}
	defer func() {
		if err := h.Close(); err != nil {
			t.Error(err)
		}
	}()
	s.exec("DROP TABLE jobs; CREATE VIEW jobs AS SELECT 1") // which nobody can drop as a table
	core, told := observer.New(zapcore.DebugLevel)
	ctx, cancel := context.WithCancel(t.Context())
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		h.Follow(ctx, s.engine, s.store, zap.New(core))
	}()
	s.until("it is told", func() bool { return h.Failure() != nil && told.Len() > 0 })
	if !strings.Contains(h.Failure().Error(), "refill tables") || told.Len() != 1 {
		t.Errorf("told is %v, and %d lines in the log", h.Failure(), told.Len())
	}
	s.exec("DROP VIEW jobs")
	s.until("it goes on", func() bool { return h.Failure() == nil && s.store.Head().Revision == h.Kept() })
	cancel()
	<-ended
	if got := s.tables(); got != oneJob {
		t.Errorf("the tables hold\n%s", got)
	}
}
