package contour

import (
	"math"
	"slices"
	"time"

	"tandem/scheduler/badfield"
)

// Times is how long a cutter needs for one piece.
type Times struct {
	Cut    time.Duration // the tool down and moving
	Travel time.Duration // the tool up and moving, from the first contour to the last; bridges of perforations too
	Tool   time.Duration // lowering and raising
	Next   time.Duration // to the next piece beside this one, the tool up: over the wider side of the box
}

// Total of one piece alone.
func (t Times) Total() time.Duration { return t.Cut + t.Travel + t.Tool }

// Time returns how long a cutter that moves by m needs for one piece. Every contour begins and ends at rest; in between
// the speed is the highest that no corner, no curve and no acceleration forbids, which a pass forward and a pass back over
// the corners find. A further pass over a contour begins again at its start. The error is an [*Error] about m.
func (c *Contour) Time(m Motion) (Times, error) {
	m, err := m.filled()
	if err != nil {
		return Times{}, err
	}
	w := way{drive: m.drive()}
	var cut, travel, tool lengthSum
	for i := range c.Lines {
		line := &c.Lines[i]
		if i > 0 {
			travel.add(w.move(c.Lines[i-1].end().distance(line.start()), w.travel))
		}
		passes := m.passes(line.Kind)
		w.load(line)
		if line.Kind == Perforated {
			cutting, over, dashes := w.perforation()
			cut.add(passes * cutting)
			travel.add(passes * over)
			tool.add(passes * dashes * (w.down + w.up))
		} else {
			if line.Closed {
				w.extend(w.overcut)
			}
			cut.add(passes * w.duration())
			tool.add(passes * (w.down + w.up))
		}
		if passes > 1 {
			travel.add((passes - 1) * w.move(w.back, w.travel))
		}
	}
	box := c.Figures[0].Box
	next := w.move(max(box.Width(), box.Height()), w.travel)
	return Times{Cut: seconds(cut.total()), Travel: seconds(travel.total()), Tool: seconds(tool.total()), Next: seconds(next)}, nil
}

// Pieces returns the time of so many pieces that lie side by side: pieces * total + (pieces - 1) * next. The error is an
// [*Error].
func (t Times) Pieces(n int32) (time.Duration, error) {
	if n < 1 {
		return 0, badfield.New("pieces", "%d: give 1 or more", n)
	}
	one := float64(t.Cut) + float64(t.Travel) + float64(t.Tool)
	if one+float64(n)*(one+float64(t.Next)) > math.MaxInt64/2 {
		return 0, badfield.New("pieces", "they would take more than a century: check speed, acceleration and pieces")
	}
	return time.Duration(n)*t.Total() + time.Duration(n-1)*t.Next, nil
}

// seconds saturates: the slowest motion over the longest contour is more than an int64 holds.
func seconds(s float64) time.Duration {
	if ns := s * 1e9; ns < math.MaxInt64 {
		return time.Duration(math.Round(ns))
	}
	return math.MaxInt64
}

// A way is the contour at hand: the lengths of its chords, and the squares of the speeds at which its points may be passed
// at most. Its slices serve for one contour after the other.
type way struct {
	drive
	lengths []float64
	limits  []float64 // one more than lengths
	tops    []float64 // of each chord, the square of the speed on it
	joint   float64   // of a closed contour, where it closes
	back    float64   // from the end to the start
}

