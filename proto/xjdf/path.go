package xjdf

import (
	"fmt"
	"math"
	"strings"

	"tandem/proto/yamlfile"
)

// figure is what a knife has to do along a contour, in points.
type figure struct {
	lines, corners int
	length, travel float64
	low, high      point
	end            point // of the last line
	segments       int
}

// join adds a figure that is cut afterwards.
func (f *figure) join(g figure, start point) {
	if f.lines == 0 {
		f.low, f.high = g.low, g.high
	} else if g.lines > 0 {
		f.low = point{min(f.low.x, g.low.x), min(f.low.y, g.low.y)}
		f.high = point{max(f.high.x, g.high.x), max(f.high.y, g.high.y)}
		f.travel += f.end.distance(start)
	}
	f.lines += g.lines
	f.corners += g.corners
	f.length += g.length
	f.travel += g.travel
	f.segments += g.segments
	if g.lines > 0 {
		f.end = g.end
	}
}

// cornerAngle is the turn from which a knife is taken to stop or slow down, as the daemon counts in cut files.
const cornerAngle = 30 * math.Pi / 180

// onePlace is the distance below which a line is closed.
const onePlace = 0.001 / 25.4 * 72 // 1 micrometre

// tracer follows a path of PDF operators (ISO 32000-1 section 8.5.2).
type tracer struct {
	figure
	begun      bool  // there is a current point
	start, now point // of the line being drawn
	first      point // where the first line began
	drawn      int   // segments of the line
	length     float64
	corners    int
	out, in    point // direction in which the line begins, and in which it has come to now
	low, high  point // of the line
}

// operands is how many numbers stand before each operator.
var operands = map[string]int{"m": 2, "l": 2, "c": 6, "v": 4, "y": 4, "h": 0, "re": 4}

// traced is a path that was measured.
type traced struct {
	figure
	start point  // where its first line begins
	wrong string // what is wrong with it; empty if it is good
}

func refused(format string, args ...any) traced { return traced{wrong: fmt.Sprintf(format, args...)} }

// tracePath measures a path.
func tracePath(path string, mostSegments int) traced {
	t := &tracer{}
	var stack []float64
	place := 0
	for field := range strings.FieldsSeq(path) {
		place++
		want, isOperator := operands[field]
		if !isOperator {
			v, wrong := number(field, pdfNumber)
			switch {
			case wrong != "" && !strings.ContainsAny(field, "0123456789"):
				return refused("%s at place %d is not one of the operators m, l, c, v, y, h, re", yamlfile.Quote(field), place)
			case wrong != "":
				return refused("at place %d: %s", place, wrong)
			case len(stack) == 6:
				return refused("at place %d: more than 6 numbers without an operator", place)
			}
			stack = append(stack, v)
			continue
		}
		if len(stack) != want {
			return refused("%s at place %d has %s, not %d", field, place, count(len(stack), "number"), want)
		}
		if field != "m" && field != "re" && !t.begun {
			return refused("%s at place %d has no current point: begin with m", field, place)
		}
		t.do(field, stack)
		stack = stack[:0]
		if t.segments > mostSegments {
			return refused("all paths together have more than %d segments: simplify the contour", maxSegments)
		}
	}
	if len(stack) > 0 {
		return refused("ends in the middle: numbers without an operator")
	}
	t.finish(false)
	return traced{figure: t.figure, start: t.first}
}

func (t *tracer) do(operator string, v []float64) {
	at := func(i int) point { return point{v[i], v[i+1]} }
	switch operator {
	case "m":
		t.finish(false)
		t.begin(at(0))
	case "l":
		t.line(at(0))
	case "c":
		t.curve(cubic{t.now, at(0), at(2), at(4)})
	case "v":
		t.curve(cubic{t.now, t.now, at(0), at(2)})
	case "y":
		t.curve(cubic{t.now, at(0), at(2), at(2)})
	case "h":
		t.finish(true)
		t.begin(t.start)
	case "re":
		t.finish(false)
		p, w, h := at(0), v[2], v[3]
		t.begin(p)
		t.line(point{p.x + w, p.y})
		t.line(point{p.x + w, p.y + h})
		t.line(point{p.x, p.y + h})
		t.finish(true)
		t.begin(p)
	}
}

func (t *tracer) begin(p point) {
	t.begun, t.start, t.now = true, p, p
	t.drawn, t.length, t.corners = 0, 0, 0
	t.low, t.high = p, p
}

func (t *tracer) line(to point) {
	if to == t.now {
		return
	}
	d := to.minus(t.now)
	t.segment(d, d, d.length(), to, to, to)
}

func (t *tracer) curve(c cubic) {
	d := c.direction()
	if d == (point{}) {
		return
	}
	back := c.reversed().direction()
	low, high := c.box()
	t.segment(d, point{-back.x, -back.y}, c.length(), low, high, c[3])
}

func (t *tracer) segment(out, in point, length float64, low, high, to point) {
	if t.drawn == 0 {
		t.out = out
	} else if turn(t.in, out) > cornerAngle {
		t.corners++
	}
	t.drawn++
	t.segments++
	t.length += length
	t.in, t.now = in, to
	t.low = point{min(t.low.x, low.x), min(t.low.y, low.y)}
	t.high = point{max(t.high.x, high.x), max(t.high.y, high.y)}
}

// finish ends a line. An operator that closes it draws the way back; a line that ends where it began is closed as well.
func (t *tracer) finish(closing bool) {
	if !t.begun || t.drawn == 0 {
		return
	}
	if closing {
		t.line(t.start)
	}
	if (closing || t.now.distance(t.start) <= onePlace) && turn(t.in, t.out) > cornerAngle {
		t.corners++
	}
	if t.lines == 0 {
		t.first = t.start
	}
	one := figure{lines: 1, corners: t.corners, length: t.length, low: t.low, high: t.high, end: t.now}
	t.join(one, t.start)
	t.drawn = 0
}

// turn is the angle between two directions, 0 to pi.
func turn(a, b point) float64 {
	return math.Abs(math.Atan2(a.x*b.y-a.y*b.x, a.x*b.x+a.y*b.y))
}
