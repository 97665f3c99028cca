package contour

import "tandem/scheduler/badfield"

// A pen takes the pieces of a path in the units of the file.
type pen interface {
	move(to Point) *Error
	line(to Point) *Error
	curve(c curve, to Point) *Error
	close() *Error
}

// draw reads path data (SVG 1.1 section 8.3, SVG 2 section 9.3). A file that breaks the grammar is refused whole: a screen
// may show the part before the fault, a knife had better not cut it.
func draw(data string, p pen, dry bool) *Error {
	r := pathReader{numbers: numbers{s: data, dry: dry}, pen: p}
	r.space()
	if data[r.i:] == "none" {
		return nil
	}
	for !r.done() {
		at := r.i
		command := r.s[r.i]
		if at == 0 || r.last == 0 {
			if command != 'M' && command != 'm' {
				return badfield.New("", "a path begins with M or m, not %q", shorten(r.s[at:]))
			}
		}
		r.i++
		r.comma = false
		if err := r.command(command); err != nil {
			return err
		}
		if r.comma {
			return badfield.New("", "a number is expected after the comma before byte %d", r.i)
		}
	}
	return nil
}

type pathReader struct {
	numbers
	pen     pen
	last    byte  // the command before in upper case, 0 at first
	at      Point // current point
	start   Point // of the subpath
	control Point // the last control point, for S and T
}

// command reads the arguments of one command, which may repeat them.
func (r *pathReader) command(letter byte) *Error {
	upper := letter &^ 0x20
	relative := letter != upper
	switch upper {
	case 'M', 'L', 'H', 'V', 'C', 'S', 'Q', 'T', 'A', 'Z':
	default:
		return badfield.New("", "%q at byte %d is no path command: use M L H V C S Q T A Z", shorten(r.s[r.i-1:r.i]), r.i-1)
	}
	r.space()
	if upper == 'Z' {
		r.at, r.last = r.start, 'Z'
		return r.pen.close()
	}
	for {
		var base Point
		if relative {
			base = r.at
		}
		if err := r.piece(upper, base, relative); err != nil {
			return err
		}
		if r.last = upper; upper == 'M' { // further pairs are lines
			upper = 'L'
		}
		if !r.more() {
			return nil
		}
	}
}

func (r *pathReader) piece(upper byte, base Point, relative bool) *Error {
	var to Point
	switch upper {
	case 'M', 'L':
		if err := r.points(base, &to); err != nil {
			return err
		}
		r.at = to
		if upper == 'M' {
			r.start = to
			return r.pen.move(to)
		}
		return r.pen.line(to)
	case 'H', 'V':
		x, err := r.next()
		if err != nil {
			return err
		}
		to = r.at
		if upper == 'H' {
			to.X = x + base.X
		} else {
			to.Y = x + base.Y
		}
		r.at = to
		return r.pen.line(to)
	case 'A':
		return r.arc(base)
	}
	// The control point of S and T mirrors the one before, if the command before was of the same sort.
	first := r.at
	if (upper == 'S' && (r.last == 'C' || r.last == 'S')) || (upper == 'T' && (r.last == 'Q' || r.last == 'T')) {
		first = r.at.times(2).sub(r.control)
	}
	var err *Error
	c := curve{shape: quadratic, p: r.at}
	switch upper {
	case 'C':
		c.shape = cubic
		err = r.points(base, &c.q, &c.r, &c.s)
		r.control, to = c.r, c.s
	case 'S':
		c.shape, c.q = cubic, first
		err = r.points(base, &c.r, &c.s)
		r.control, to = c.r, c.s
	case 'Q':
		err = r.points(base, &c.q, &c.r)
		r.control, to = c.q, c.r
	case 'T':
		c.q = first
		err = r.points(base, &c.r)
		r.control, to = c.q, c.r
	}
	if err != nil {
		return err
	}
	r.at = to
	return r.pen.curve(c, to)
}

func (r *pathReader) arc(base Point) *Error {
	var v [3]float64
	for i := range v {
		x, err := r.next()
		if err != nil {
			return err
		}
		v[i] = x
	}
	large, err := r.flag()
	if err != nil {
		return err
	}
	sweep, err := r.flag()
	if err != nil {
		return err
	}
	var to Point
	if err := r.points(base, &to); err != nil {
		return err
	}
	from := r.at
	r.at = to
	if r.dry || from == to { // the spec: an arc to its own start is left out
		return r.pen.line(to)
	}
	c, ok := arcBetween(from, to, v[0], v[1], v[2], large, sweep)
	if !ok {
		return r.pen.line(to)
	}
	return r.pen.curve(c, to)
}

func (r *pathReader) points(base Point, to ...*Point) *Error {
	for _, p := range to {
		x, err := r.next()
		if err != nil {
			return err
		}
		y, err := r.next()
		if err != nil {
			return err
		}
		*p = Point{x, y}.add(base)
	}
	return nil
}

// A counter is the pen that counts how many segments a path has at least, before any is built.
type counter struct{ n, most int }

func (c *counter) one() *Error {
	if c.n++; c.n > c.most {
		return tooManySegments(c.most)
	}
	return nil
}

func (c *counter) move(Point) *Error         { return nil }
func (c *counter) line(Point) *Error         { return c.one() }
func (c *counter) curve(curve, Point) *Error { return c.one() }
func (c *counter) close() *Error             { return nil }
