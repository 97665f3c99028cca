package main

import (
	"strings"
	"testing"
	"time"
)

func TestClockBehind(t *testing.T) {
	last := time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		now  time.Time
		last time.Time
		want string // part of the line; "": none
	}{
		{now: last, last: last},
		{now: last.Add(time.Hour), last: last},
		{now: last.Add(-clockMayBeBehind), last: last},
		{now: last.Add(-clockMayBeBehind - time.Second), last: last, want: "31s before the ledger's last record"},
		{now: last.Add(-56 * time.Minute), last: last, want: "says 2026-03-02 09:04 UTC, which is 56m0s before"},
		{now: last, last: time.Time{}},
	} {
		got := clockBehind(tt.now, tt.last)
		if len(got) > 1 || (len(got) == 1) != (tt.want != "") || (len(got) == 1 && !strings.Contains(got[0], tt.want)) {
			t.Errorf("at %v, last record of %v: got %q, want %q", tt.now, tt.last, got, tt.want)
		}
	}
}
