package main

import (
	"testing"
	"time"

	"go.uber.org/zap"
	"go.uber.org/zap/zapcore"
	"go.uber.org/zap/zaptest/observer"
)

// ticking is a clock for a log.
type ticking struct{ now time.Time }

func (c *ticking) Now() time.Time                         { return c.now }
func (c *ticking) NewTicker(d time.Duration) *time.Ticker { return time.NewTicker(d) }

// While two drivers dispute a device an order is refused twenty times a second. The log tells it every ten seconds, for each device and
// reason, and how often; all else it tells as it comes.
func TestRefusedOrdersAreLoggedSeldom(t *testing.T) {
	t.Parallel()
	core, logged := observer.New(zapcore.InfoLevel)
	clock := &ticking{now: time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)}
	log := seldom(zap.New(core, zap.WithClock(clock)).Named("engine"), "order refused")
	for range 400 { // 20 s
		log.Info("order refused", zap.String("device", "cutter-1"), zap.String("reason", "another speaks"))
		log.With(zap.String("floor", "one")).Info("order refused", zap.String("device", "cutter-2"), zap.String("reason", "another speaks"))
		log.Debug("order refused", zap.String("device", "cutter-3"))
		clock.now = clock.now.Add(50 * time.Millisecond)
	}
	log.Info("driver silent")
	log.Info("driver silent")
	log.Info("order refused", zap.String("device", "cutter-1"), zap.String("reason", "another speaks"))
	clock.now = clock.now.Add(-time.Hour)
	log.Info("order refused", zap.String("device", "cutter-1"), zap.String("reason", "another speaks"))

	of := func(device string) []observer.LoggedEntry {
		return logged.FilterMessage("order refused").FilterField(zap.String("device", device)).All()
	}
	one := of("cutter-1")
	if len(one) != 4 || len(of("cutter-2")) != 2 || len(of("cutter-3")) != 0 || logged.FilterMessage("driver silent").Len() != 2 {
		t.Fatalf("logged: %v", logged.All())
	}
	if got := []any{one[0].ContextMap()["lines_left_out"], one[1].ContextMap()["lines_left_out"]}; got[0] != nil || got[1] != int64(199) {
		t.Errorf("left out, as the log says: %v", got)
	}
	if one[0].LoggerName != "engine" || of("cutter-2")[0].ContextMap()["floor"] != "one" {
		t.Errorf("a line lost its name or its fields: %v", one[0])
	}
}

func TestSeldomLinesAreForgotten(t *testing.T) {
	t.Parallel()
	s := &saidLines{lines: make(map[string]*saidLine)}
	at := time.Date(2026, 3, 2, 8, 0, 0, 0, time.UTC)
	for i := range 3 * mostSeldom {
		if _, due := s.now(string(rune('a'+i)), at); !due {
			t.Fatalf("line %d was never said and is left out", i)
		}
		if len(s.lines) > mostSeldom {
			t.Fatalf("%d lines are remembered", len(s.lines))
		}
	}
}
