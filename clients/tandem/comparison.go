package main

import (
	"fmt"
	"math"
	"strconv"
	"strings"
	"time"

	"tandem/clients/wording"
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
			back = "in " + years(f.GetPayBack().GetYears().GetMean())
		}
		t.add(span{strong, f.GetName()}, span{plain, seconds(f.GetMakespan().GetMean())}, span{plain, seconds(f.GetFlowTime().GetMean())},
			span{plain, percent(f.GetLateShare().GetMean())}, span{plain, figure(f.GetPiecesPerHour().GetMean())},
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
		return "; " + than(f.GetDifferences()[i], first.GetName())
	}
	var facts facts
	facts.style("done after", strong, estimate(f.GetMakespan(), seconds)+difference(0))
	facts.add("flow time", estimate(f.GetFlowTime(), seconds)+" a job"+difference(1))
	facts.add("late", estimate(f.GetLateShare(), percent)+" of the jobs with a due time")
	facts.add("late work", estimate(f.GetWeightedTardiness(), seconds)+" a job, weighted"+difference(2))
	facts.add("output", estimate(f.GetPiecesPerHour(), figure)+" pieces/h; "+estimate(f.GetAreaPerHour(), figure)+" m²/h")
	work := estimate(f.GetOperatorHours(), figure) + " h of work"
	if alwaysThere(f) {
		facts.add("operators", work+"; always there, as many as are needed")
	} else {
		facts.add("operators", work+"; busy "+estimate(f.GetOperatorLoad(), percent)+" of the time they are there")
	}
	facts.add("held back by", f.GetBottleneck())
	if n := f.GetUnfinished(); n > 0 {
		facts.style("unfinished", warned, figure(n)+" jobs")
	}
	if back := f.GetPayBack(); back != nil && first != nil {
		in := func(v float64) string { return strings.TrimSpace(money(v) + " " + currency) }
		facts.add("cost", in(back.GetInvest()))
		facts.add("gain", estimate(back.GetGainPerYear(), in)+" a year")
		if back.GetYears() == nil {
			facts.style("pays back", bad, "never")
		} else {
			facts.style("pays back", strong, "in "+estimate(back.GetYears(), years))
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
		t.add(span{strong, d.GetDevice()}, span{plain, percent(d.GetBusy())}, span{plain, percent(d.GetChangeover())}, span{plain, percent(d.GetStarved())},
			span{plain, percent(d.GetBlocked())}, span{plain, percent(d.GetClosed())}, span{plain, figure(d.GetRuns())})
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
		return figure(f.GetOperatorHours().GetMean()) + " h"
	}
	return percent(f.GetOperatorLoad().GetMean()) + " busy"
}

// estimate shows a mean and its interval: 9 h 12 min (8 h 50 min to 9 h 31 min). An interval that shows nothing is left out.
func estimate(e *tandemv1.Estimate, show func(float64) string) string {
	if e == nil {
		return "-"
	}
	mean, low, high := show(e.GetMean()), show(e.GetLow()), show(e.GetHigh())
	if low == high {
		return mean
	}
	return mean + " (" + low + " to " + high + ")"
}

// than shows a difference in time: 1 h 20 min less than harbour (1 h 5 min to 1 h 40 min). One whose interval holds zero is
// no difference that one could count on.
func than(e *tandemv1.Estimate, first string) string {
	mean, low, high := e.GetMean(), e.GetLow(), e.GetHigh()
	word := "more"
	if mean < 0 {
		mean, low, high, word = -mean, -high, -low, "less"
	}
	text := seconds(mean) + " " + word + " than " + first
	switch {
	case seconds(mean) == seconds(0) && seconds(low) == seconds(high):
		return "as " + first
	case low < 0 && high > 0:
		return text + ", which may be chance"
	case seconds(low) == seconds(high):
		return text
	}
	return text + " (" + seconds(low) + " to " + seconds(high) + ")"
}

// seconds shows a time given in seconds; up to some days in hours and minutes, in which floors differ.
func seconds(s float64) string {
	if math.IsNaN(s) || math.Abs(s) > math.MaxInt64/1e9 {
		return "-"
	}
	d := time.Duration(s * float64(time.Second))
	if minutes := d.Round(time.Minute); minutes > 24*time.Hour && minutes < 100*time.Hour {
		return strings.TrimSuffix(fmt.Sprintf("%d h %d min", minutes/time.Hour, minutes%time.Hour/time.Minute), " 0 min")
	}
	return wording.Span(d)
}

// percent shows a share.
func percent(share float64) string {
	if math.IsNaN(share) || math.IsInf(share, 0) {
		return "-"
	}
	digits := 0
	if share > -0.1 && share < 0.1 {
		digits = 1
	}
	return trimmed(share*100, digits) + " %"
}

// figure shows a number with about three digits.
func figure(v float64) string {
	switch abs := math.Abs(v); {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return "-"
	case abs >= 100:
		return trimmed(v, 0)
	case abs >= 10:
		return trimmed(v, 1)
	default:
		return trimmed(v, 2)
	}
}

func trimmed(v float64, digits int) string {
	s := strconv.FormatFloat(v, 'f', digits, 64)
	if strings.Contains(s, ".") {
		s = strings.TrimRight(strings.TrimRight(s, "0"), ".")
	}
	if s == "-0" {
		return "0"
	}
	return s
}

// money shows a whole amount with a comma before each three digits.
func money(v float64) string {
	if math.IsNaN(v) || math.Abs(v) > 1e15 {
		return "-"
	}
	s := strconv.FormatInt(int64(math.Round(math.Abs(v))), 10)
	for i := len(s) - 3; i > 0; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	if v <= -0.5 {
		return "-" + s
	}
	return s
}

// years shows a time in years, or in months if it is shorter.
func years(v float64) string {
	switch {
	case math.IsNaN(v) || math.IsInf(v, 0):
		return "-"
	case v >= 0 && v < 1.5:
		return fmt.Sprintf("%s months", figure(v*12))
	default:
		return figure(v) + " years"
	}
}
