package board

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"tandem/clients/celltext"
	"tandem/clients/floorview"
	tandemv1 "tandem/proto/tandem/v1"
)

// Measures of the picture of a job's steps, in its own units.
const (
	nodeWidth, nodeHeight = 152, 62
	nodeGapX, nodeGapY    = 26, 14
	graphEdge             = 6
	// mostNodes is how many steps are drawn; the table has all.
	mostNodes = 160
)

// graph is the picture: steps from left to right, none left of one that it waits for.
type graph struct {
	Width, Height int
	Nodes         []node
	Edges         []edge
	Left          int // steps not drawn
}

type node struct {
	X, Y             int
	Step, Line, Text string
	Mark, Class      string
}

type edge struct {
	Path string
	Done bool // the step that it leads from has ended
}

// drawSteps lays the steps out: layer by layer, in each beside the steps that they follow.
func (f *facts) drawSteps(j *tandemv1.Job) graph {
	var g graph
	index := map[string]int{} // of nodes, by step
	place := map[string]float64{}
	done := map[string]bool{}
	next := true
	x := graphEdge
	for _, level := range floorview.Levels(j.GetSteps()) {
		level = slices.Clone(level)
		slices.SortStableFunc(level, func(a, b *tandemv1.Step) int { return cmp.Compare(middle(place, a), middle(place, b)) })
		over := true
		for row, s := range level {
			if len(g.Nodes) == mostNodes {
				g.Left++
				continue
			}
			over = over && jobOver(s)
			done[s.GetId()] = jobOver(s)
			place[s.GetId()] = float64(row)
			index[s.GetId()] = len(g.Nodes)
			state := f.stepState(j, s, next)
			g.Nodes = append(g.Nodes, node{
				X: x, Y: graphEdge + row*(nodeHeight+nodeGapY), Step: celltext.Clip(s.GetId(), 15), Line: celltext.Clip(stepLine(s), 22),
				Text: celltext.Clip(state.Text, 19), Mark: stepMark(s, f.started(j, s)), Class: state.Class,
			})
			g.Width = max(g.Width, x+nodeWidth+graphEdge)
			g.Height = max(g.Height, graphEdge+row*(nodeHeight+nodeGapY)+nodeHeight+graphEdge)
		}
		x += nodeWidth + nodeGapX
		next = next && over
	}
	for _, s := range j.GetSteps() {
		to, drawn := index[s.GetId()]
		for _, id := range s.GetAfter() {
			from, known := index[id]
			if !drawn || !known || from == to {
				continue
			}
			a, b := g.Nodes[from], g.Nodes[to]
			x1, y1, x2, y2 := a.X+nodeWidth, a.Y+nodeHeight/2, b.X, b.Y+nodeHeight/2
			bend := min(nodeGapX, max(8, (x2-x1)/2))
			g.Edges = append(g.Edges, edge{fmt.Sprintf("M%d %dC%d %d %d %d %d %d", x1, y1, x1+bend, y1, x2-bend-6, y2, x2-6, y2), done[id]})
		}
	}
	return g
}

// middle is where the steps lie on average that one follows.
func middle(place map[string]float64, s *tandemv1.Step) float64 {
	sum, n := 0.0, 0
	for _, id := range s.GetAfter() {
		if p, ok := place[id]; ok {
			sum, n = sum+p, n+1
		}
	}
	if n == 0 {
		return 0
	}
	return sum / float64(n)
}

// stepLine says what a step does, where its name does not say it.
func stepLine(s *tandemv1.Step) string {
	parts := []string{}
	if s.GetOperation() != s.GetId() {
		parts = append(parts, s.GetOperation())
	}
	if m := orElse(s.GetFilm(), s.GetMedia()); m != "" {
		parts = append(parts, m)
	}
	if len(s.GetPanels()) > 0 && len(s.GetPanels()) <= 3 {
		parts = append(parts, strings.Join(s.GetPanels(), " "))
	}
	return strings.Join(parts, ", ")
}

// started reports whether a step has a run that somebody must start.
func (f *facts) started(j *tandemv1.Job, s *tandemv1.Step) (waits bool) {
	_, run := f.At(j.GetId(), s.GetId())
	return run != nil && floorview.Has(run.GetStateReasons(), "x-awaiting-start")
}

func stepMark(s *tandemv1.Step, call bool) string {
	switch {
	case call:
		return "call"
	case s.GetOperation() == "dry" && s.GetState() == tandemv1.JobState_JOB_STATE_PROCESSING:
		return "dry"
	case s.GetState() == tandemv1.JobState_JOB_STATE_PENDING_HELD && !floorview.Has(s.GetStateReasons(), "job-hold-until-specified"):
		return "wait"
	default:
		return jobMark(s.GetState())
	}
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
