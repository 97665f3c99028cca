package kpi

import (
	"fmt"
	"math"
	"testing"
	"time"

	tandemv1 "tandem/proto/tandem/v1"
)

// A day of waste and of jobs, worked out by hand.
func wastePast() *Past {
	h := time.Hour
	done := tandemv1.JobState_JOB_STATE_COMPLETED
	return &Past{
		Interval: Interval{at(0), at(24 * h)},
		Floors:   []Floor{{File: &tandemv1.FloorFile{Media: []*tandemv1.Media{{Id: "vinyl", WidthUm: 1_000_000}}}}},
		Runs: []Run{
			// 100 pieces on 10 m, of which 80 made: 8 m; 9 m taken, 1 m of it lost. 4 spoiled, 6 found later.
			{
				Device: "printer-1", Operation: "print", Started: at(h), Ended: at(2 * h), State: tandemv1.JobState_JOB_STATE_ABORTED, Reasons: []string{"media-jam"}, Pieces: 100, Good: 76,
				Spoiled: 4, Found: 6, Supply: "vinyl", WidthUm: 1_000_000, LengthUm: 10_000_000, PiecesM2: 7.5, Lots: []Use{{"roll-1", 5_000_000}, {"roll-2", 4_000_000}},
			},
			// No lot: it is in no length.
			{Device: "printer-2", Operation: "print", Started: at(h), Ended: at(3 * h), State: done, Pieces: 10, Good: 10, Supply: "vinyl", LengthUm: 1_000_000},
			// Yesterday's and a later step.
			{Device: "printer-1", Operation: "print", Started: at(-h), Ended: at(-time.Minute), State: done, Pieces: 5, Spoiled: 5, Supply: "vinyl"},
			{Device: "cutter-1", Operation: "cut", Started: at(3 * h), Ended: at(4 * h), State: done, Reasons: []string{"job-completed-with-errors"}, Pieces: 80, Good: 79, Spoiled: 1},
			// Taken back before it began.
			{Device: "cutter-1", Operation: "cut", Ended: at(5 * h), State: tandemv1.JobState_JOB_STATE_CANCELED, Pieces: 80},
		},
		Found:   []Found{{At: at(6 * h), Operation: "print", Device: "printer-1", Pieces: 4, Note: "banding"}, {At: at(7 * h), Operation: "print", Device: "printer-1", Pieces: 2, Note: "banding"}, {At: at(8 * h), Pieces: 1}},
		Remakes: []Remake{{At: at(7 * h), Pieces: 6, Note: "banding"}, {At: at(25 * h), Pieces: 9, Note: "later"}},
		Lots:    []Lot{{ID: "roll-1", Media: "vinyl", Received: at(-48 * h), LengthUm: 50_000_000}, {ID: "roll-2", Media: "vinyl", Received: at(time.Minute), LengthUm: 30_000_000}},
		Jobs: []Job{
			{ID: "a", Accepted: at(-2 * h), Due: at(5 * h), Started: at(0), Finished: at(4 * h), State: done, Good: 90, Spoiled: 10, Overs: 5, Busy: 2 * h},
			{ID: "b", Accepted: at(h), Due: at(6 * h), Started: at(2 * h), Finished: at(8 * h), State: done, Good: 20, Busy: 3 * h},
			{ID: "c", Accepted: at(h), Due: at(20 * h)},
			{ID: "d", Accepted: at(h), Due: at(7 * h), Finished: at(3 * h), State: tandemv1.JobState_JOB_STATE_CANCELED},
			{ID: "gang", Gang: true, Accepted: at(h), Finished: at(2 * h), State: done, Good: 500},
			{ID: "e", Accepted: at(h), Due: at(30 * h)},
		},
	}
}

func TestWasteByHand(t *testing.T) {
	p := wastePast()
	w := p.WasteParts([]Part{{Interval: p.Interval}})[0]
	var causes []string
	for _, c := range w.Causes {
		causes = append(causes, fmt.Sprintf("%d %d %s/%s %q %v", c.Pieces, c.Times, c.Operation, c.Device, c.Why, c.ByPerson))
	}
	want := []string{`6 2 print/printer-1 "banding" true`, `4 1 print/printer-1 "media-jam" false`, `1 1 / "" true`, `1 1 cut/cutter-1 "" false`}
	if fmt.Sprint(causes) != fmt.Sprint(want) || w.Made != 80+10+80 {
		t.Errorf("of %d pieces: %q, want %q", w.Made, causes, want)
	}
	if len(w.Remakes) != 1 || w.Remakes[0].Pieces != 6 {
		t.Errorf("remakes %v", w.Remakes)
	}
	m := w.Media[0]
	if len(w.Media) != 1 || m.Lots != 1 || m.ReceivedUm != 30_000_000 || m.Runs != 2 || m.NoLot != 1 || m.UsedUm != 9_000_000 || m.LaidUm != 8_000_000 ||
		m.SpoiledUm != 1_000_000 || m.LostUm() != 1_000_000 || math.Abs(m.PiecesM2-5.25) > 1e-9 || math.Abs(m.OfM2-9) > 1e-9 {
		t.Errorf("media %+v", w.Media)
	}
	if of := p.Of([]string{"cutter-1"}).WasteParts([]Part{{Interval: p.Interval}})[0]; len(of.Causes) != 1 || of.Made != 80 || len(of.Media) != 0 || len(of.Remakes) != 0 {
		t.Errorf("of the cutter alone: %+v", of)
	}
}

func TestJobsByHand(t *testing.T) {
	p := wastePast()
	j := p.JobParts([]Part{{Interval: p.Interval}})[0]
	if j.Accepted != 4 || j.Completed != 2 || j.Canceled != 1 || j.Open != 2 || j.Good != 110 || j.Spoiled != 10 || j.Due != 3 || j.OnTime != 1 {
		t.Errorf("jobs %+v", j)
	}
	if want := (Spread{2, 6*time.Hour + 30*time.Minute, 6 * time.Hour, 7 * time.Hour}); j.Flow != want {
		t.Errorf("flow %+v, want %+v", j.Flow, want)
	}
	// AOET 4 h + 6 h, PQ 100 + 20, AUBT 2 h + 3 h, SQ 10, PSQ 5.
	near(t, "by hand", Find(j.Values, "throughput-rate"), 12)
	near(t, "by hand", Find(j.Values, "allocation-ratio"), 0.5)
	near(t, "by hand", Find(j.Values, "actual-to-planned-scrap-ratio"), 2)
	if len(j.Late) != 2 || j.Late[0].Job != "c" || j.Late[0].Late != 4*time.Hour || j.Late[1].Job != "b" || j.Late[1].Late != 2*time.Hour {
		t.Errorf("late %+v", j.Late)
	}
	if len(j.Operations) != 2 || j.Operations[0].Runs != 1 || j.Operations[1].Runs != 2 || j.AreaM2 != 8 {
		t.Errorf("operations %+v, area %v", j.Operations, j.AreaM2)
	}
}
