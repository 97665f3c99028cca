package main

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"github.com/nats-io/nats.go"
	"github.com/nats-io/nats.go/jetstream"
	"go.uber.org/zap"
	"go.uber.org/zap/zaptest/observer"

	"tandem/daemon/ledger"
)

// What keeps a member from the servers is told with what helps; what this program does not know is left as it is.
func TestServersRemedy(t *testing.T) {
	refused := func(code jetstream.ErrorCode) error {
		return fmt.Errorf("open ledger: %w", &jetstream.APIError{ErrorCode: code, Description: "refused"})
	}
	slow := fmt.Errorf("open ledger: gave up after 10s: %w", context.DeadlineExceeded)
	for _, c := range []struct {
		err       error
		connected bool
		lost      error
		want      string
		never     string
	}{
		{slow, true, nil, "two of the three servers must run", "password"},
		{refused(10008), true, nil, "two of the three servers must run", ""},
		{refused(10005), true, nil, "all three servers run", ""},
		{refused(10074), true, nil, "block `cluster` of node.conf", ""},
		{nats.ErrReconnectBufExceeded, false, nats.ErrAuthorization, "write theirs into cred/ledger", "buffer"},
		{slow, false, errors.New("connection refused"), "not connected to any of the servers", "password"},
		{slow, false, nil, "not connected to any of the servers", "%!"},
		{ledger.ErrCorrupt, true, nil, ledger.ErrCorrupt.Error(), "servers must run"},
	} {
		got := withServersRemedy(c.err, c.connected, c.lost, "write theirs into cred/ledger").Error()
		if !strings.Contains(got, c.want) || c.never != "" && strings.Contains(got, c.never) {
			t.Errorf("%v (connected: %t, lost: %v) is told as\n%s\nwant %q and not %q", c.err, c.connected, c.lost, got, c.want, c.never)
		}
	}
	if err := withServersRemedy(slow, true, nil, ""); !errors.Is(err, context.DeadlineExceeded) {
		t.Errorf("%v no longer says that it is about time", err)
	}
}

// Trouble that lasts fills no log: who follows a ledger that is away tries several times in a second.
func TestTroubleIsToldSometimes(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		core, lines := observer.New(zap.WarnLevel)
		tell := tellSometimes(zap.New(core), "trouble", func(err error) error { return fmt.Errorf("%w: start it", err) })
		for range 4 * 3600 {
			tell(errors.New("away"))
			time.Sleep(250 * time.Millisecond)
		}
		if n := lines.Len(); n < 300 || n > 361 {
			t.Errorf("an hour of it is told in %d lines, want one each %v", n, survivedEvery)
		}
		if first := lines.All()[0].ContextMap()["error"]; first != "away: start it" {
			t.Errorf("it is told as %q", first)
		}
	})
}

// A stream that fewer servers keep than it should is told, and how that is set right.
func TestCopies(t *testing.T) {
	for _, c := range []struct {
		asked, held int
		want        string // empty: all is well
	}{{3, 3, ""}, {1, 1, "start one of the daemons again"}, {2, 2, "start one of the daemons again"}, {3, 2, "start the server that was removed"}} {
		err := checkCopies("TANDEM_LEDGER", c.asked, c.held)
		if c.want == "" && err != nil || c.want != "" && (err == nil || !strings.Contains(err.Error(), c.want)) {
			t.Errorf("%d asked for and %d held: %v, want %q", c.asked, c.held, err, c.want)
		}
	}
}
