package mirror

import (
	"testing"
	"time"
)

func TestBusyFloorLeavesAQuarter(t *testing.T) {
	begin := time.Date(2026, 3, 2, 7, 30, 0, 0, time.UTC)
	at := func(seconds float64) time.Time { return begin.Add(time.Duration(seconds * float64(time.Second))) }
	var p pace
	p.add(at(0), 0)
	for _, step := range []struct {
		at     float64
		events int
		share  float64
		what   string
	}{
		{0.5, 300, 1, "a few events"},
		{0.6, 900, busyShare, "more than a thousand within a second"},
		{1.1, 0, busyShare, "the second after"},
		{2.2, 10, 1, "a second without events"},
		{3.3, 900, 1, "nearly a thousand"},
		{60, 0, 1, "a long silence"},
	} {
		p.add(at(step.at), step.events)
		if got := p.share(at(step.at)); got != step.share {
			t.Errorf("%s: a share of %v is left, want %v", step.what, got, step.share)
		}
	}
}
