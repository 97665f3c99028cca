// Package reportview draws reports as bars: what devices did with their time, what became of jobs, why pieces were spoiled, where
// the media went. A picture is one or more charts below one another, as SVG or PNG.
//
// The same input always gives the same bytes. Names may be foreign: they are made harmless and cut to the room there is. However long
// a report is, the picture stays within fixed bounds, and says what it leaves out. Every bar that matters has its figure beside it, so
// that nothing is told by colour alone. The package knows no daemon and writes only to the writer it is given.
package reportview

import (
	"errors"
	"image/color"
)

// Picture is what is drawn.
type Picture struct {
	// Title above all.
	Title  string
	Charts []Chart
}

// Chart is a set of bars, one below the other, each of stacked parts.
type Chart struct {
	// Title above the bars.
	Title string
	// Unit below the axis, such as h or pieces.
	Unit string
	// Least is how far the axis reaches at least.
	Least float64
	// Parts of every bar, from the left.
	Parts []Part
	// Rows from the top.
	Rows []Row
}

// Part is one colour of the bars.
type Part struct {
	Name   string
	Colour color.RGBA
}

// Row is one bar.
type Row struct {
	Name string
	// Values of the parts, in the chart's unit; none below 0.
	Values []float64
	// Note at the end of the bar: its figure.
	Note string
}

// ErrNothing means that there is nothing to draw.
var ErrNothing = errors.New("there is nothing to draw in this time")

// mostRows of one chart.
const mostRows = 40

// shown returns the chart without empty parts, and with as many rows as there is room for.
func (c Chart) shown() (out Chart, left int) {
	out = c
	if left = len(c.Rows) - mostRows; left > 0 {
		out.Rows = c.Rows[:mostRows]
	}
	out.Parts = nil
	var kept []int
	for i, p := range c.Parts {
		for _, r := range out.Rows {
			if r.Values[i] > 0 {
				out.Parts, kept = append(out.Parts, p), append(kept, i)
				break
			}
		}
	}
	rows := make([]Row, len(out.Rows))
	for n, r := range out.Rows {
		rows[n] = Row{Name: r.Name, Note: r.Note}
		for _, i := range kept {
			rows[n].Values = append(rows[n].Values, r.Values[i])
		}
	}
	out.Rows = rows
	return out, max(left, 0)
}

// worth returns the charts that have something to show.
func (p Picture) worth() []Chart {
	var out []Chart
	for _, c := range p.Charts {
		if s, _ := c.shown(); len(s.Parts) > 0 {
			out = append(out, c)
		}
	}
	return out
}
