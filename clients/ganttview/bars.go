package ganttview

import (
	"cmp"
	"image/color"
	"slices"
	"strconv"

	"gonum.org/v1/plot"
	"gonum.org/v1/plot/vg/draw"

	"tandem/clients/celltext"
	"tandem/clients/wording"
)

// background is what lies under the grid: times with people, and the rows.
type background struct {
	*chart
	pen
	top float64
}

// Plot implements plot.Plotter.
func (b *background) Plot(draw.Canvas, *plot.Plot) {
	top := b.top - b.dueRow
	whole := rect{b.left, top, b.right - b.left, b.dueRow + b.body}
	strip, done := b.top-b.strips(), b.left
	for _, a := range b.attended() {
		from, to := b.clip(a.from), b.clip(a.to)
		if to <= from {
			continue
		}
		if from > done {
			b.box(rect{done, top, from - done, whole.h}, empty)
		}
		done = to
		b.box(rect{from, top, to - from, whole.h}, manned)
		box := rect{from, strip, to - from, stripHeight - 2}
		b.box(box, people)
		for _, text := range []string{wording.Count(a.operators, "operator"), strconv.Itoa(a.operators) + " op.", strconv.Itoa(a.operators)} {
			if b.regular.width(sizeTiny, text)+4 <= box.w {
				b.text(b.regular, sizeTiny, ink, box.x+(box.w-b.regular.width(sizeTiny, text))/2, box.y+8.5, text)
				break
			}
		}
	}
	if len(b.Attended) > 0 {
		if end := b.clip(b.known()); end > done {
			b.box(rect{done, top, end - done, whole.h}, empty)
		}
		b.nameStrip("people", strip+8.5)
	}
	if b.dueRow > 0 {
		b.nameStrip("due", top+8)
	}
	for i, r := range b.rows {
		y := b.top + r.y
		if i > 0 || b.dueRow > 0 {
			b.line(margin, y, b.right, y, 0.4, 0, rule)
		}
		lane := b.laneHeight(max(r.lanes, 1))
		name := b.regular.fit(sizeText, r.device, b.gutter-8)
		b.text(b.regular, sizeText, ink, b.left-5-b.regular.width(sizeText, name), y+b.rowGap()/2+lane/2+4, name)
	}
	b.line(b.left, top, b.left, b.top+b.body, 0.6, 0, soft)
}

// known is until when something is known of the floor: after its last run it may well be that people are there.
func (c *chart) known() float64 {
	last := 0.0
	for _, r := range c.Runs {
		last = max(last, c.span.seconds(r.GetEndTime().AsTime()))
	}
	return last
}

func (b *background) nameStrip(name string, y float64) {
	b.text(b.regular, sizeSmall, soft, b.left-5-b.regular.width(sizeSmall, name), y, name)
}

// clip returns where a moment lies on the page, at most at the ends of the axis.
func (c *chart) clip(seconds float64) float64 {
	return c.x(min(max(seconds, 0), c.span.length()))
}

// presence is a stretch of time with as many people.
type presence struct {
	from, to  float64
	operators int
}

// attended returns the times with people in order; those that overlap add up.
func (c *chart) attended() []presence {
	type change struct {
		at float64
		by int
	}
	var changes []change
	for _, a := range c.Attended {
		from, to := c.span.seconds(a.GetStartTime().AsTime()), c.span.seconds(a.GetEndTime().AsTime())
		if n := int(a.GetOperators()); n > 0 && to > from {
			changes = append(changes, change{from, n}, change{to, -n})
		}
	}
	slices.SortFunc(changes, func(a, b change) int { return cmp.Or(cmp.Compare(a.at, b.at), cmp.Compare(a.by, b.by)) })
	var out []presence
	n := 0
	for i, ch := range changes {
		if n > 0 && ch.at > changes[i-1].at {
			if k := len(out); k > 0 && out[k-1].to == changes[i-1].at && out[k-1].operators == n {
				out[k-1].to = ch.at
			} else {
				out = append(out, presence{changes[i-1].at, ch.at, n})
			}
		}
		n += ch.by
	}
	return out
}

// foreground is what lies on the grid.
type foreground struct {
	*chart
	pen
	top float64
}

// Plot implements plot.Plotter.
func (f *foreground) Plot(draw.Canvas, *plot.Plot) {
	for _, d := range f.dues {
		f.due(d)
	}
	for _, r := range f.rows {
		next := make([]float64, r.lanes) // where the bar to the right begins
		for i := range next {
			next[i] = f.right
		}
		for _, b := range slices.Backward(r.bars) {
			if b.to >= 0 {
				f.bar(r, b, next[b.lane])
			}
			next[b.lane] = f.clip(b.from)
		}
	}
	if f.nowRow > 0 {
		f.now()
	}
}

// thinnest a bar is drawn, if the next one leaves the room.
const thinnest = 0.8

