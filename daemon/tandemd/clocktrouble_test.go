package main

import (
	"strings"
	"testing"
	"time"
)

func TestClockTrouble(t *testing.T) {
	const hour = time.Hour
	last := time.Date(2026, 3, 2, 10, 0, 0, 0, time.UTC)
	for _, tt := range []struct {
		name        string
		floor, wall time.Duration // from the last record
		want        []string      // a part of each line
	}{
		{"right", 0, 0, nil},
		{"right, an hour later", hour, hour, nil},
		{"corrected by a time server", hour, hour + clockMayDiffer, nil},
		{"behind the last record, a little", -clockMayDiffer, -clockMayDiffer, nil},
		{"behind the last record", -clockMayDiffer - time.Second, -clockMayDiffer - time.Second, []string{"31s before the ledger's last record"}},
		{"behind the last record by much", -56 * time.Minute, -56 * time.Minute, []string{"says 2026-03-02 09:04 UTC, which is 56m0s before"}},
		{"behind at the start, set right since", -3 * hour, hour, []string{"says 2026-03-02 11:00 UTC, 4h0m0s ahead of the floor's"}},
		{"the computer slept", hour, 9 * hour, []string{"8h0m0s ahead of the floor's"}},
		{"set back", hour, clockMayDiffer - hour/2, []string{"was set back by 1h29m30s", "29m30s before the ledger's last record"}},
		{"set back, not behind the last record", 2 * hour, hour, []string{"was set back by 1h0m0s since the daemon was started, to 2026-03-02 11:00 UTC"}},
	} {
		got := clockTrouble(last.Add(tt.floor), last.Add(tt.wall), last)
		if len(got) != len(tt.want) {
			t.Errorf("%s: got %q, want %d lines", tt.name, got, len(tt.want))
			continue
		}
		for i, want := range tt.want {
			if !strings.Contains(got[i], want) {
				t.Errorf("%s: got %q, want a word of %q", tt.name, got[i], want)
			}
		}
	}
	if got := clockTrouble(last, last, time.Time{}); got != nil {
		t.Errorf("without a record: got %q", got)
	}
}
