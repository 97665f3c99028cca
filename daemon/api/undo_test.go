package api_test

import (
	"fmt"
	"strings"
	"testing"
	"time"

	"google.golang.org/protobuf/proto"
	"google.golang.org/protobuf/types/known/timestamppb"

	tandemv1 "tandem/proto/tandem/v1"
	"tandem/scheduler/code"
)

// What a station has changed last is taken back by a scan, once: the same scan again has the same answer, the ledger says who
// undid what, and after a restart of the daemon there is nothing to take back.
func TestUndoOfScans(t *testing.T) {
	d := newDaemon(t)
	d.greet("bench")
	panel := d.create("a").GetPanels()[0].GetCode()
	n := 0
	pull := func(payload string, want tandemv1.RecordScanResponse_Outcome, says string) *tandemv1.RecordScanResponse {
		t.Helper()
		n++
		r := d.scan("", payload, fmt.Sprint(n))
		if r.GetOutcome() != want || !strings.Contains(r.GetMessage(), says) || r.GetRevision() != d.revision() {
			t.Fatalf("%s: %v at %d, want %v %q", payload, r, d.revision(), want, says)
		}
		return r
	}
	undo := code.Undo.Code().String()
	book := func(pieces string) {
		t.Helper()
		pull(code.Spoiled.Code().String(), nextScan, "how many")
		pull(pieces, nextScan, "now scan the panel")
		pull(panel, spoiled, "spoiled pieces of a booked")
	}
	pull(undo, notUndone, "this station has changed nothing since the daemon began")
	book("2")
	from := d.revision()
	first := pull(undo, undone, "2 pieces of a are good again, 6 good ones now")
	if p := d.job("a").GetPanels()[0]; p.GetPiecesGood() != 6 || p.GetPiecesSpoiled() != 0 {
		t.Errorf("after undo: %v", p)
	}
	m := recv(t, d.watch(t.Context(), &tandemv1.WatchEventsRequest{Revision: from}))
	if e := m.GetCommit().GetEvents(); len(e) != 1 || e[0].GetType() != "spoil.withdrawn" || e[0].GetActor() != "station:desk" || e[0].GetJob() != "a" ||
		e[0].GetMessage() != "2 pieces of panel p1 are good after all: undone at station desk" {
		t.Errorf("the ledger says %v", e)
	}
	for range 2 {
		if again := d.scan("", undo, fmt.Sprint(n)); !proto.Equal(again, first) {
			t.Errorf("the same scan again: %v, want %v", again, first)
		}
	}
	pull(undo, notUndone, "taken back already")

	book("1")
	d.reopen()
	pull(undo, notUndone, "this station has changed nothing since the daemon began")
	if p := d.job("a").GetPanels()[0]; p.GetPiecesSpoiled() != 1 {
		t.Errorf("after the restart: %v", p)
	}
	if again := d.scan("", undo, "5"); !proto.Equal(again, first) {
		t.Errorf("the first undo again after a restart: %v, want %v", again, first)
	}
	d.check()
}

// A half-finished entry is kept for 20 s by the clock of the station, which may be fast.
func TestUntilWhenAnEntryIsKept(t *testing.T) {
	d := newDaemon(t)
	panel := d.create("a").GetPanels()[0].GetCode()
	for _, ahead := range []time.Duration{0, time.Hour, -5 * time.Second} {
		at := time.Now().Add(ahead)
		r, err := d.scans.RecordScan(d.ctx(), &tandemv1.RecordScanRequest{Station: "desk", Payload: panel, ScanId: ahead.String(), ScanTime: timestamppb.New(at)})
		if err != nil {
			t.Fatal(err)
		}
		if got := r.GetEntryUntilTime().AsTime().Sub(at); r.GetOutcome() != nextScan || got != 20*time.Second {
			t.Errorf("%v ahead: %v is kept for %v", ahead, r, got)
		}
	}
	if r := d.scan("", code.Clear.Code().String(), "clear"); r.GetEntryUntilTime() != nil {
		t.Errorf("cleared: %v", r)
	}
}