func (f *foreground) bar(r *row, b *bar, next float64) {
	h := f.laneHeight(r.lanes)
	from, ready, to := f.clip(b.from), f.clip(b.ready), f.clip(b.to)
	to = max(to, min(from+thinnest, next))
	ready = min(ready, to)
	y := f.top + r.y + f.rowGap()/2 + float64(b.lane)*(h+laneGap)
	whole, work := rect{from, y, to - from, h}, rect{ready, y, to - ready, h}
	if change := (rect{from, y, ready - from, h}); change.w > 0 {
		f.box(change, changes)
		f.hatch(change, soft)
		f.letter(change)
	}
	if work.w > 0 {
		f.box(work, b.job.tone())
	}
	switch {
	case b.run.GetFixed():
		f.frame(whole, 1.6, ink)
		f.box(rect{work.x, work.bottom() - 3, work.w, 3}, ink)
	default:
		f.frame(whole, 0.6, soft) // all of a bar that is too thin for a tone
	}
	room := work
	if b.late > 0 {
		room = f.lateness(whole, room, next, b)
	}
	f.label(f.besideNow(room), b)
}

// besideNow returns the larger part of a bar that the line of now cuts, so that it does not run through a label.
func (f *foreground) besideNow(r rect) rect {
	if x := f.x(f.span.seconds(f.Now)); f.nowRow > 0 && x > r.x && x < r.right() {
		if r.right()-x > x-r.x {
			return rect{x, r.y, r.right() - x, r.h}
		}
		r.w = x - r.x
	}
	return r
}

// letter marks a changeover, in words where there is room.
func (f *foreground) letter(r rect) {
	for _, text := range []string{"changeover", "C"} {
		w := f.bold.width(sizeTiny, text)
		if w+5 > r.w {
			continue
		}
		plate := rect{r.x + (r.w-w)/2 - 1.5, r.y + r.h/2 - 4.5, w + 3, 9}
		f.box(plate, changes)
		f.text(f.bold, sizeTiny, ink, plate.x+1.5, r.y+r.h/2+3, text)
		return
	}
}

// lateness puts a mark at the end of a job that ends late, behind it if the bar is too short, and returns the room left.
func (f *foreground) lateness(whole, room rect, next float64, b *bar) rect {
	const w = 8
	plate := rect{whole.right() - w, whole.y, w, whole.h}
	switch {
	case room.w >= w+1:
		room.w -= w
	case next-whole.right() >= w:
		plate.x = whole.right()
	default:
		return room
	}
	f.box(plate, alarm)
	f.text(f.bold, sizeText, paper, plate.x+2.2, plate.y+plate.h/2+4, "!")
	if text := "late by " + wording.Span(b.late); next-plate.right() >= f.regular.width(sizeSmall, text)+8 {
		f.text(f.regular, sizeSmall, alarm, plate.right()+3, plate.y+plate.h/2+3.4, text)
	}
	return room
}

// label writes on a bar as much as there is room for: the number, the job and its step.
func (f *foreground) label(r rect, b *bar) {
	size := sizeSmall
	if r.h < 12 {
		size = sizeTiny
	}
	number := strconv.Itoa(b.job.number)
	const most = 70 // cells of a name
	job := celltext.Short(b.run.GetJob(), most)
	for _, text := range []string{number + " " + job + " " + celltext.Short(b.run.GetStep(), most), number + " " + job, number} {
		// A pixel decides about most names: not worth a measurement.
		if 0.3*size*float64(len(text)) > 4*r.w {
			continue
		}
		if w := f.regular.width(size, text); w+4 <= r.w {
			f.text(f.regular, size, ink, r.x+3, r.y+r.h/2+0.36*size, text)
			return
		}
	}
	if w := f.regular.width(sizeTiny, number); w+1 <= r.w {
		f.text(f.regular, sizeTiny, ink, r.x+(r.w-w/widerFonts)/2, r.y+r.h/2+0.36*sizeTiny, number)
	}
}

// due draws a mark at a due time: hollow, or filled with its jobs marked if one of them ends late.
func (f *foreground) due(d due) {
	y := f.top - f.dueRow + 2
	bottom := y + markHeight - 1
	if d.late {
		f.triangle(d.x, y, bottom, 4.5, alarm)
		f.line(d.x, f.top, d.x, f.top+f.body, 0.6, 2, alarm)
	} else {
		f.triangle(d.x, y, bottom, 4.5, ink)
		f.triangle(d.x, y+1.2, bottom-2.6, 2.7, paper)
	}
	if d.level < 0 {
		return
	}
	colour, face := ink, f.regular
	if d.late {
		colour = alarm
	}
	f.text(face, sizeTiny, colour, d.labelX, bottom+8+9.5*float64(d.level), d.label)
}

func (f *foreground) triangle(x, top, bottom, half float64, fill color.Color) {
	f.polygon(fill, x-half, top, x+half, top, x, bottom)
}

// now draws the line between what was and what comes.
func (f *foreground) now() {
	x := f.x(f.span.seconds(f.Now))
	top := f.top - f.dueRow
	f.line(x, top-2, x, f.top+f.body, 1.4, 0, ink)
	text := "now " + f.Now.In(f.span.zone).Format("15:04")
	w := f.bold.width(sizeTiny, text)
	f.text(f.bold, sizeTiny, ink, min(max(x-w/2, f.left), f.right-w), top-4, text)
}
