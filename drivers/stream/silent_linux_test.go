package stream

import (
	"testing"
	"time"

	"golang.org/x/sys/unix"
)

func TestUnanswered(t *testing.T) {
	const lostAfter = 30 * time.Second
	for _, test := range []struct {
		name string
		info unix.TCPInfo
		want bool
	}{
		{"quiet, and nothing asked", unix.TCPInfo{Last_ack_recv: 3_600_000}, false},
		{"sent again and again", unix.TCPInfo{Retransmits: 6, Last_ack_recv: 31_000}, true},
		{"sent again, and not for long", unix.TCPInfo{Retransmits: 3, Last_ack_recv: 5_000}, false},
		{"its window is closed, and it answers", unix.TCPInfo{Last_ack_recv: 60_000}, false},
		{"its window is closed, and a probe is under way", unix.TCPInfo{Probes: 1, Last_ack_recv: 119_000}, false},
		{"its window is closed, and it does not answer", unix.TCPInfo{Probes: 4, Last_ack_recv: 40_000}, true},
	} {
		if got := unanswered(&test.info, lostAfter); got != test.want {
			t.Errorf("%s: %v, want %v", test.name, got, test.want)
		}
	}
}
