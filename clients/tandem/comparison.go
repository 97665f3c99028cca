package main

import (
	"strings"

	"tandem/clients/compareview"
	tandemv1 "tandem/proto/tandem/v1"
)

// showComparison tells the answer first, then how each floor did, and last what is assumed.
func (c *comparing) showComparison(comparison *tandemv1.Comparison, currency string) {
	for _, sentence := range comparison.GetConclusion() {
		c.line(span{strong, sentence})
	}
	floors := comparison.GetFloors()
	c.reckoned = map[string]bool{}
	if len(floors) > 1 {
		c.line()
		c.overview(floors)
	}
	for i, f := range floors {
		c.line()
		var first *tandemv1.FloorOutcome
		if i > 0 {
			first = floors[0]
		}
		c.floorOutcome(f, first, currency)
	}
	if len(floors) > 0 {
		c.line()
		c.text("BUSY to CLOSED are shares of the time from the opening to the last end. STARVED: it had nothing to do. BLOCKED: it")
		c.text("waited for a person, a place or media, or to be emptied. CLOSED: nobody was there to run it.")
	}
	if len(comparison.GetNotes()) > 0 {
		c.line()
	}
	var f facts
	for _, note := range comparison.GetNotes() {
		f.add("note", note)
	}
	f.print(c.printer)
}

// overview puts the floors side by side: means only.
func (c *comparing) overview(floors []*tandemv1.FloorOutcome) {
	t := table{head: []string{"FLOOR", "DONE AFTER", "FLOW TIME", "LATE", "PIECES/H", "OPERATORS", "PAYS BACK"}}
	for i, f := range floors {
		back := "-"
		switch {
		case i == 0 || f.GetPayBack() == nil:
		case f.GetPayBack().GetYears() == nil:
			back = "never"
		default:
			back = "in " + compareview.Years(f.GetPayBack().GetYears().GetMean())
		}
		t.add(span{strong, f.GetName()}, span{plain, compareview.Seconds(f.GetMakespan().GetMean())}, span{plain, compareview.Seconds(f.GetFlowTime().GetMean())},
			span{plain, compareview.Percent(f.GetLateShare().GetMean())}, span{plain, compareview.Figure(f.GetPiecesPerHour().GetMean())},
			span{plain, operators(f)}, span{plain, back})
	}
	t.print(c.printer)
}

// floorOutcome tells how a floor did, and how much that differs from the first one.
func (c *comparing) floorOutcome(f, first *tandemv1.FloorOutcome, currency string) {
	c.line(span{strong, f.GetName()})
	difference := func(i int) string {
		if first == nil || i >= len(f.GetDifferences()) {
			return ""
		}
		return "; " + compareview.Than(f.GetDifferences()[i], first.GetName())
	}
	var facts facts
	facts.style("done after", strong, compareview.Estimate(f.GetMakespan(), compareview.Seconds)+difference(0))
	facts.add("flow time", compareview.Estimate(f.GetFlowTime(), compareview.Seconds)+" a job"+difference(1))
	facts.add("late", compareview.Estimate(f.GetLateShare(), compareview.Percent)+" of the jobs with a due time")
	facts.add("late work", compareview.Estimate(f.GetWeightedTardiness(), compareview.Seconds)+" a job, weighted"+difference(2))
	facts.add("output", compareview.Estimate(f.GetPiecesPerHour(), compareview.Figure)+" pieces/h; "+compareview.Estimate(f.GetAreaPerHour(), compareview.Figure)+" m²/h")
	work := compareview.Estimate(f.GetOperatorHours(), compareview.Figure) + " h of work"
	if alwaysThere(f) {
		facts.add("operators", work+"; always there, as many as are needed")
	} else {
		facts.add("operators", work+"; busy "+compareview.Estimate(f.GetOperatorLoad(), compareview.Percent)+" of the time they are there")
	}
	facts.add("held back by", f.GetBottleneck())
	if n := f.GetUnfinished(); n > 0 {
		facts.style("unfinished", warned, compareview.Figure(n)+" jobs")
	}
	if back := f.GetPayBack(); back != nil && first != nil {
		in := func(v float64) string { return strings.TrimSpace(compareview.Money(v) + " " + currency) }
		facts.add("cost", in(back.GetInvest()))
		facts.add("gain", compareview.Estimate(back.GetGainPerYear(), in)+" a year")
		if back.GetYears() == nil {
			facts.style("pays back", bad, "never")
		} else {
			facts.style("pays back", strong, "in "+compareview.Estimate(back.GetYears(), compareview.Years))
		}
		for _, line := range back.GetReckoning() {
			if !c.reckoned[line] { // said of a floor before
				facts.add("reckoned", line)
			}
			c.reckoned[line] = true
		}
	}
	facts.print(c.printer)
	c.line()
	t := table{head: []string{"DEVICE", "BUSY", "CHANGEOVER", "STARVED", "BLOCKED", "CLOSED", "RUNS"}}
	for _, d := range f.GetDevices() {
		t.add(span{strong, d.GetDevice()}, span{plain, compareview.Percent(d.GetBusy())}, span{plain, compareview.Percent(d.GetChangeover())}, span{plain, compareview.Percent(d.GetStarved())},
			span{plain, compareview.Percent(d.GetBlocked())}, span{plain, compareview.Percent(d.GetClosed())}, span{plain, compareview.Figure(d.GetRuns())})
	}
	t.print(c.printer)
}

// alwaysThere reports whether operators work, but are there at no time in particular: the floor names no shifts.
func alwaysThere(f *tandemv1.FloorOutcome) bool {
	return f.GetOperatorLoad().GetMean() == 0 && f.GetOperatorHours().GetMean() > 0
}

// operators shows how busy they are, as far as that can be said.
func operators(f *tandemv1.FloorOutcome) string {
	if alwaysThere(f) {
		return compareview.Figure(f.GetOperatorHours().GetMean()) + " h"
	}
	return compareview.Percent(f.GetOperatorLoad().GetMean()) + " busy"
}
