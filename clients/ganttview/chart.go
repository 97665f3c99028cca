package ganttview

import (
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/plotter"
	"gonum.org/v1/plot/text"
	"gonum.org/v1/plot/vg"
	"gonum.org/v1/plot/vg/draw"

	"tandem/clients/wording"
)

// chart is a floor with everything in its place.
type chart struct {
	*sheet
	Chart
	rows    []*row
	dues    []due
	late    map[*job]time.Duration
	remarks []string // what is not drawn
	notes   []string // what lies outside of the picture

	left, right               float64 // of the plot on the page
	peopleRow, nowRow, dueRow float64 // heights of the strips above the rows; 0: none
	body                      float64 // height of the rows
	axis                      float64 // height of the axis below them
}

// due is a mark for jobs that are due at about the same time.
type due struct {
	x, labelX float64
	level     int
	label     string
	late      bool
}

const (
	headHeight  = 28
	stripHeight = 13
	dueLevels   = 3
	markHeight  = 9
)

// newChart places everything but the chart itself. The rows get at most the given height.
func (s *sheet) newChart(c Chart, room float64, bars int) *chart {
	out := &chart{sheet: s, Chart: c, late: lateOf(c, s.byID)}
	all, skipped := rowsOf(c, s.span, s.byID, out.late, bars)
	kept := all
	if s.heightOf(all) > room {
		// Devices without work go first.
		kept = slices.DeleteFunc(slices.Clone(all), func(r *row) bool { return len(r.bars) == 0 })
		if n := len(all) - len(kept); n > 0 {
			out.remarks = append(out.remarks, "and "+wording.Count(n, "device")+" without work")
		}
		work := len(kept)
		for s.heightOf(kept) > room && len(kept) > 1 {
			kept = kept[:len(kept)-1]
		}
		if n := work - len(kept); n > 0 {
			runs := 0
			for _, r := range all {
				if !slices.Contains(kept, r) {
					runs += len(r.bars)
				}
			}
			out.remarks = append(out.remarks, fmt.Sprintf("and %s with %s that a picture has no room for", wording.Count(n, "more device"), wording.Count(runs, "run")))
		}
	}
	if skipped > 0 {
		out.remarks = append(out.remarks, "and "+wording.Count(skipped, "more run")+" that a picture has no room for")
	}
	y := 0.0
	for _, r := range kept {
		r.y = y
		y += s.heightOf([]*row{r})
		for _, b := range r.bars {
			b.job.drawn = b.job.drawn || b.to >= 0
		}
	}
	out.rows, out.body = kept, y
	return out
}

// newPlot is a time axis with nothing on it.
func (c *chart) newPlot() *plot.Plot {
	p := plot.New()
	p.HideY()
	p.X.Min, p.X.Max = 0, c.span.length()
	p.Y.Min, p.Y.Max = 0, 1
	p.X.Padding, p.X.Width, p.X.Color = 0, 0.6, soft
	p.X.Tick.Length, p.X.Tick.Width, p.X.Tick.Color = 4, 0.6, soft
	p.X.Tick.Label.Font, p.X.Tick.Label.Handler = c.regular.font, text.Plain{Fonts: c.regular.cache}
	p.X.Tick.Label.Font.Size, p.X.Tick.Label.Color = sizeSmall, ink
	p.X.Tick.Marker = plot.ConstantTicks(c.span.ticks())
	p.BackgroundColor = nil
	return p
}

// place finds where the plot lies, and what stands in the strips above it.
func (c *chart) place() {
	const some = 1000 // high enough for an axis
	data := c.newPlot().DataCanvas(draw.Canvas{Rectangle: c.rectangle(0, some)})
	c.left, c.right, c.axis = float64(data.Min.X), float64(data.Max.X), float64(data.Min.Y)
	if len(c.Attended) > 0 {
		c.peopleRow = stripHeight
	}
	if now := c.span.seconds(c.Now); !c.Now.IsZero() && now >= 0 && now <= c.span.length() {
		c.nowRow = stripHeight
	}
	c.placeDues()
}

// rectangle is the room for plot and axis, in the library's coordinates.
func (c *chart) rectangle(bottom, top float64) vg.Rectangle {
	return vg.Rectangle{
		Min: vg.Point{X: vg.Length(fine(margin + c.gutter)), Y: vg.Length(fine(bottom))},
		Max: vg.Point{X: pageWidth - margin, Y: vg.Length(fine(top))},
	}
}

// x returns where a moment lies on the page, whether within the plot or not.
func (c *chart) x(seconds float64) float64 {
	return c.left + seconds/c.span.length()*(c.right-c.left)
}

func (c *chart) strips() float64 { return c.peopleRow + c.nowRow + c.dueRow }

func (c *chart) heightOnPage() float64 {
	return headHeight + c.strips() + c.body + c.axis + 15*float64(len(c.remarks)+len(c.notes)) + 8
}

