package main

import (
	"errors"
	"testing"
	"time"
	_ "time/tzdata" // Europe/Berlin, whatever this machine has

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
)

// A time of day is the next one the shop's clock shows, also where the day has 23 or 25 hours (Europe/Berlin, IANA rule EU: 29
// March and 25 October 2026).
func TestMomentOf(t *testing.T) {
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Fatal(err)
	}
	for _, tt := range []struct{ now, text, want string }{
		{"2026-03-02T12:00:00Z", "21:30", "2026-03-02T20:30:00Z"},
		{"2026-03-02T12:00:00Z", "13:00", "2026-03-03T12:00:00Z"}, // it is 13:00 now
		{"2026-03-02T12:00:00Z", "90m", "2026-03-02T13:30:00Z"},
		{"2026-03-02T12:00:00Z", "2026-03-04 07:00", "2026-03-04T06:00:00Z"},
		{"2026-03-02T12:00:00Z", "2026-03-04T07:00", "2026-03-04T06:00:00Z"},
		{"2026-03-02T12:00:00Z", "2026-03-04T07:00:00Z", "2026-03-04T07:00:00Z"},
		{"2026-03-28T22:00:00Z", "07:00", "2026-03-29T05:00:00Z"},
		{"2026-10-24T21:00:00Z", "07:00", "2026-10-25T06:00:00Z"},
		{"2026-03-02T12:00:00Z", "later", ""},
		{"2026-03-02T12:00:00Z", "-5m", ""},
		{"2026-03-02T12:00:00Z", "24:30", ""},
	} {
		now, err := time.Parse(time.RFC3339, tt.now)
		if err != nil {
			t.Fatal(err)
		}
		got, err := momentOf("--until", tt.text, now, berlin)
		switch {
		case tt.want == "":
			if !errors.As(err, new(*usageError)) {
				t.Errorf("%s: %v, %v, want how to write it", tt.text, got, err)
			}
		case err != nil || got.UTC().Format(time.RFC3339) != tt.want:
			t.Errorf("%s at %s: %v, %v, want %s", tt.text, tt.now, got.UTC(), err, tt.want)
		}
	}
}

func TestAttendanceUsage(t *testing.T) {
	for _, args := range [][]string{
		{"attendance", "--operators", "1"},
		{"attendance", "--until", "21:30"},
		{"attendance", "--operators", "1", "--shifts"},
		{"attendance", "--operators", "1", "--until", "soon"},
	} {
		if code, _, stderr := newFake(t).tandem(t, args...); code != exitUsage {
			t.Errorf("%v: exit %d, %s", args, code, stderr)
		}
	}
}

// Nobody is not two of them.
func TestOccupied(t *testing.T) {
	for want, v := range map[string]*tandemv1.AttendanceView{
		"": {Operators: proto.Int32(2)},
		"2 of them with something to do, as far as that can be reckoned":  {Operators: proto.Int32(2), OperatorsBusy: 2},
		"work under way asks for 2, as far as that can be reckoned":       {Operators: proto.Int32(0), OperatorsBusy: 2},
		"14 of them with something to do, as far as that can be reckoned": {OperatorsBusy: 14},
	} {
		if got := occupied(v); got != want {
			t.Errorf("%v: %q, want %q", v, got, want)
		}
	}
}
