package contour

import "math"

// Contour is what a knife does with one cut file.
type Contour struct {
	Lines   []Line               // in the order in which they are cut
	Figures [cutKinds + 1]Figure // by [Kind]; of index 0, all together
	Ignored []Ignored            // what the file has and the knife does not follow, by first appearance; at most 33
}

// Line is one contour, flattened. The points of a closed line end where they begin.
type Line struct {
	Kind     Kind
	Closed   bool
	Points   []Point // at least two, none equal to the one before
	LengthMM float64 // of the true curves, not of the chords
	Corners  int     // joints of the file's segments that turn by more than 30 degrees
	Box      Box

	turns []float32 // at each point, in radians; smooth inside a curve
}

// Box is an upright rectangle in millimetres.
type Box struct{ Min, Max Point }

func (b Box) with(p Point) Box {
	return Box{Point{min(b.Min.X, p.X), min(b.Min.Y, p.Y)}, Point{max(b.Max.X, p.X), max(b.Max.Y, p.Y)}}
}

func (b Box) contains(c Box) bool {
	return b.Min.X <= c.Min.X && b.Min.Y <= c.Min.Y && b.Max.X >= c.Max.X && b.Max.Y >= c.Max.Y
}

// Width of the box in millimetres.
func (b Box) Width() float64 { return b.Max.X - b.Min.X }

// Height of the box in millimetres.
func (b Box) Height() float64 { return b.Max.Y - b.Min.Y }

func (b Box) area() float64 { return b.Width() * b.Height() }

// Figure counts the contours of one kind.
type Figure struct {
	Contours int
	Closed   int // of them
	Corners  int // joints of the file's segments that turn by more than 30 degrees
	Segments int // of the flattened lines
	LengthMM float64
	TravelMM float64 // with the tool up, to these contours from the end of the one cut before
	Box      Box
}

// Ignored is something that the file has and the knife does not follow.
type Ignored struct {
	Name  string // such as text or display:none
	Count int
}

const (
	cornerAngle    = 30 * math.Pi / 180
	ignoredNames   = 32 // then the rest together
	ignoredTheRest = "others"
)

// ignoredList counts a bounded number of names.
type ignoredList []Ignored

func (l *ignoredList) add(name string, count int) {
	name = shorten(name)
	if len(*l) >= ignoredNames && !l.has(name) {
		name = ignoredTheRest
	}
	for i := range *l {
		if (*l)[i].Name == name {
			(*l)[i].Count += count
			return
		}
	}
	*l = append(*l, Ignored{name, count})
}

func (l *ignoredList) has(name string) bool {
	for _, i := range *l {
		if i.Name == name {
			return true
		}
	}
	return false
}

func (l *Line) start() Point { return l.Points[0] }
func (l *Line) end() Point   { return l.Points[len(l.Points)-1] }

func (l *Line) countCorners() {
	l.Corners = 0
	for i, t := range l.turns {
		inner := i > 0 && i < len(l.turns)-1
		if t > cornerAngle && (inner || l.Closed && i == 0) {
			l.Corners++
		}
	}
}

// count fills the figures from the ordered lines.
func (c *Contour) count() {
	c.Figures = [cutKinds + 1]Figure{}
	for i := range c.Lines {
		line := &c.Lines[i]
		line.countCorners()
		travel := 0.0
		if i > 0 {
			travel = c.Lines[i-1].end().distance(line.start())
		}
		for _, f := range []*Figure{&c.Figures[0], &c.Figures[line.Kind]} {
			if f.Contours == 0 {
				f.Box = line.Box
			}
			f.Box = f.Box.with(line.Box.Min).with(line.Box.Max)
			f.Contours++
			if line.Closed {
				f.Closed++
			}
			f.Corners += line.Corners
			f.Segments += len(line.Points) - 1
			f.LengthMM += line.LengthMM
			f.TravelMM += travel
		}
	}
}

// Summary is what is worth keeping of a contour when the file is put away: numbers only, lengths in micrometres.
type Summary struct {
	All, Kiss, Perforated, Through Totals
}

// Totals of the contours of one kind.
type Totals struct {
	Contours, Closed, Corners, Segments int64
	CutUm, TravelUm, WidthUm, HeightUm  int64
}

// Summary returns the figures of the contour, rounded.
func (c *Contour) Summary() Summary {
	totals := func(k Kind) Totals {
		f := c.Figures[k]
		return Totals{
			Contours: int64(f.Contours), Closed: int64(f.Closed), Corners: int64(f.Corners), Segments: int64(f.Segments),
			CutUm: um(f.LengthMM), TravelUm: um(f.TravelMM), WidthUm: um(f.Box.Width()), HeightUm: um(f.Box.Height()),
		}
	}
	return Summary{All: totals(0), Kiss: totals(Kiss), Perforated: totals(Perforated), Through: totals(Through)}
}

func um(mm float64) int64 { return int64(math.Round(mm * 1000)) }
