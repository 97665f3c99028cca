package station_test

import (
	"strings"
	"testing"
	"time"
	"unicode/utf8"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
	"tandem/scheduler/floor"
)

func TestWaysToSendTheSameCode(t *testing.T) {
	for name, send := range map[string]func(string) string{
		"as printed":                     func(s string) string { return s },
		"lower case":                     strings.ToLower,
		"line end":                       func(s string) string { return s + "\r\n" },
		"symbology identifier, Code 128": func(s string) string { return "]C0" + s },
		"symbology identifier, QR":       func(s string) string { return "]Q1" + s },
	} {
		t.Run(name, func(t *testing.T) {
			s := open(t)
			standsAt("cutter-1", toCutter1)(s)
			if a := s.scan(send(s.payload("panel a"))); a.Outcome != started {
				t.Errorf("%v %q", a.Outcome, a.Message)
			}
		})
	}
}

func TestJunkIsAnsweredInOneLineAndChangesNothing(t *testing.T) {
	s := open(t)
	standsAt("cutter-1", toCutter1)(s)
	panel := s.payload("panel a")
	before := s.floor.Revision
	for _, tt := range []struct{ name, payload, says string }{
		{"doubled", panel + panel, "holds the same code twice"},
		{"doubled, line end between", panel + "\r\n" + panel, "holds the same code twice"},
		{"one character wrong", panel[:2] + "Z" + panel[3:], "mistyped or misread"},
		{"terminal control", "\x1b[2J" + panel, ""},
		{"controls only", "\x00\x01\x02\x07\x7f\u009b", ""},
		{"line feed in the middle", panel[:2] + "\n" + panel[2:], ""},
		{"not UTF-8", "\xff\xfe" + panel, ""},
		{"right to left", "\u202e" + panel, ""},
		{"512 bytes", strings.Repeat("\x1bX", 256), ""},
		{"513 bytes", strings.Repeat("A", 513), "longer than any code"},
		{"another shop's label", "https://example.com/?q=<script>", "not a code of this shop"},
		{"path", "../../etc/passwd", "not a code of this shop"},
		{"formula", "=1+1", "not a code of this shop"},
		{"panel that does not exist", code.Format(code.Panel, 999), "there is no panel"},
		{"job that does not exist", code.Format(code.Job, 999), "there is no job"},
		{"device that does not exist", code.Format(code.Device, 999), "there is no device"},
		{"badge that does not exist", code.Format(code.Person, 999), "belongs to nobody"},
		{"command of a later version", code.Format(code.Command, 999), "not a command of this version"},
		{"lot that does not exist", code.Format(code.Lot, 999), "there is no lot"},
		{"slot that does not exist", code.Format(code.Slot, 999), "there is no slot"},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s.t = t
			a := s.scan(tt.payload)
			if a.Outcome != unknown || a.Command != nil || !strings.Contains(a.Message, tt.says) {
				t.Errorf("%v %q %T, want an unknown code, %q, no command", a.Outcome, a.Message, a.Command, tt.says)
			}
			if len(a.Message) > 400 || !utf8.ValidString(a.Message) {
				t.Errorf("%d bytes of answer: %q", len(a.Message), a.Message)
			}
		})
	}
	if s.floor.Revision != before {
		t.Errorf("the floor went from revision %d to %d", before, s.floor.Revision)
	}
}

// What a submitter wrote into a ticket is shown at the device: it must not break the line.
func TestForeignTextStaysInOneLine(t *testing.T) {
	s := open(t)
	s.do(floor.CreateJob{Job: &tandemv1.Job{Id: "a", Pieces: 1, Steps: []*tandemv1.Step{{
		Id: "cut", Operation: "cut",
		Documents: []*tandemv1.Document{{Role: "cut", Uri: "file:///a\nOK\tGO", Sha256: strings.Repeat("0", 64)}},
	}}}})
	s.stands = "cutter-1"
	if a := s.scan(s.payload("panel a")); a.Outcome != started || !strings.Contains(a.Message, "OK") {
		t.Errorf("%v %q", a.Outcome, a.Message)
	}
}

