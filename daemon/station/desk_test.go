package station_test

import (
	"fmt"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

const (
	next      = tandemv1.RecordScanResponse_OUTCOME_NEXT_SCAN
	started   = tandemv1.RecordScanResponse_OUTCOME_STARTED
	finished  = tandemv1.RecordScanResponse_OUTCOME_FINISHED
	moved     = tandemv1.RecordScanResponse_OUTCOME_MOVED
	spoiled   = tandemv1.RecordScanResponse_OUTCOME_SPOILED
	remade    = tandemv1.RecordScanResponse_OUTCOME_REMADE
	shown     = tandemv1.RecordScanResponse_OUTCOME_SHOWN
	duplicate = tandemv1.RecordScanResponse_OUTCOME_DUPLICATE
	wrong     = tandemv1.RecordScanResponse_OUTCOME_WRONG_STATION
	notReady  = tandemv1.RecordScanResponse_OUTCOME_NOT_READY
	unknown   = tandemv1.RecordScanResponse_OUTCOME_UNKNOWN_CODE
	cleared   = tandemv1.RecordScanResponse_OUTCOME_CLEARED
)

// pull is one pull of the trigger and what must come of it.
type pull struct {
	after   time.Duration // since the pull before, on both clocks
	payload string        // as in shop.payload
	outcome tandemv1.RecordScanResponse_Outcome
	says    string
	command floor.Command // its type only
	refused string        // reason of the floor's refusal
	then    func(*shop)   // what happens after it
}

func toCutter1(s *shop) {
	s.submit("a", "cut")
	s.grant("a", "cut", "cutter-1")
}

func commandName(c floor.Command) string { return fmt.Sprintf("%T", c) }

func toBench(s *shop) {
	s.submit("a", "weed")
	s.grant("a", "weed", "bench")
}

// printed is a job whose ink dries, in the rack if there is room.
func printed(s *shop) {
	s.submit("a", "print", "dry", "laminate")
	s.made("a", "print", "printer-1")
}

func racked(s *shop) {
	printed(s)
	s.grant("a", "dry", "rack")
}

func standsAt(device string, more func(*shop)) func(*shop) {
	return func(s *shop) {
		more(s)
		s.stands = device
	}
}

func TestScans(t *testing.T) {
	for _, tt := range []struct {
		name  string
		setup func(*shop)
		pulls []pull
	}{
		{"badge", toCutter1, []pull{
			{payload: "badge mira", outcome: shown, says: "mira is at this station"},
		}},
		{"device then panel starts an attended run", toCutter1, []pull{
			{payload: "device cutter-1", outcome: next, says: "cutter-1: now scan the panel"},
			{payload: "panel a", outcome: started, says: "cut of a started on cutter-1, file star.svg (01234567...)", command: floor.StartRun{}},
			{after: 10 * time.Second, payload: "device cutter-1", outcome: next},
			{payload: "panel a", outcome: duplicate, says: "has been started on cutter-1"},
		}},
		{"a start that came to nothing is given again", standsAt("cutter-1", toCutter1), []pull{
			{payload: "panel a", outcome: started, command: floor.StartRun{}},
			{after: 14 * time.Second, payload: "panel a", outcome: duplicate, says: "has been started on cutter-1"},
			{after: time.Second, payload: "panel a", outcome: started, says: "cut of a started on cutter-1", command: floor.StartRun{}},
		}},
		{"panel then device", toCutter1, []pull{
			{payload: "panel a", outcome: next, says: "now scan the device"},
			{payload: "device cutter-1", outcome: started, says: "started on cutter-1", command: floor.StartRun{}},
		}},
		{"start card, panel, device", toCutter1, []pull{
			{payload: "card start", outcome: next, says: "start: now scan the panel and the device"},
			{payload: "panel a", outcome: next},
			{payload: "device cutter-1", outcome: started, command: floor.StartRun{}},
		}},
		{"the panel alone where the station stands at the device", standsAt("cutter-1", toCutter1), []pull{
			{payload: "panel a", outcome: started, says: "started on cutter-1", command: floor.StartRun{}},
			{after: time.Second, payload: "panel a", outcome: duplicate},
		}},
		{"a device scanned goes before the one the station stands at", standsAt("cutter-2", toCutter1), []pull{
			{payload: "device cutter-1", outcome: next},
			{payload: "panel a", outcome: started, says: "started on cutter-1", command: floor.StartRun{}},
		}},
		{"a station at a device that is gone", standsAt("old-cutter", toCutter1), []pull{
			{payload: "panel a", outcome: unknown, says: `"old-cutter", which is not on this floor`},
		}},
		{"hand work: the second scan finishes, but not at once", standsAt("bench", toBench), []pull{
			{payload: "panel a", outcome: started, says: "weed of a started on bench", command: floor.StartRun{}},
			{after: 4999 * time.Millisecond, payload: "panel a", outcome: duplicate, says: "started a moment ago; scan again when it is done"},
			{after: time.Millisecond, payload: "panel a", outcome: finished, says: "weed of a is done, 10 pieces", command: floor.FinishRun{}},
			{after: time.Second, payload: "panel a", outcome: duplicate, says: "done a moment ago"},
			{after: time.Minute, payload: "panel a", outcome: duplicate, says: "a: every step of this panel has ended"},
		}},
		{"what another has started a moment ago is not finished by a scan", standsAt("bench", func(s *shop) {
			toBench(s)
			s.do(floor.StartRun{Run: s.job("a").Steps[0].Live.ID})
		}), []pull{
			{after: 4999 * time.Millisecond, payload: "panel a", outcome: duplicate, says: "started a moment ago; scan again when it is done"},
			{after: time.Millisecond, payload: "panel a", outcome: finished, says: "weed of a is done", command: floor.FinishRun{}},
		}},
		{"the scan that finishes a step, twice, does not start the next one there", standsAt("table", func(s *shop) {
			s.submit("a", "mask", "pack")
			s.grant("a", "mask", "table")
		}), []pull{
			{payload: "panel a", outcome: started, command: floor.StartRun{}},
			{after: time.Minute, payload: "panel a", outcome: finished, says: "mask of a is done", command: floor.FinishRun{}},
			{payload: "panel a", outcome: duplicate, says: "done a moment ago", then: func(s *shop) { s.grant("a", "pack", "table") }},
			{after: time.Second, payload: "panel a", outcome: duplicate, says: "done a moment ago; scan again to start pack on table"},
			{after: 4 * time.Second, payload: "panel a", outcome: started, says: "pack of a started", command: floor.StartRun{}},
		}},
		{"the next step there starts at once if the device is scanned for it", standsAt("", func(s *shop) {
			s.submit("a", "mask", "pack")
			s.grant("a", "mask", "table")
		}), []pull{
			{payload: "device table", outcome: next},
			{payload: "panel a", outcome: started, command: floor.StartRun{}},
			{after: time.Minute, payload: "device table", outcome: next},
			{payload: "panel a", outcome: finished, says: "mask of a is done", command: floor.FinishRun{}, then: func(s *shop) { s.grant("a", "pack", "table") }},
			{payload: "device table", outcome: next},
			{payload: "panel a", outcome: started, says: "pack of a started", command: floor.StartRun{}},
			{payload: "device table", outcome: next},
			{payload: "panel a", outcome: duplicate, says: "started a moment ago"},
		}},
		{"done is told without what was spoiled meanwhile", standsAt("bench", toBench), []pull{
			{payload: "panel a", outcome: started, command: floor.StartRun{}},
			{payload: "card spoiled", outcome: next},
			{payload: "3", outcome: next},
			{payload: "panel a", outcome: spoiled, command: floor.SpoilPieces{}},
			{after: time.Minute, payload: "panel a", outcome: finished, says: "weed of a is done, 7 pieces", command: floor.FinishRun{}},
		}},
		{"a step that a person has to decide about", standsAt("cutter-1", func(s *shop) {
			toCutter1(s)
			r := s.job("a").Steps[0].Live
			s.do(floor.StartRun{Run: r.ID})
			s.report(r, processing, 1)
			s.report(r, tandemv1.JobState_JOB_STATE_ABORTED, 1)
		}), []pull{
			{payload: "panel a", outcome: notReady, says: "cut ended early on its device (aborted-by-system): a person must resolve run-1"},
		}},
		{"a panel of a canceled job", standsAt("bench", func(s *shop) {
			s.submit("a", "weed")
			s.do(floor.CancelJob{Job: "a"})
		}), []pull{
			{payload: "panel a", outcome: notReady, says: "a was canceled: nothing more is done with this panel"},
		}},
		{"a device that others keep busy", standsAt("bench", func(s *shop) {
			for _, id := range []string{"b", "c"} {
				s.submit(id, "weed")
				s.grant(id, "weed", "bench")
			}
			s.do(floor.StartRun{Run: s.job("c").Steps[0].Live.ID})
			s.submit("a", "weed")
		}), []pull{
			{payload: "panel a", outcome: notReady, says: "bench is busy: weed of b waits to be started there, weed of c until about "},
		}},
		{"spoiled after the end", standsAt("bench", toBench), []pull{
			{payload: "panel a", outcome: started, command: floor.StartRun{}},
			{after: time.Minute, payload: "panel a", outcome: finished, command: floor.FinishRun{}},
			{payload: "card spoiled", outcome: next},
			{payload: "2", outcome: next},
			{payload: "panel a", outcome: notReady, says: "a is done: what is found spoiled now is booked by making it again: scan remake, key 2, scan the panel"},
			{payload: "card remake", outcome: next},
			{payload: "2", outcome: next},
			{payload: "panel a", outcome: remade, command: floor.RemakePieces{}},
		}},
		{"where is a panel that is being worked on", func(s *shop) {
			s.submit("a", "cut", "weed")
			s.grant("a", "cut", "cutter-1")
		}, []pull{
			{payload: "card where", outcome: next},
			{payload: "panel a", outcome: shown, says: "cut is pending (queued-in-device, x-awaiting-start), at cutter-1"},
		}},
		{"where is a panel that dries", racked, []pull{
			{payload: "card where", outcome: next},
			{payload: "panel a", outcome: shown, says: "dry in rack until " + at(4*time.Hour)},
		}},
		{"times are those of the shop's clock", func(s *shop) {
			racked(s)
			far := proto.CloneOf(file)
			far.TimeZone = "Pacific/Auckland" // 13 hours ahead in March
			s.do(floor.Configure{File: far})
		}, []pull{
			{payload: "card where", outcome: next},
			{payload: "panel a", outcome: shown, says: "dry in rack until 01:00"},
		}},
		{"the done card finishes at once and starts nothing", standsAt("bench", toBench), []pull{
			{payload: "card done", outcome: next},
			{payload: "panel a", outcome: notReady, says: "has not been started on bench"},
			{payload: "panel a", outcome: started, command: floor.StartRun{}},
			{payload: "card done", outcome: next},
			{payload: "panel a", outcome: finished, says: "is done", command: floor.FinishRun{}},
			{after: time.Minute, payload: "card done", outcome: next},
			{payload: "panel a", outcome: notReady, says: "nothing of " /* the panel's code */},
		}},
		{"the start card never finishes", standsAt("bench", toBench), []pull{
			{payload: "panel a", outcome: started, command: floor.StartRun{}},
			{after: time.Minute, payload: "card start", outcome: next},
			{payload: "panel a", outcome: duplicate, says: "weed of a runs on bench"},
		}},
		{"the end of a machine's run is the machine's word", standsAt("cutter-1", func(s *shop) {
			toCutter1(s)
			r := s.job("a").Steps[0].Live
			s.do(floor.StartRun{Run: r.ID})
			s.report(r, processing, 1)
		}), []pull{
			{after: time.Minute, payload: "panel a", outcome: duplicate, says: "cut of a runs on cutter-1, until about " + at(10*time.Minute)},
		}},
		{"the wrong cutter names the right one", standsAt("cutter-2", toCutter1), []pull{
			{payload: "panel a", outcome: wrong, says: "cut of a belongs to cutter-1, not to cutter-2"},
		}},
		{"the wrong machine names what is next", standsAt("laminator", func(s *shop) { s.submit("a", "cut") }), []pull{
			{payload: "panel a", outcome: wrong, says: "next for a is cut at cutter-1 or cutter-2: laminator cannot cut"},
		}},
		{"still drying", standsAt("laminator", racked), []pull{
			{payload: "panel a", outcome: notReady, says: "still drying until " + at(4*time.Hour) + ": do not laminate before"},
		}},
		{"a place in the rack", standsAt("rack", racked), []pull{
			{payload: "panel a", outcome: moved, says: "lies in rack, dry at " + at(4*time.Hour), command: floor.MovePanel{}},
			{after: time.Minute, payload: "panel a", outcome: duplicate, says: "lies in rack already, dry at " + at(4*time.Hour)},
		}},
		{"a slot of the rack", racked, []pull{
			{payload: "slot a2", outcome: next, says: "slot a2 of rack: now scan the panel"},
			{payload: "panel a", outcome: moved, says: "lies in slot a2 of rack, dry at " + at(4*time.Hour), command: floor.MovePanel{}},
			{after: time.Minute, payload: "card where", outcome: next, says: "where"},
			{payload: "panel a", outcome: shown, says: "was last seen in slot a2 of rack at"},
			{payload: "card where", outcome: next, says: "where"},
			{payload: "slot a2", outcome: shown, says: "slot a2 of rack: P"},
			{payload: "card where", outcome: next, says: "where"},
			{payload: "slot a1", outcome: shown, says: "slot a1 of rack holds nothing that was scanned there"},
			{payload: "panel a", outcome: next, says: "now scan the device"},
			{payload: "device rack", outcome: duplicate, says: "lies in slot a2 of rack already"},
			{after: time.Minute, payload: "panel a", outcome: next, says: "now scan the device"},
			{payload: "slot a1", outcome: moved, says: "lies in slot a1 of rack, dry at " + at(4*time.Hour), command: floor.MovePanel{}},
		}},
		{"a slot is no place for a step of another device", func(s *shop) { s.submit("a", "cut") }, []pull{
			{payload: "slot a1", outcome: next, says: "now scan the panel"},
			{payload: "panel a", outcome: moved, says: "lies in slot a1 of rack; next is cut at cutter-1 or cutter-2", command: floor.MovePanel{}},
		}},
		{"dry, and back to the rack", standsAt("rack", func(s *shop) {
			racked(s)
			s.now = opening.Add(5 * time.Hour)
			s.report(s.job("a").Steps[1].Live, completed, 10)
		}), []pull{
			{payload: "panel a", outcome: moved, says: "lies in rack; next is laminate at laminator", command: floor.MovePanel{}},
		}},
		{"a step that waits for another", standsAt("cutter-1", func(s *shop) { s.submit("a", "weed", "cut"); s.grant("a", "weed", "bench") }), []pull{
			{payload: "panel a", outcome: wrong, says: "weed of a belongs to bench"},
		}},
		{"spoiled", toCutter1, []pull{
			{payload: "card spoiled", outcome: next, says: "key the number"},
			{payload: "panel a", outcome: next, says: "how many pieces?"},
			{payload: "0", outcome: notReady, says: "key 1 or more"},
			{payload: "3", outcome: next, says: "spoiled 3: now scan the panel"},
			{payload: "panel a", outcome: spoiled, says: "3 spoiled pieces of a booked, 7 good ones left", command: floor.SpoilPieces{}},
			{payload: "3", outcome: unknown, says: `"3" is not a code`},
		}},
		{"more spoiled than there are", toCutter1, []pull{
			{payload: "card spoiled", outcome: next},
			{payload: "11", outcome: next},
			{payload: "panel a", outcome: notReady, says: "only 10 good pieces"},
		}},
		{"a number that is none", toCutter1, []pull{
			{payload: "card spoiled", outcome: next},
			{payload: "-5", outcome: notReady, says: "-5 is not a number of pieces"},
			{payload: "99999999", outcome: unknown},
		}},
		{"remake before anything is made", toCutter1, []pull{
			{payload: "card remake", outcome: next},
			{payload: "3", outcome: next},
			{payload: "panel a", outcome: notReady, says: "nothing of panel"},
		}},
		{"spoiled, made again, and two more", printed, []pull{
			{payload: "card spoiled", outcome: next},
			{payload: "3", outcome: next},
			{payload: "panel a", outcome: spoiled, command: floor.SpoilPieces{}},
			{payload: "card remake", outcome: next, says: "remake: how many pieces?"},
			{payload: "3", outcome: next},
			{payload: "panel a", outcome: remade, says: "3 pieces of a will be made again, from the first step to print", command: floor.RemakePieces{}},
			{payload: "card remake", outcome: next},
			{payload: "2", outcome: next},
			{payload: "panel a", outcome: remade, says: "2 pieces of a will be made again", command: floor.RemakePieces{}},
			{payload: "card where", outcome: next},
			{payload: "panel a", outcome: shown, says: "(5 good pieces)"},
		}},
		{"where", racked, []pull{
			{payload: "card where", outcome: next, says: "where: scan a panel, a job, a device or a lot"},
			{payload: "panel a", outcome: shown, says: "was last seen at printer-1 at " + at(0)},
			{payload: "card where", outcome: next},
			{payload: "device laminator", outcome: shown, says: "laminator is idle"},
			{payload: "card where", outcome: next},
			{payload: "job a", outcome: shown, says: "a is processing; panel "},
			{payload: "job a", outcome: shown, says: "was last seen at printer-1"},
		}},
		{"where is a device that works", toCutter1, []pull{
			{payload: "card where", outcome: next},
			{payload: "device cutter-1", outcome: shown, says: "cut of a until about " + at(10*time.Minute)},
		}},
		{"where is a panel that has not been made", toCutter1, []pull{
			{payload: "card where", outcome: next},
			{payload: "panel a", outcome: shown, says: "has not been made yet; cut is pending (queued-in-device, x-awaiting-start), at cutter-1"},
		}},
		{"clear", toCutter1, []pull{
			{payload: "device cutter-1", outcome: next},
			{payload: "card clear", outcome: cleared, says: "start again"},
			{payload: "panel a", outcome: next, says: "now scan the device"},
		}},
		{"20 s belong together", toCutter1, []pull{
			{payload: "device cutter-1", outcome: next},
			{after: 20 * time.Second, payload: "panel a", outcome: started, command: floor.StartRun{}},
		}},
		{"more than 20 s do not", toCutter1, []pull{
			{payload: "device cutter-1", outcome: next},
			{after: 20*time.Second + time.Millisecond, payload: "panel a", outcome: next, says: "now scan the device"},
		}},
		{"held before it is given", standsAt("cutter-1", func(s *shop) {
			s.submit("a", "cut")
			s.do(floor.HoldJob{Job: "a", Note: "wrong blue"})
		}), []pull{
			{payload: "panel a", outcome: notReady, says: "a is held: wrong blue"},
		}},
		{"held while it waits for its start", standsAt("cutter-1", func(s *shop) {
			toCutter1(s)
			s.do(floor.HoldJob{Job: "a"})
		}), []pull{
			{payload: "panel a", outcome: notReady, says: "cut of a cannot start: its job is held"},
		}},
		{"other film loaded", standsAt("laminator", func(s *shop) {
			s.submit("a", "laminate=gloss")
			s.do(floor.LoadMedia{Device: "laminator", Media: "matt"})
			s.grant("a", "laminate", "laminator")
		}), []pull{
			{payload: "panel a", outcome: notReady, says: "laminator has matt loaded, load gloss first"},
		}},
		{"other film loaded at an idle device: loaded, and scanned again at once", standsAt("laminator", func(s *shop) {
			s.submit("a", "laminate=gloss")
		}), []pull{
			{payload: "panel a", outcome: started, command: floor.StartHere{}, refused: "MEDIA_MISMATCH"},
			{after: time.Second, payload: "panel a", outcome: started, command: floor.StartHere{}, refused: "MEDIA_MISMATCH"},
		}},
		{"outcome unknown", standsAt("cutter-1", func(s *shop) {
			toCutter1(s)
			r := s.job("a").Steps[0].Live
			s.do(floor.StartRun{Run: r.ID})
			s.report(r, processing, 1)
			s.do(floor.LoseDevice{Device: "cutter-1"})
		}), []pull{
			{payload: "panel a", outcome: notReady, says: "nobody knows how far cut of a got on cutter-1: look, count and resolve run-1"},
		}},
		{"started by hand at an idle device", standsAt("cutter-2", func(s *shop) { s.submit("a", "cut") }), []pull{
			{payload: "panel a", outcome: started, says: "cut of a started on cutter-2", command: floor.StartHere{}},
			{after: time.Second, payload: "panel a", outcome: duplicate, says: "has been started on cutter-2"},
		}},
		{"a busy device", standsAt("cutter-1", func(s *shop) {
			toCutter1(s)
			s.submit("b", "cut")
		}), []pull{
			{payload: "panel b", outcome: notReady, says: "cutter-1 is busy"},
		}},
		{"a locked device", standsAt("cutter-1", func(s *shop) {
			s.submit("a", "cut")
			s.do(floor.LockDevice{Device: "cutter-1"})
		}), []pull{
			{payload: "panel a", outcome: notReady, says: "cutter-1 is locked for maintenance by test"},
		}},
		{"every step has ended", standsAt("cutter-1", func(s *shop) {
			s.submit("a", "cut")
			s.made("a", "cut", "cutter-1")
		}), []pull{
			{payload: "panel a", outcome: duplicate, says: "a: every step of this panel has ended"},
		}},
		{"codes of nothing", toCutter1, []pull{
			{payload: "P00ZA", outcome: unknown},
			{payload: "", outcome: unknown, says: "nothing was read"},
		}},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := open(t)
			tt.setup(s)
			for i, p := range tt.pulls {
				s.pull(i, p)
			}
		})
	}
}
