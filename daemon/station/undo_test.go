package station_test

import (
	"strings"
	"testing"
	"time"

	"tandem/daemon/station"
	ledgerv1 "tandem/proto/tandem/ledger/v1"
	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/floor"
)

const (
	undone    = tandemv1.RecordScanResponse_OUTCOME_UNDONE
	notUndone = tandemv1.RecordScanResponse_OUTCOME_NOT_UNDONE
)

// undoPull is a pull of the trigger, before which something else may happen.
type undoPull struct {
	pull
	first func(*shop)
}

func pulls(p ...pull) []undoPull {
	out := make([]undoPull, len(p))
	for i := range p {
		out[i].pull = p[i]
	}
	return out
}

// undo is the card, before which something else happens.
func undo(first func(*shop), outcome tandemv1.RecordScanResponse_Outcome, says string, command floor.Command) undoPull {
	return undoPull{pull{payload: "card undo", outcome: outcome, says: says, command: command}, first}
}

func nothing(*shop) {}

// later lets time pass.
func later(d time.Duration) func(*shop) { return func(s *shop) { s.now = s.now.Add(d) } }

// spoil3 books three spoiled pieces of a.
var spoil3 = []pull{
	{payload: "card spoiled", outcome: next},
	{payload: "3", outcome: next},
	{payload: "panel a", outcome: spoiled, says: "7 good ones left", command: floor.SpoilPieces{}},
}

var toSlot = []pull{
	{payload: "slot a2", outcome: next},
	{payload: "panel a", outcome: moved, command: floor.MovePanel{}},
}

// twoRolls are two rolls, r-1 of them on printer-1.
func twoRolls(s *shop) {
	s.do(floor.ReceiveLot{Lot: &tandemv1.Lot{Id: "r-1", Media: "white", LengthUm: 50_000_000}})
	s.do(floor.ReceiveLot{Lot: &tandemv1.Lot{Id: "r-2", Media: "white", LengthUm: 50_000_000}})
	s.do(floor.LoadMedia{Device: "printer-1", Lot: "r-1"})
}

var load2 = []pull{
	{payload: "lot r-2", outcome: next},
	{payload: "device printer-1", outcome: loaded, command: floor.LoadMedia{}},
}

