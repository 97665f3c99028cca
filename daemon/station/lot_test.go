package station_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

const loaded = tandemv1.RecordScanResponse_OUTCOME_LOADED

// rolls are two rolls of gloss and one of matt; a lamination of 6 m waits for gloss on the laminator.
func rolls(s *shop) {
	for _, lot := range []*tandemv1.Lot{
		{Id: "g1", Media: "gloss", LengthUm: 4_000_000}, {Id: "g2", Media: "gloss", LengthUm: 20_000_000}, {Id: "m1", Media: "matt", LengthUm: 30_000_000},
	} {
		s.do(floor.ReceiveLot{Lot: lot})
	}
	s.do(floor.CreateJob{Job: &tandemv1.Job{Id: "a", Pieces: 10, Steps: []*tandemv1.Step{{Id: "laminate", Operation: "laminate", Film: "gloss", LengthUm: 6_000_000}}}})
	s.grant("a", "laminate", "laminator")
}

func TestARollIsPutOnADeviceByItsCode(t *testing.T) {
	for _, tt := range []struct {
		name  string
		setup func(*shop)
		pulls []pull
	}{
		{"at the device", standsAt("laminator", rolls), []pull{
			{payload: "panel a", outcome: notReady, says: "laminator has nothing known loaded, load gloss first: g2"},
			{payload: "lot m1", outcome: loaded, says: "m1, 30 m of matt, is on laminator; laminate of a waits for gloss", command: floor.LoadMedia{}},
			{payload: "lot g1", outcome: loaded, says: "g1, 4 m of gloss, is on laminator; m1 is off with 30 m left; laminate of a takes 6 m: too short for it", command: floor.LoadMedia{}},
			{payload: "lot g1", outcome: duplicate, says: "g1 is on laminator already, 4 m left"},
			{payload: "panel a", outcome: notReady, says: "laminate takes 6 m and g1 on laminator has 4 m free, load a longer roll of gloss first: g2"},
			{payload: "lot g2", outcome: loaded, says: "is on laminator; g1 is off with 4 m left; next start laminate of a", command: floor.LoadMedia{}},
			{payload: "panel a", outcome: started, says: "laminate of a started on laminator", command: floor.StartRun{}},
		}},
		{"device, then roll", rolls, []pull{
			{payload: "device laminator", outcome: next},
			{payload: "lot g2", outcome: loaded, says: "g2, 20 m of gloss, is on laminator", command: floor.LoadMedia{}},
		}},
		{"roll, then device", rolls, []pull{
			{payload: "lot g2", outcome: next, says: "g2, 20 m of gloss: now scan the device"},
			{payload: "device laminator", outcome: loaded, says: "g2, 20 m of gloss, is on laminator", command: floor.LoadMedia{}},
			{payload: "device laminator", outcome: next, says: "now scan the panel"},
		}},
		{"the scanned device goes before the station's", standsAt("cutter-1", rolls), []pull{
			{payload: "device laminator", outcome: next},
			{payload: "lot g2", outcome: loaded, says: "is on laminator", command: floor.LoadMedia{}},
		}},
		{"too late after the roll", rolls, []pull{
			{payload: "lot g2", outcome: next},
			{after: 21e9, payload: "device laminator", outcome: next, says: "now scan the panel"},
		}},
		{"empty", standsAt("laminator", func(s *shop) {
			rolls(s)
			s.do(floor.MeasureLot{Lot: "g1"})
		}), []pull{
			{payload: "lot g1", outcome: loaded, command: floor.LoadMedia{}, refused: "LOT_EMPTY"},
		}},
		{"from another device", standsAt("printer-1", func(s *shop) {
			rolls(s)
			s.do(floor.LoadMedia{Device: "laminator", Lot: "m1"})
		}), []pull{
			{payload: "lot m1", outcome: loaded, says: "m1, 30 m of matt, is on printer-1; nothing is on laminator now", command: floor.LoadMedia{}},
		}},
		{"where", func(s *shop) {
			rolls(s)
			s.do(floor.LoadMedia{Device: "laminator", Lot: "g2"})
		}, []pull{
			{payload: "card where", outcome: next},
			{payload: "lot g2", outcome: shown, says: "g2 is gloss, 20 m of 20 m left, 6 m of it spoken for, on laminator"},
			{payload: "card where", outcome: next},
			{payload: "device laminator", outcome: shown, says: "on it g2, 20 m of gloss"},
		}},
		{"after a card for panels", rolls, []pull{
			{payload: "card done", outcome: next},
			{payload: "lot g2", outcome: notReady, says: "done: scan a panel; M"},
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := open(t)
			tt.setup(s)
			for i, p := range tt.pulls {
				s.now = s.now.Add(p.after)
				a := s.scan(s.payload(p.payload))
				if a.Outcome != p.outcome || !strings.Contains(a.Message, p.says) {
					t.Fatalf("pull %d, %s: %v %q, want %v %q", i, p.payload, a.Outcome, a.Message, p.outcome, p.says)
				}
				if got, want := fmt.Sprintf("%T", a.Command), fmt.Sprintf("%T", p.command); got != want {
					t.Fatalf("pull %d, %s: command %s, want %s", i, p.payload, got, want)
				}
				if refused := s.refused; (refused == nil) != (p.refused == "") || refused != nil && refused.Reason != p.refused {
					t.Fatalf("pull %d, %s: the floor refuses with %v, want %q", i, p.payload, refused, p.refused)
				}
			}
		})
	}
}

// A roll that is scanned is on the device, and a run that waited for it and may begin alone does, as the answer said.
func TestARollLetsPrintingBegin(t *testing.T) {
	s := open(t)
	rolls(s)
	print := s.floor.File()
	for _, d := range print.GetDevices() {
		if d.GetId() == "printer-1" {
			d.Abilities[0].UnattendedStart = &tandemv1.UnattendedStart{AllowedBy: "mira"}
		}
	}
	s.do(floor.Configure{File: print})
	s.do(floor.CreateJob{Job: &tandemv1.Job{Id: "b", Pieces: 10, Steps: []*tandemv1.Step{{Id: "print", Operation: "print", Media: "matt", LengthUm: 1_000_000}}}})
	r := s.grant("b", "print", "printer-1")
	s.stands = "printer-1"
	// The same from a station that was cut off: somebody may have put on another roll since.
	s.age = 21 * time.Second
	if a := s.scan(s.payload("lot m1")); a.Outcome != notReady || a.Command != nil || r.MayStart || a.Message != "this scan is 21s old: nothing is loaded by it; look at what is on printer-1 now, and scan that" {
		t.Errorf("an old scan of a roll: %v %q %T, may start: %t", a.Outcome, a.Message, a.Command, r.MayStart)
	}
	s.age = 20 * time.Second
	if a := s.scan(s.payload("lot m1")); !strings.Contains(a.Message, "print of b may begin by itself") || !r.MayStart {
		t.Errorf("%q, may start: %t", a.Message, r.MayStart)
	}
}
