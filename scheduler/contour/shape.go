package contour

import (
	"math"
	"strings"

	"tandem/scheduler/badfield"
)

// The basic shapes of SVG 1.1 chapter 9 and SVG 2 chapter 10, drawn as their equivalent paths.

func drawPolygon(points string, closed bool, p pen, dry bool) *Error {
	n := numbers{s: points, dry: dry}
	n.space()
	for first := true; !n.done(); first = false {
		x, err := n.next()
		if err != nil {
			return err
		}
		if n.done() {
			return badfield.New("", "the last point has one number: give pairs of x and y")
		}
		y, err := n.next()
		if err != nil {
			return err
		}
		if first {
			err = p.move(Point{x, y})
		} else {
			err = p.line(Point{x, y})
		}
		if err != nil {
			return err
		}
	}
	if n.comma {
		return badfield.New("", "the list ends with a comma")
	}
	if closed {
		return p.close()
	}
	return nil
}

func drawRect(x, y, w, h, rx, ry float64, p pen) *Error {
	rx, ry = min(rx, w/2), min(ry, h/2)
	corner := func(cx, cy, quarter float64) *Error {
		if rx == 0 || ry == 0 {
			return nil
		}
		c := curve{shape: arc, p: Point{cx, cy}, q: Point{X: rx}, r: Point{Y: ry}, from: quarter * math.Pi / 2, sweep: math.Pi / 2}
		return p.curve(c, c.at(1))
	}
	if rx == 0 || ry == 0 {
		rx, ry = 0, 0
	}
	for _, step := range []func() *Error{
		func() *Error { return p.move(Point{x + rx, y}) },
		func() *Error { return p.line(Point{x + w - rx, y}) },
		func() *Error { return corner(x+w-rx, y+ry, 3) },
		func() *Error { return p.line(Point{x + w, y + h - ry}) },
		func() *Error { return corner(x+w-rx, y+h-ry, 0) },
		func() *Error { return p.line(Point{x + rx, y + h}) },
		func() *Error { return corner(x+rx, y+h-ry, 1) },
		func() *Error { return p.line(Point{x, y + ry}) },
		func() *Error { return corner(x+rx, y+ry, 2) },
		p.close,
	} {
		if err := step(); err != nil {
			return err
		}
	}
	return nil
}

func drawEllipse(cx, cy, rx, ry float64, p pen) *Error {
	start := Point{cx + rx, cy}
	if err := p.move(start); err != nil {
		return err
	}
	ring := curve{shape: arc, p: Point{cx, cy}, q: Point{X: rx}, r: Point{Y: ry}, sweep: 2 * math.Pi}
	if err := p.curve(ring, start); err != nil {
		return err
	}
	return p.close()
}

// axis is what a percentage counts from.
type axis uint8

const (
	across axis = iota // the width of the viewport
	down               // its height
	either             // its diagonal over the square root of two
)

// measure reads a length attribute in user units; missing tells whether it is absent or auto.
func (e *element) measure(name string, of axis) (value float64, missing bool, err error) {
	text, ok := e.attr[name]
	if !ok || strings.TrimSpace(text) == "auto" {
		return 0, true, nil
	}
	m, err := parseMeasure(e.field(name), text)
	if err != nil || !m.percent {
		return m.value, false, err
	}
	w, h := e.viewport.X, e.viewport.Y
	if w == 0 || h == 0 {
		return 0, false, badfield.New(e.field(name), "%s of a page without a size: give the root width and height, or a length in mm", shorten(text))
	}
	whole := [...]float64{w, h, math.Hypot(w, h) / math.Sqrt2}[of]
	return m.value / 100 * whole, false, nil
}

// drawShape draws the basic shape e.
func drawShape(e *element, p pen) error {
	var err error
	read := func(name string, of axis) float64 {
		x, _, bad := e.measure(name, of)
		if bad != nil && err == nil {
			err = bad
		}
		return x
	}
	size := func(name string, of axis) float64 {
		x := read(name, of)
		if x < 0 && err == nil {
			err = badfield.New(e.field(name), "it is negative: use 0 or more")
		}
		return x
	}
	// A radius that is not given is the other one.
	pair := func() (rx, ry float64) {
		_, noX, _ := e.measure("rx", across)
		_, noY, _ := e.measure("ry", down)
		rx, ry = size("rx", across), size("ry", down)
		if noX {
			rx = ry
		}
		if noY {
			ry = rx
		}
		return rx, ry
	}
	var bad *Error
	switch e.name {
	case "rect":
		x, y, w, h := read("x", across), read("y", down), size("width", across), size("height", down)
		rx, ry := pair()
		if err == nil && w > 0 && h > 0 {
			bad = drawRect(x, y, w, h, rx, ry, p)
		}
	case "circle":
		x, y, r := read("cx", across), read("cy", down), size("r", either)
		if err == nil && r > 0 {
			bad = drawEllipse(x, y, r, r, p)
		}
	case "ellipse":
		x, y := read("cx", across), read("cy", down)
		rx, ry := pair()
		if err == nil && rx > 0 && ry > 0 {
			bad = drawEllipse(x, y, rx, ry, p)
		}
	case "line":
		from := Point{read("x1", across), read("y1", down)}
		to := Point{read("x2", across), read("y2", down)}
		if err == nil {
			if bad = p.move(from); bad == nil {
				bad = p.line(to)
			}
		}
	}
	if err == nil && bad != nil {
		return badfield.New(e.path, "%s", bad.Message)
	}
	return err
}