func TestUndo(t *testing.T) {
	spoil := func(s *shop) { s.do(floor.SpoilPieces{Job: "a", Panel: s.job("a").Panels[0].ID, Pieces: 1}) }
	panelIs := func(good, bad int32) func(*shop) {
		return func(s *shop) {
			if p := s.job("a").Panels[0]; p.Good != good || p.Spoiled != bad {
				s.t.Fatalf("panel has %d good and %d spoiled, want %d and %d", p.Good, p.Spoiled, good, bad)
			}
		}
	}
	lies := func(place, slot string) func(*shop) {
		return func(s *shop) {
			if p := s.job("a").Panels[0]; p.Place != place || p.Slot != slot {
				s.t.Fatalf("panel lies at %q %q, want %q %q", p.Place, p.Slot, place, slot)
			}
		}
	}
	has := func(device, lot string) func(*shop) {
		return func(s *shop) {
			d, _ := s.floor.Device(device)
			if l := d.Lot; (l == nil) != (lot == "") || l != nil && l.ID != lot {
				s.t.Fatalf("%s has %v on it, want %q", device, l, lot)
			}
		}
	}
	for _, tt := range []struct {
		name   string
		setup  func(*shop)
		before []pull
		undo   []undoPull
		in     func(*shop) // afterwards
	}{
		{"nothing yet", toCutter1, nil, []undoPull{undo(nothing, notUndone, "this station has changed nothing since the daemon began", nil)}, nothing},
		{"a move", racked, toSlot, []undoPull{undo(nothing, undone, "of a is at printer-1 again", floor.MovePanel{})}, lies("printer-1", "")},
		{"a move from a slot", racked, append(toSlot[:2:2], pull{after: time.Minute, payload: "slot a1", outcome: next}, pull{payload: "panel a", outcome: moved, command: floor.MovePanel{}}), []undoPull{
			undo(later(5*time.Minute), undone, "is at slot a2 of rack again", floor.MovePanel{}),
		}, lies("rack", "a2")},
		{"a move of what lay nowhere", func(s *shop) { s.submit("a", "cut") }, toSlot, []undoPull{
			undo(nothing, undone, "lies where nobody has scanned it again", floor.MovePanel{}),
		}, lies("", "")},
		{"a move, too late", racked, toSlot, []undoPull{
			undo(later(5*time.Minute+time.Second), notUndone, "too late, that was at "+at(0)+" and 5 minutes are given: scan the panel where it lies now; it was: P", nil),
		}, lies("rack", "a2")},
		{"a move, moved since", racked, toSlot, []undoPull{
			undo(func(s *shop) { s.do(floor.MovePanel{Job: "a", Panel: "p1", Place: "rack", Slot: "a1"}) }, notUndone, "has been moved since", nil),
		}, lies("rack", "a1")},
		{"a move, moved and back since", racked, toSlot, []undoPull{
			undo(func(s *shop) {
				s.now = s.now.Add(time.Minute)
				s.do(floor.MovePanel{Job: "a", Panel: "p1", Place: "rack", Slot: "a1"})
				s.do(floor.MovePanel{Job: "a", Panel: "p1", Place: "rack", Slot: "a2"})
			}, notUndone, "has been moved since", nil),
		}, lies("rack", "a2")},
		{"a move, twice; then the same move at once", racked, toSlot, append([]undoPull{
			undo(nothing, undone, "again", floor.MovePanel{}),
			undo(nothing, notUndone, "taken back already; P", nil),
		}, pulls(toSlot...)...), lies("rack", "a2")},
		{"a move, from another station", racked, toSlot, []undoPull{
			undo(func(s *shop) { s.station = "other" }, notUndone, "this station has changed nothing", nil),
			undo(func(s *shop) { s.station = "desk" }, undone, "again", floor.MovePanel{}),
		}, lies("printer-1", "")},
		{"a move, after a restart", racked, toSlot, []undoPull{
			undo(func(s *shop) { s.desk = station.NewDesk() }, notUndone, "since the daemon began", nil),
		}, lies("rack", "a2")},
		{"a move, by a scan that waited", racked, toSlot, []undoPull{
			undo(func(s *shop) { s.age = 21 * time.Second }, notUndone, "this scan is 21s old: nothing is taken back by it", nil),
			undo(func(s *shop) { s.age = 0 }, undone, "again", floor.MovePanel{}),
		}, lies("printer-1", "")},
		{"a half-finished entry is not a change", racked, append(toSlot[:2:2], pull{after: time.Second, payload: "device laminator", outcome: next}), []undoPull{
			undo(nothing, notUndone, "laminator waits for its next scan; scan clear to drop that, then undo", nil),
			{pull{payload: "card clear", outcome: cleared}, nothing},
			undo(nothing, undone, "again", floor.MovePanel{}),
		}, lies("printer-1", "")},
		{"a scan that the floor refuses changes nothing", racked, toSlot, []undoPull{
			{pull{payload: "panel b", outcome: next}, func(s *shop) { s.submit("b", "laminate=gloss") }},
			{pull{payload: "device laminator", outcome: started, command: floor.StartHere{}, refused: "MEDIA_MISMATCH"}, nothing},
			undo(nothing, undone, "of a is at printer-1 again", floor.MovePanel{}),
		}, lies("printer-1", "")},
		{"it is not known what became of the last one", racked, toSlot, []undoPull{
			undo(func(s *shop) { // its answer is on the way
				s.desk.Decide(s.floor, s.now, station.Scan{Station: "desk", Payload: s.payload("slot a1"), At: s.now})
				s.desk.Decide(s.floor, s.now, station.Scan{Station: "desk", Payload: s.payload("panel a"), At: s.now})
			}, notUndone, "it is not known yet what became of the scan before", nil),
		}, lies("rack", "a2")},

		{"spoiled", toCutter1, spoil3, []undoPull{undo(later(4*time.Minute), undone, "3 pieces of a are good again, 10 good ones now", floor.WithdrawSpoiled{})}, panelIs(10, 0)},
		{"spoiled at the step's own count", printed, spoil3, []undoPull{undo(nothing, undone, "10 good ones now", floor.WithdrawSpoiled{})}, panelIs(10, 0)},
		{"spoiled, twice", toCutter1, spoil3, []undoPull{
			undo(nothing, undone, "good again", floor.WithdrawSpoiled{}),
			undo(nothing, notUndone, "taken back already", nil),
		}, panelIs(10, 0)},
		{"spoiled, too late", toCutter1, spoil3, []undoPull{undo(later(6*time.Minute), notUndone, "too late", nil)}, panelIs(7, 3)},
		{"spoiled, and one more since", toCutter1, spoil3, []undoPull{undo(spoil, notUndone, "a has been worked on or changed since: the pieces stay spoiled", nil)}, panelIs(6, 4)},
		{"spoiled, and as many at another station", toCutter1, spoil3, append([]undoPull{{spoil3[0], func(s *shop) { s.station = "other" }}}, append(pulls(spoil3[1], pull{payload: "panel a", outcome: spoiled, command: floor.SpoilPieces{}}),
			undo(func(s *shop) { s.station = "desk" }, notUndone, "changed since", nil),
			undo(func(s *shop) { s.station = "other" }, undone, "good again", floor.WithdrawSpoiled{}))...), panelIs(7, 3)},
		{"spoiled, and made again since", printed, spoil3, []undoPull{
			undo(func(s *shop) {
				s.do(floor.RemakePieces{Job: "a", Step: "print", Pieces: 3, AlreadySpoiled: true})
			}, notUndone, "are made again already: they stay spoiled", nil),
		}, panelIs(7, 3)},
		{"spoiled, and worked on since", toCutter1, spoil3, []undoPull{
			undo(func(s *shop) { s.do(floor.StartRun{Run: s.job("a").Steps[0].Live.ID}) }, notUndone, "has been worked on or changed since", nil),
		}, panelIs(7, 3)},
		{"spoiled, and given to a device since", printed, spoil3, []undoPull{
			undo(func(s *shop) { s.grant("a", "dry", "rack") }, notUndone, "has been worked on or changed since", nil),
		}, panelIs(7, 3)},
		{"spoiled, which ended a step", func(s *shop) {
			s.do(floor.CreateJob{Job: &tandemv1.Job{Id: "a", Pieces: 10, Steps: []*tandemv1.Step{{Id: "cut", Operation: "cut"}, {Id: "weed", Operation: "weed"}}}})
			r := s.grant("a", "cut", "cutter-1")
			s.do(floor.StartRun{Run: r.ID})
			s.report(r, processing, 7)
			s.now = s.now.Add(time.Minute)
			s.do(floor.StartRun{Run: s.grant("a", "weed", "bench").ID})
			s.report(r, tandemv1.JobState_JOB_STATE_ABORTED, 7)
			s.do(floor.ResolveRun{Run: r.ID, Outcome: ledgerv1.RunResolved_OUTCOME_KEEP, Good: 7})
		}, spoil3, []undoPull{undo(nothing, notUndone, "a step of a has ended by it: the pieces stay spoiled", nil)}, panelIs(7, 3)},

		{"made again", printed, []pull{
			{payload: "card remake", outcome: next},
			{payload: "2", outcome: next},
			{payload: "panel a", outcome: remade, command: floor.RemakePieces{}},
		}, []undoPull{
			undo(nothing, notUndone, "stays in a: hold the job before it is begun (tandem hold a)", nil),
			undo(func(s *shop) { s.grant("a", "print-r1", "printer-1") }, notUndone, "is with a device already (run-2)", nil),
		}, panelIs(8, 2)},

		{"a start of hand work", standsAt("bench", toBench), []pull{{payload: "panel a", outcome: started, command: floor.StartRun{}}}, []undoPull{
			undo(nothing, notUndone, "nothing moves at bench by itself: scan it and the panel again when the work is done", nil),
		}, nothing},
		{"a start", standsAt("cutter-1", toCutter1), []pull{{payload: "panel a", outcome: started, command: floor.StartRun{}}}, []undoPull{
			undo(nothing, notUndone, "a start is never taken back by a scan: stop cutter-1 by its own stop, look, then tandem resolve run-1; it was: cut of a started", nil),
			undo(func(s *shop) {
				r := s.job("a").Steps[0].Live
				s.report(r, processing, 0)
				s.report(r, completed, 10)
			}, notUndone, "run-1 has ended, and is never taken back by a scan: have pieces made again (tandem remake a cut N)", nil),
		}, nothing},
		{"a start by hand at an idle device", standsAt("cutter-2", func(s *shop) { s.submit("a", "cut") }), []pull{
			{payload: "panel a", outcome: started, command: floor.StartHere{}},
		}, []undoPull{undo(nothing, notUndone, "then tandem resolve run-1", nil)}, nothing},
		{"a finish", standsAt("bench", toBench), []pull{
			{payload: "panel a", outcome: started, command: floor.StartRun{}},
			{after: time.Minute, payload: "panel a", outcome: finished, command: floor.FinishRun{}},
		}, []undoPull{undo(nothing, notUndone, "a finished run is never taken back by a scan: have pieces made again (tandem remake a weed N), or ask a supervisor", nil)}, nothing},

		{"a roll", twoRolls, load2, []undoPull{undo(nothing, undone, "r-1 is on printer-1 again; r-2 is off", floor.LoadMedia{})}, has("printer-1", "r-1")},
		{"a roll, too late", twoRolls, load2, []undoPull{undo(later(6*time.Minute), notUndone, "too late", nil)}, has("printer-1", "r-2")},
		{"a roll in place of media without account", func(s *shop) {
			twoRolls(s)
			s.do(floor.LoadMedia{Device: "printer-1", Media: "clear"})
		}, load2, []undoPull{undo(nothing, undone, "clear is on printer-1 again", floor.LoadMedia{})}, has("printer-1", "")},
		{"a roll where nothing was", func(s *shop) {
			s.do(floor.ReceiveLot{Lot: &tandemv1.Lot{Id: "r-2", Media: "white", LengthUm: 50_000_000}})
		}, load2, []undoPull{undo(nothing, notUndone, "nothing was on printer-1 before", nil)}, has("printer-1", "r-2")},
		{"a roll, loaded again since", twoRolls, load2, []undoPull{
			undo(func(s *shop) { s.do(floor.LoadMedia{Device: "printer-1", Media: "clear"}) }, notUndone, "has been loaded, measured or used since", nil),
		}, has("printer-1", "")},
		{"a roll, measured since", twoRolls, load2, []undoPull{
			undo(func(s *shop) { s.do(floor.MeasureLot{Lot: "r-2", Remaining: 9_000_000}) }, notUndone, "has been loaded, measured or used since", nil),
		}, has("printer-1", "r-2")},
		{"a roll, with which a run may begin", twoRolls, load2, []undoPull{
			undo(func(s *shop) {
				s.submit("a", "print=white")
				s.do(floor.StartRun{Run: s.grant("a", "print", "printer-1").ID})
			}, notUndone, "print of a works on printer-1 or may begin at any moment", nil),
		}, has("printer-1", "r-2")},
		{"a roll, with which a run was made", twoRolls, load2, []undoPull{
			undo(func(s *shop) {
				s.submit("a", "print=white")
				s.made("a", "print", "printer-1")
			}, notUndone, "print of a was made from r-2 since: scan the roll that is on printer-1 now", nil),
		}, has("printer-1", "r-2")},
		{"a roll, for which a run only waits", twoRolls, load2, []undoPull{
			undo(func(s *shop) {
				s.submit("a", "print=white")
				s.grant("a", "print", "printer-1")
			}, undone, "r-1 is on printer-1 again", floor.LoadMedia{}),
		}, has("printer-1", "r-1")},
		{"a roll from another device", func(s *shop) {
			twoRolls(s)
			s.do(floor.LoadMedia{Device: "laminator", Lot: "r-2"})
			s.do(floor.LoadMedia{Device: "cutter-2", Lot: "r-1"})
		}, []pull{{payload: "lot r-2", outcome: next}, {payload: "device printer-1", outcome: loaded, command: floor.LoadMedia{}}}, []undoPull{
			undo(nothing, undone, "r-2 is on laminator again; nothing is on printer-1", floor.LoadMedia{}),
		}, has("laminator", "r-2")},
		{"a roll from another device in place of one", func(s *shop) {
			twoRolls(s)
			s.do(floor.LoadMedia{Device: "laminator", Lot: "r-2"})
		}, load2, []undoPull{
			undo(nothing, notUndone, "it came from laminator, and r-1 was on printer-1: scan r-2 and laminator, then the roll that belongs on printer-1", nil),
		}, has("printer-1", "r-2")},
		{"a roll, the one before it elsewhere by now", twoRolls, load2, []undoPull{
			undo(func(s *shop) { s.do(floor.LoadMedia{Device: "laminator", Lot: "r-1"}) }, notUndone, "r-1, which was on printer-1 before, is empty, gone or on another device now", nil),
		}, has("printer-1", "r-2")},
	} {
		t.Run(tt.name, func(t *testing.T) {
			s := open(t)
			tt.setup(s)
			for i, p := range append(pulls(tt.before...), tt.undo...) {
				if p.first != nil {
					p.first(s)
				}
				s.pull(i, p.pull)
			}
			tt.in(s)
		})
	}
}