// placeDues gathers due times that fall together and finds room for their labels.
func (c *chart) placeDues() {
	type moment struct {
		x       float64
		numbers []string
		late    bool
	}
	here := map[*job]bool{}
	for _, r := range c.rows {
		for _, b := range r.bars {
			here[b.job] = true
		}
	}
	var before, after int
	var moments []*moment
	jobs := slices.Clone(c.jobs)
	slices.SortStableFunc(jobs, func(a, b *job) int { return a.due.Compare(b.due) })
	for _, j := range jobs {
		if !here[j] || j.due.IsZero() {
			continue
		}
		at := c.span.seconds(j.due)
		switch {
		case at < 0:
			before++
			continue
		case at > c.span.length():
			after++
			continue
		}
		x := c.x(at)
		if n := len(moments); n == 0 || x-moments[n-1].x > 6 {
			moments = append(moments, &moment{x: x})
		}
		m := moments[len(moments)-1]
		number := strconv.Itoa(j.number)
		if c.late[j] > 0 {
			m.late = true
			number += "!"
		}
		m.numbers = append(m.numbers, number)
	}
	switch {
	case before > 0 && after > 0:
		c.notes = append(c.notes, fmt.Sprintf("%s due before this picture begins, %d after it ends", areOf(before), after))
	case before > 0:
		c.notes = append(c.notes, areOf(before)+" due before this picture begins")
	case after > 0:
		c.notes = append(c.notes, areOf(after)+" due after this picture ends")
	}
	var ends [dueLevels]float64
	levels := 0
	for _, m := range moments {
		shown := m.numbers
		if len(shown) > 4 {
			shown = append(slices.Clone(shown[:3]), fmt.Sprintf("+%d", len(shown)-3))
		}
		label := strings.Join(shown, ", ")
		d := due{x: m.x, late: m.late, level: -1}
		w := c.regular.width(sizeTiny, label)
		d.labelX = min(max(m.x-w/2, c.left), c.right-w)
		for level := range ends {
			if d.labelX >= ends[level] {
				d.level, d.label = level, label
				ends[level] = d.labelX + w + 4
				levels = max(levels, level+1)
				break
			}
		}
		c.dues = append(c.dues, d)
	}
	if len(moments) > 0 {
		c.dueRow = markHeight + 4 + 9.5*float64(levels)
	}
}

func areOf(n int) string {
	if n == 1 {
		return "1 job is"
	}
	return strconv.Itoa(n) + " jobs are"
}

// heading says in words what the chart shows.
func (c *chart) heading() string {
	if len(c.Runs) == 0 {
		return "no runs"
	}
	jobs, devices := map[string]bool{}, map[string]bool{}
	from, to := c.Runs[0].GetStartTime().AsTime(), c.Runs[0].GetEndTime().AsTime()
	for _, r := range c.Runs {
		jobs[r.GetJob()], devices[r.GetDevice()] = true, true
		if t := r.GetStartTime().AsTime(); t.Before(from) {
			from = t
		}
		if t := r.GetEndTime().AsTime(); t.After(to) {
			to = t
		}
	}
	words := fmt.Sprintf("%s in %s on %s, %s to %s", wording.Count(len(jobs), "job"), wording.Count(len(c.Runs), "run"),
		wording.Count(len(devices), "device"), c.span.clock(from), c.span.clock(to))
	if n := len(c.late); n > 0 {
		words += "; " + wording.Count(n, "job") + " late"
	}
	return words
}

// paint draws the chart with its heading at the given place.
func (c *chart) paint(p pen, y float64) {
	title := c.bold.fit(sizeHead, orElse(c.Title, "The floor"), pageWidth/2)
	p.text(c.bold, sizeHead, ink, margin, y+16, title)
	x := margin + c.bold.width(sizeHead, title) + 12
	p.text(c.regular, sizeText, soft, x, y+16, c.regular.fit(sizeText, c.heading(), pageWidth-margin-x))
	p.line(margin, y+22.5, pageWidth-margin, y+22.5, 0.6, 0, rule)

	top := y + headHeight + c.strips()
	bottom := top + c.body + c.axis
	grid := plotter.NewGrid()
	grid.Horizontal.Width = 0
	grid.Vertical = draw.LineStyle{Color: rule, Width: 0.6}
	plot := c.newPlot()
	plot.Add(&background{c, p, top}, grid, &foreground{c, p, top})
	plot.Draw(draw.Canvas{Canvas: p.Canvas.Canvas, Rectangle: c.rectangle(p.height-bottom, p.height-top)})
	for i, r := range c.remarks {
		p.text(c.bold, sizeText, alarm, c.left, bottom+12+15*float64(i), c.bold.fit(sizeText, r, c.right-c.left))
	}
	for i, n := range c.notes {
		p.text(c.regular, sizeSmall, soft, c.left, bottom+12+15*float64(len(c.remarks)+i), n)
	}
}

func orElse(s, otherwise string) string {
	if s == "" {
		return otherwise
	}
	return s
}