func TestABadgeStandsForAShift(t *testing.T) {
	s := open(t)
	toCutter1(s)
	actor := func(payload string) string { return s.scan(s.payload(payload)).Actor }
	if got := actor("job a"); got != "station:desk" {
		t.Errorf("before any badge: %s", got)
	}
	if got := actor("badge mira"); got != "mira" {
		t.Errorf("with the badge: %s", got)
	}
	s.now = s.now.Add(12*time.Hour - time.Second)
	if got := actor("job a"); got != "mira" {
		t.Errorf("near the end of the shift: %s", got)
	}
	s.now = s.now.Add(time.Second)
	if got := actor("job a"); got != "station:desk" {
		t.Errorf("after the shift: %s", got)
	}
	if got := actor("badge timo"); got != "timo" {
		t.Errorf("the next shift: %s", got)
	}
	s.station = "other"
	if got := actor("job a"); got != "station:other" {
		t.Errorf("at another station: %s", got)
	}
}

func TestStationsDoNotMix(t *testing.T) {
	s := open(t)
	toCutter1(s)
	s.scan(s.payload("device cutter-1"))
	s.station = "other"
	if a := s.scan(s.payload("panel a")); a.Outcome != next || a.Command != nil {
		t.Errorf("a panel at another station: %v %q", a.Outcome, a.Message)
	}
	s.station = "desk"
	if a := s.scan(s.payload("panel a")); a.Outcome != started {
		t.Errorf("a panel at the station of the device's scan: %v %q", a.Outcome, a.Message)
	}
}

// Nobody knows who stands at the device when an old scan arrives. What it would have started can be started by a new one.
func TestAnOldScanStartsNothing(t *testing.T) {
	for _, tt := range []struct {
		name    string
		setup   func(*shop)
		command floor.Command
	}{
		{"a run that waits for its start", toCutter1, floor.StartRun{}},
		{"a hand start", func(s *shop) { s.submit("a", "cut") }, floor.StartHere{}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := open(t)
			standsAt("cutter-1", tt.setup)(s)
			s.age = 21 * time.Second
			if a := s.scan(s.payload("panel a")); a.Outcome != notReady || a.Command != nil || !strings.Contains(a.Message, "21s old") {
				t.Fatalf("a scan of 21 s ago: %v %q %T", a.Outcome, a.Message, a.Command)
			}
			s.age = 20 * time.Second
			s.now = s.now.Add(time.Second)
			if a := s.scan(s.payload("panel a")); a.Outcome != started || a.Command == nil {
				t.Fatalf("a new scan: %v %q", a.Outcome, a.Message)
			}
		})
	}
	s := open(t)
	standsAt("bench", toBench)(s)
	s.scan(s.payload("panel a"))
	s.now, s.age = s.now.Add(2*time.Hour), time.Hour
	if a := s.scan(s.payload("panel a")); a.Outcome != finished {
		t.Errorf("an old scan that says a hand's work is done: %v %q", a.Outcome, a.Message)
	}
}

// A scan that waited for the daemon was made before the run began that somebody has started meanwhile: it was meant to start it, and
// must not end what its hand has not seen.
func TestAnOldScanEndsNothingThatBeganSince(t *testing.T) {
	for name, verb := range map[string]string{"a panel alone": "", "the card done": "card done"} {
		t.Run(name, func(t *testing.T) {
			s := open(t)
			standsAt("bench", toBench)(s)
			if a := s.scan(s.payload("panel a")); a.Outcome != started {
				t.Fatalf("the start: %v %q", a.Outcome, a.Message)
			}
			s.now, s.age = s.now.Add(time.Minute), 61*time.Second
			if verb != "" {
				s.scan(s.payload(verb))
			}
			a := s.scan(s.payload("panel a"))
			if a.Outcome != notReady || a.Command != nil || a.Message != "this scan is 1m1s old, and weed of a was started on bench since: nothing is ended by it; scan again when it is done" {
				t.Fatalf("a scan made a second before the start: %v %q %T", a.Outcome, a.Message, a.Command)
			}
			s.age = time.Second
			if verb != "" {
				s.now = s.now.Add(-time.Minute) // the floor's clock stands still, and the station's is a little slow
				s.scan(s.payload(verb))
			}
			if a := s.scan(s.payload("panel a")); a.Outcome != finished {
				t.Errorf("a new scan: %v %q", a.Outcome, a.Message)
			}
		})
	}
}