// Who takes a change back, where, is in the ledger.
func TestUndoSaysWhoAndWhere(t *testing.T) {
	s := open(t)
	toCutter1(s)
	for i, p := range append([]pull{{payload: "badge timo", outcome: shown}}, spoil3...) {
		s.pull(i, p)
	}
	a := s.scan(s.payload("card undo"))
	c, ok := a.Command.(floor.WithdrawSpoiled)
	if !ok || a.Actor != "timo" || c.Note != "undone at station desk" || a.Subject != "jobs/a" {
		t.Errorf("%+v: %+v", a, c)
	}
}

// A half-finished entry is kept for 20 s from its last scan, by the scan's clock; a finished one for nothing.
func TestUntilWhenAnEntryIsKept(t *testing.T) {
	s := open(t)
	toCutter1(s)
	if a := s.scan(s.payload("device cutter-1")); !a.Until.Equal(s.now.Add(20 * time.Second)) {
		t.Errorf("%q is kept until %v at %v", a.Message, a.Until, s.now)
	}
	s.now = s.now.Add(time.Second)
	if a := s.scan("junk"); !a.Until.Equal(s.now.Add(20 * time.Second)) {
		t.Errorf("%q keeps the entry until %v at %v", a.Message, a.Until, s.now)
	}
	for _, payload := range []string{"panel a", "card undo", "badge mira", "card clear"} {
		if a := s.scan(s.payload(payload)); !a.Until.IsZero() {
			t.Errorf("%s: %q keeps an entry until %v", payload, a.Message, a.Until)
		}
	}
}

func (s *shop) pull(i int, p pull) {
	s.t.Helper()
	s.now = s.now.Add(p.after)
	a := s.scan(s.payload(p.payload))
	if a.Outcome != p.outcome || !strings.Contains(a.Message, p.says) {
		s.t.Fatalf("pull %d, %s: %v %q, want %v %q", i, p.payload, a.Outcome, a.Message, p.outcome, p.says)
	}
	if got, want := commandName(a.Command), commandName(p.command); got != want {
		s.t.Fatalf("pull %d, %s: command %s, want %s", i, p.payload, got, want)
	}
	refused := ""
	if s.refused != nil {
		refused = s.refused.Reason
	}
	if refused != p.refused {
		s.t.Fatalf("pull %d, %s: the floor refuses with %q (%v), want %q", i, p.payload, refused, s.refused, p.refused)
	}
	if p.then != nil {
		p.then(s)
	}
}
