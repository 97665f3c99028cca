package main

import (
	"context"
	"errors"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"

	"tandem/daemon/api"
	"tandem/daemon/ledger"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
)

// hanging is a ledger whose disk takes its time.
type hanging struct {
	*ledger.Memory
	takes time.Duration
}

func (h *hanging) Append(ctx context.Context, rec *ledgerv1.Record) (ledger.Head, error) {
	time.Sleep(h.takes)
	return h.Memory.Append(ctx, rec)
}

// A disk that hangs is told after a while, in the log and to who asks, until it answers.
func TestSlowDisk(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		core, said := observer.New(zapcore.InfoLevel)
		store := &hanging{Memory: ledger.NewMemory()}
		s := &slowDisk{ownLedger: store, dir: "/srv/floor", log: zap.New(core)}
		for _, c := range []struct {
			takes, after time.Duration
			want         bool
		}{
			{takes: slowAfter - time.Millisecond, after: slowAfter / 2},
			{takes: time.Minute, after: slowAfter / 2},
			{takes: time.Minute, after: 20 * time.Second, want: true},
		} {
			store.takes = c.takes
			lines, stored := said.Len(), make(chan struct{})
			go func() {
				_, _ = s.Append(t.Context(), &ledgerv1.Record{})
				close(stored)
			}()
			time.Sleep(c.after)
			slow, ok := errors.AsType[*api.SlowDiskError](s.hangs())
			if ok != c.want || ok && (slow.For != c.after || !strings.Contains(slow.Error(), "/srv/floor has not stored a record for 20s")) {
				t.Errorf("a record that takes %v: after %v %v", c.takes, c.after, slow)
			}
			<-stored
			synctest.Wait()
			if err := s.hangs(); err != nil {
				t.Errorf("the record is stored, and the answer is %v", err)
			}
			told := 0
			if c.takes > slowAfter {
				told = 2 // that it waits, and that it no longer does
			}
			if got := said.Len() - lines; got != told {
				t.Errorf("a record that takes %v: %d lines, want %d: %v", c.takes, got, told, said.All())
			}
		}
	})
}
