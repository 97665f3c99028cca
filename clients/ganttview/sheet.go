package ganttview

import (
	"fmt"
	"math"
	"slices"
	"strconv"

	"gonum.org/v1/plot/vg/draw"

	"tandem/clients/celltext"
	"tandem/clients/wording"
)

// sheet is a picture with everything in its place.
type sheet struct {
	title         string
	span          span
	byID          map[string]*job
	jobs          []*job // by number
	charts        []*chart
	gutter        float64 // room for the names of devices
	height        float64
	list          jobList
	remark        string
	dense         bool // so many rows that they are drawn lower
	regular, bold *typeface
}

// isDense tells whether the rows would be too high for a page otherwise.
func (s *sheet) isDense(p Picture) bool {
	const comfortable = 900
	height := 0.0
	for _, c := range p.Charts {
		rows, _ := rowsOf(c, s.span, s.byID, nil, maxBars)
		height += s.heightOf(rows)
	}
	return height > comfortable
}

// titleHeight is that of the title and the line below it.
const titleHeight = 46

func newSheet(p Picture) (*sheet, error) {
	if err := check(p); err != nil {
		return nil, err
	}
	s := &sheet{title: celltext.Short(orElse(p.Title, "What runs when"), longest)}
	if n := len(p.Charts) - maxCharts; n > 0 {
		p.Charts = p.Charts[:maxCharts]
		s.remark = "and " + wording.Count(n, "more chart") + " that a picture has no room for"
	}
	var err error
	if s.regular, s.bold, err = newTypefaces(); err != nil {
		return nil, err
	}
	s.span = spanOf(p)
	s.byID, s.jobs = jobsOf(p)
	s.dense = s.isDense(p)
	names := 0.0
	for _, c := range p.Charts {
		chart := s.newChart(c, maxHeight/float64(len(p.Charts)), maxBars/len(p.Charts))
		s.charts = append(s.charts, chart)
		for _, r := range chart.rows {
			names = max(names, s.regular.width(sizeText, s.regular.fit(sizeText, r.device, 150)))
		}
	}
	s.gutter = math.Ceil(max(names, 34) + 10)
	s.height = titleHeight
	for _, c := range s.charts {
		c.place()
		s.height += c.heightOnPage()
	}
	s.list = s.newJobList()
	s.height = math.Ceil(s.height + s.list.height + keyHeight)
	if s.remark != "" {
		s.height += 18
	}
	return s, nil
}

// paint draws the picture.
func (s *sheet) paint(c draw.Canvas) {
	p := pen{c, s.height}
	p.text(s.bold, sizeTitle, ink, margin, 24, s.bold.fit(sizeTitle, s.title, pageWidth-2*margin))
	p.text(s.regular, sizeText, soft, margin, 40, s.regular.fit(sizeText, "Times in "+celltext.Short(s.span.zoneName(), 60)+". The number on a bar is that of its job, in the list at the bottom; bars too short for it have none.", pageWidth-2*margin))
	y := float64(titleHeight)
	for _, chart := range s.charts {
		chart.paint(p, y)
		y += chart.heightOnPage()
	}
	if s.remark != "" {
		p.text(s.bold, sizeText, alarm, margin, y+12, s.remark)
		y += 18
	}
	s.key(p, y)
	s.list.paint(p, y+keyHeight)
}

const keyHeight = 30

// key explains the marks.
func (s *sheet) key(p pen, y float64) {
	p.line(margin, y+2.5, pageWidth-margin, y+2.5, 0.6, 0, rule)
	x := float64(margin)
	put := func(text string, draw func(r rect)) {
		draw(rect{x, y + 10, 26, 14})
		p.text(s.regular, sizeSmall, soft, x+31, y+20.5, text)
		x += 31 + s.regular.width(sizeSmall, text) + 16
	}
	f := &foreground{chart: s.charts[0], pen: p}
	put("C: changeover", func(r rect) {
		p.box(r, changes)
		p.hatch(r, soft)
		p.frame(r, 0.6, soft)
		f.letter(r)
	})
	put("runs already", func(r rect) {
		p.box(r, tones[0])
		p.frame(r, 1.6, ink)
		p.box(rect{r.x, r.bottom() - 3, r.w, 3}, ink)
	})
	put("the job ends late", func(r rect) {
		p.box(r, tones[0])
		p.frame(r, 0.6, soft)
		p.box(rect{r.right() - 8, r.y, 8, r.h}, alarm)
		p.text(s.bold, sizeText, paper, r.right()-5.8, r.y+r.h/2+4, "!")
	})
	put("due, job kept", func(r rect) {
		f.triangle(r.x+13, r.y+2, r.y+10, 4.5, ink)
		f.triangle(r.x+13, r.y+3.2, r.y+7.4, 2.7, paper)
	})
	put("due, job late", func(r rect) {
		f.triangle(r.x+13, r.y+2, r.y+10, 4.5, alarm)
		p.line(r.x+13, r.y+10, r.x+13, r.bottom()+2, 0.6, 2, alarm)
	})
	var attended, now bool
	for _, c := range s.charts {
		attended, now = attended || c.peopleRow > 0, now || c.nowRow > 0
	}
	if attended {
		put("people are there", func(r rect) {
			p.box(r, manned)
			p.box(rect{r.x, r.y, r.w, 4}, people)
			p.frame(r, 0.4, rule)
		})
		put("nobody is there", func(r rect) {
			p.box(r, empty)
			p.frame(r, 0.4, rule)
		})
	}
	if now {
		put("now", func(r rect) { p.line(r.x+13, r.y-1, r.x+13, r.bottom()+1, 1.4, 0, ink) })
	}
}