func (w *way) load(l *Line) {
	n := len(l.Points) - 1
	w.lengths = slices.Grow(w.lengths[:0], n)
	w.limits = slices.Grow(w.limits[:0], n+1)
	chords := 0.0
	for i := range n {
		d := l.Points[i].distance(l.Points[i+1])
		w.lengths = append(w.lengths, d)
		chords += d
	}
	w.limits = append(w.limits, 0)
	for i := 1; i < n; i++ {
		w.limits = append(w.limits, w.corner(l.Points[i].sub(l.Points[i-1]), l.Points[i+1].sub(l.Points[i]),
			w.lengths[i-1], w.lengths[i], l.turns[i]))
	}
	w.limits = append(w.limits, 0)
	w.joint, w.back = 0, l.end().distance(l.start())
	if l.Closed {
		w.joint = w.corner(l.Points[n].sub(l.Points[n-1]), l.Points[1].sub(l.Points[0]), w.lengths[n-1], w.lengths[0], l.turns[0])
	}
	// On a chord of a curve the knife is still on the curve, and may not race from one end to the other. Turns of more
	// than a right angle are cusps, which bound no radius beside them: hence the floor, a r with half the chord for r.
	w.tops = slices.Grow(w.tops[:0], n)
	for i := range n {
		top := w.speed * w.speed
		if l.turns[i] == smooth || l.turns[i+1] == smooth {
			top = min(top, max(w.limits[i], w.limits[i+1], w.acceleration*w.lengths[i]/2))
			if i == 0 || i == n-1 {
				top = max(top, w.joint) // the limits there are for the stop
			}
		}
		w.tops = append(w.tops, top)
	}
	if chords > 0 { // the knife follows the curve, not the chords
		for i := range w.lengths {
			w.lengths[i] *= l.LengthMM / chords
		}
	}
}

// extend lets the knife of a closed contour go on beyond the start.
func (w *way) extend(by float64) {
	if by == 0 {
		return
	}
	once := len(w.lengths)
	total := 0.0
	for _, d := range w.lengths {
		total += d
	}
	by = min(by, total)
	w.back = by
	w.limits[once] = w.joint
	for i := 0; i < once && by > 0; i++ {
		d := min(by, w.lengths[i])
		w.lengths = append(w.lengths, d)
		w.limits = append(w.limits, w.limits[i+1])
		w.tops = append(w.tops, w.tops[i])
		by -= d
	}
	w.limits[len(w.limits)-1] = 0
}

// duration is the time over the way, which begins and ends at rest. The limits become the speeds.
func (w *way) duration() float64 {
	n := len(w.lengths)
	if n == 0 {
		return 0
	}
	v := w.limits
	v[0], v[n] = 0, 0
	for i, d := range w.lengths {
		v[i+1] = min(v[i+1], v[i]+2*w.acceleration*d)
	}
	for i := n - 1; i >= 0; i-- {
		v[i] = min(v[i], v[i+1]+2*w.acceleration*w.lengths[i])
	}
	var sum lengthSum
	for i, d := range w.lengths {
		sum.add(w.leg(d, v[i], v[i+1], w.tops[i]))
	}
	return sum.total()
}

// perforation is the time to cut the way in dashes, each from rest to rest, the time to move over the bridges between them
// with the tool up, and how many dashes there are. Whole periods on one chord are alike and counted, not walked.
func (w *way) perforation() (cutting, over, dashes float64) {
	dash := way{drive: w.drive, limits: []float64{0}}
	period := w.cut + w.bridge
	bridge := w.move(w.bridge, w.travel)
	left, inCut := w.cut, true // of the present dash or bridge
	finish := func() {
		if len(dash.lengths) > 0 {
			cutting += dash.duration()
			dashes++
			dash.lengths, dash.tops, dash.limits = dash.lengths[:0], dash.tops[:0], append(dash.limits[:0], 0)
		}
	}
	for i, rest := range w.lengths {
		for rest > 0 {
			if inCut && left == w.cut && len(dash.lengths) == 0 {
				if whole := math.Floor(rest / period); whole > 0 {
					cutting += whole * w.move(w.cut, math.Sqrt(w.tops[i]))
					over += whole * bridge
					dashes += whole
					rest -= whole * period
					continue
				}
			}
			d := min(rest, left)
			rest -= d
			left -= d
			if inCut {
				limit := w.tops[i]
				if rest <= 0 {
					limit = w.limits[i+1]
				}
				dash.lengths = append(dash.lengths, d)
				dash.tops = append(dash.tops, w.tops[i])
				dash.limits = append(dash.limits, limit)
			}
			if left > 0 {
				continue
			}
			if inCut {
				finish()
				left = w.bridge
			} else {
				over += bridge
				left = w.cut
			}
			inCut = !inCut
		}
	}
	finish()
	return cutting, over, dashes
}
