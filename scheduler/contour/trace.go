package contour

import (
	"math"

	"tandem/scheduler/badfield"
)

// closeMM is how near the ends of an open path must be for it to be a closed contour: programs often end a path where it
// began without saying so. It is the unit of length on the wire.
const closeMM = 0.001

// stillMM is too short to be a move. Dividing by such a length, or by its square, would leave no figure at all.
const stillMM = 1e-9

// smooth marks a point inside a flattened curve, in the place of the turn at a joint.
const smooth = -1

func tooManySegments(most int) *Error {
	return badfield.New("", "more than %d segments are left for it: simplify the path or split the file", most)
}

// A tracer is the pen that maps a path to the material and flattens it there.
type tracer struct {
	to        matrix // from the units of the file to mm
	kind      Kind
	tolerance float64
	left      int // segments that may still be made
	most      int
	emit      func(Line)
	empty     func() // a contour without length

	line0   Line
	length  lengthSum
	start   Point // in the units of the file
	at      Point
	tangent Point // in which the last segment arrived, mm
	first   Point // in which the first segment left, mm
	drawing bool
}

// lengthSum adds many small lengths without losing digits (Neumaier's form of Kahan's sum).
type lengthSum struct{ sum, rest float64 }

func (l *lengthSum) add(x float64) {
	t := l.sum + x
	if l.sum >= x {
		l.rest += l.sum - t + x
	} else {
		l.rest += x - t + l.sum
	}
	l.sum = t
}

func (l *lengthSum) total() float64 { return l.sum + l.rest }

func placed(p Point) bool { return math.Abs(p.X) <= maxPositionMM && math.Abs(p.Y) <= maxPositionMM } // false for NaN

func misplaced() *Error {
	return badfield.New("", "it reaches more than %g m from the origin of the file: check width, height, viewBox and transform",
		maxPositionMM/1000)
}

func (t *tracer) move(to Point) *Error {
	t.finish(false)
	t.start, t.at = to, to
	if !placed(t.to.point(to)) {
		return misplaced()
	}
	return nil
}

func (t *tracer) begin() {
	if !t.drawing {
		t.drawing = true
		p := t.to.point(t.at)
		t.line0 = Line{Kind: t.kind, Points: []Point{p}, turns: []float32{0}, Box: Box{p, p}}
		t.length = lengthSum{}
	}
}

func (t *tracer) line(to Point) *Error {
	t.begin()
	t.at = to
	return t.straight(t.to.point(to))
}

// straight goes on to a point, in mm.
func (t *tracer) straight(end Point) *Error {
	last := t.line0.Points[len(t.line0.Points)-1]
	if end.distance(last) < stillMM {
		return nil
	}
	t.joint(end.sub(last))
	t.tangent = end.sub(last)
	t.length.add(last.distance(end))
	return t.append(end, 0)
}

func (t *tracer) curve(c curve, to Point) *Error {
	t.begin()
	t.at = to
	c = c.mapped(t.to)
	bend := c.bend()
	if !placed(c.at(0)) || !placed(c.at(1)) || math.IsNaN(bend) || bend > 1e3*maxPositionMM {
		return misplaced()
	}
	n := c.steps(t.tolerance)
	if n > float64(t.left) {
		return tooManySegments(t.most)
	}
	first, last := c.tangents()
	if first == (Point{}) || last == (Point{}) {
		return t.line(to)
	}
	if folds, flat := c.folds(); flat {
		for _, p := range folds {
			if err := t.straight(p); err != nil {
				return err
			}
		}
		return t.line(to)
	}
	t.joint(first)
	t.tangent = last
	t.length.add(c.length())
	for i := 1; i < int(n); i++ {
		if err := t.append(c.at(float64(i)/n), smooth); err != nil {
			return err
		}
	}
	return t.append(t.to.point(to), 0)
}

// joint sets how far the path turns where the next segment leaves, by the true tangents rather than by the chords.
func (t *tracer) joint(leaving Point) {
	if len(t.line0.Points) == 1 {
		t.first = leaving
		return
	}
	t.line0.turns[len(t.line0.turns)-1] = float32(turn(t.tangent, leaving))
}

func turn(from, to Point) float64 { return math.Abs(math.Atan2(from.cross(to), from.dot(to))) }

func (t *tracer) append(p Point, turn float32) *Error {
	if !placed(p) {
		return misplaced()
	}
	line := &t.line0
	if p.distance(line.Points[len(line.Points)-1]) < stillMM {
		if turn != smooth {
			line.turns[len(line.turns)-1] = turn
		}
		return nil
	}
	if t.left--; t.left < 0 {
		return tooManySegments(t.most)
	}
	line.Points = append(line.Points, p)
	line.turns = append(line.turns, turn)
	line.Box = line.Box.with(p)
	return nil
}

func (t *tracer) close() *Error {
	if t.drawing && t.at != t.start {
		if err := t.line(t.start); err != nil {
			return err
		}
	}
	t.finish(true)
	t.at = t.start
	return nil
}

// finish ends the contour that is being drawn, if any.
func (t *tracer) finish(closed bool) {
	if !t.drawing {
		return
	}
	t.drawing = false
	line := t.line0
	t.line0 = Line{}
	n := len(line.Points) - 1
	if n == 0 {
		t.empty()
		return
	}
	line.LengthMM = t.length.total()
	line.Closed = n >= 2 && (closed || line.Points[0].distance(line.Points[n]) <= closeMM)
	if line.Closed {
		start, last := line.Points[0], line.Points[n].distance(line.Points[n-1])
		if n > 2 && start.distance(line.Points[n-1]) < stillMM { // it ended there before the last hair's breadth
			line.Points, line.turns = line.Points[:n], line.turns[:n]
			n--
			line.LengthMM -= last
		} else {
			line.LengthMM += start.distance(line.Points[n-1]) - last
		}
		line.Points[n] = start
		line.turns[0] = float32(turn(t.tangent, t.first))
	}
	line.turns[n] = line.turns[0]
	t.emit(line)
}