// jobList is the list of the jobs below the charts.
type jobList struct {
	*sheet
	jobs    []*job
	columns int
	rows    int
	height  float64
	remark  string
}

const listStep = 13.5

func (s *sheet) newJobList() jobList {
	l := jobList{sheet: s}
	drawn := 0
	for _, j := range s.jobs {
		if !j.drawn {
			continue
		}
		if drawn++; drawn <= maxListed {
			l.jobs = append(l.jobs, j)
		}
	}
	for i, most := range []int{45, 100, maxListed} {
		if len(l.jobs) <= most {
			l.columns = 3 + i
			break
		}
	}
	l.rows = (len(l.jobs) + l.columns - 1) / l.columns
	l.height = listStep*float64(l.rows) + margin
	if n := drawn - len(l.jobs); n > 0 {
		l.remark = "and " + wording.Count(n, "more job") + " that a picture has no room to list"
		l.height += 18
	}
	return l
}

func (l *jobList) paint(p pen, y float64) {
	width := float64(pageWidth-2*margin) / float64(l.columns)
	for i, j := range l.jobs {
		x, y := margin+float64(i/l.rows)*width, y+listStep*float64(i%l.rows)
		number := strconv.Itoa(j.number)
		p.text(l.bold, sizeSmall, ink, x+24-l.bold.width(sizeSmall, number)/widerFonts, y+9, number)
		swatch := rect{x + 28, y + 1, 14, 10}
		p.box(swatch, j.tone())
		p.frame(swatch, 0.6, soft)
		colour := soft
		if l.late(j) {
			colour = alarm
		}
		x += 47
		room := width - 60
		name := l.regular.fit(sizeSmall, j.name, room)
		for i, facts := range l.facts(j) {
			w := l.regular.width(sizeSmall, facts) + 7
			fitted := l.regular.fit(sizeSmall, j.name, room-w)
			// That a job is late says more than the end of its name, and when it is due says less.
			if fitted != name && (i == 0 || !l.late(j)) {
				continue
			}
			name = fitted
			p.text(l.regular, sizeSmall, colour, x+l.regular.width(sizeSmall, name)+7, y+9, facts)
			break
		}
		p.text(l.regular, sizeSmall, ink, x, y+9, name)
	}
	if l.remark != "" {
		p.text(l.bold, sizeText, alarm, margin, y+listStep*float64(l.rows)+12, l.remark)
	}
}

// late reports whether a job ends late in one of the charts.
func (l *jobList) late(j *job) bool {
	return slices.ContainsFunc(l.charts, func(c *chart) bool { return c.late[j] > 0 })
}

// facts of a job, at length and in short: when it is due and, if there is one chart, when it ends.
func (l *jobList) facts(j *job) [2]string {
	due, ends := "due "+l.span.clock(j.due), "ends "+l.span.clock(j.end)
	if len(l.charts) > 1 {
		n := 0
		for _, c := range l.charts {
			if c.late[j] > 0 {
				n++
			}
		}
		switch {
		case j.due.IsZero():
			return [2]string{}
		case n > 0:
			return [2]string{fmt.Sprintf("%s, late in %d of %d", due, n, len(l.charts)), fmt.Sprintf("late in %d of %d", n, len(l.charts))}
		}
		return [2]string{due, due}
	}
	if d := l.charts[0].late[j]; d > 0 {
		late := "late by " + wording.Span(d)
		return [2]string{late + ", " + ends, late}
	}
	if j.due.IsZero() {
		return [2]string{ends, ends}
	}
	return [2]string{ends + ", " + due, due}
}
