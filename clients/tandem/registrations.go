package main

import (
	"fmt"

	tandemv1 "tandem/proto/tandem/v1"
)

// registrations shows what cutters read of the marks of a job's panels, and why a panel was refused.
func (a *app) registrations(j *tandemv1.Job) {
	t := table{head: []string{"MARKS", "PANEL", "FIT", "SCALE X", "SCALE Y", "ROTATION", "RESIDUAL"}}
	type refusal struct{ run, panel, reason string }
	var refused []refusal
	for _, s := range j.GetSteps() {
		for _, r := range s.GetRuns() {
			for _, g := range r.GetRegistrations() {
				fit := span{good, "yes"}
				if !g.GetAccepted() {
					fit = span{bad, "refused"}
					refused = append(refused, refusal{r.GetId(), g.GetPanelCode(), g.GetReason()})
				}
				t.add(append([]span{{strong, r.GetId()}, {plain, orDash(g.GetPanelCode())}, fit}, figures(g)...)...)
			}
		}
	}
	if len(t.rows) == 0 {
		return
	}
	a.line()
	t.print(a.printer)
	for _, r := range refused {
		a.line(span{bad, r.run + ", panel " + r.panel + ": "}, span{plain, r.reason})
	}
}

// figures of a fit; a reading that could not be fitted has none.
func figures(g *tandemv1.Registration) []span {
	if g.GetScaleX() == 0 {
		return []span{{plain, "-"}, {plain, "-"}, {plain, "-"}, {plain, "-"}}
	}
	return []span{
		{plain, fmt.Sprintf("%.2f %%", 100*g.GetScaleX())},
		{plain, fmt.Sprintf("%.2f %%", 100*g.GetScaleY())},
		{plain, fmt.Sprintf("%.2f deg", g.GetRotationDegrees())},
		{plain, fmt.Sprintf("%.3f mm", float64(g.GetResidualUm())/1000)},
	}
}
