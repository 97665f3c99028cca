package label

import (
	"fmt"
	"math"
	"strings"
)

// Stock is what labels are printed on: a roll of labels, an endless roll, or sheets of several labels. Lengths are in
// millimetres. The sizes are those of common label stock: common practice, no source; a card is ID-1 of ISO/IEC 7810.
type Stock struct {
	Name string
	// What it is, for people.
	About string
	// Width and height of a page. An endless stock has no height: its pages are as long as what is on them.
	Width, Height float64
	// Labels across and down; where the first begins; size of one; from one to the next.
	Across, Down            int
	Left, Top               float64
	LabelWidth, LabelHeight float64
	StepX, StepY            float64
	// Pad is the edge of a label on which nothing is printed.
	Pad float64
	// Frame draws the outline of each label, to cut along.
	Frame bool
	// Travelers have room on it.
	Travelers bool
}

// Endless reports whether its pages are as long as what is on them.
func (s Stock) Endless() bool { return s.Height == 0 }

// longestLabel of an endless stock, in millimetres.
const longestLabel = 400

// Stocks returns every stock, in a fixed order.
func Stocks() []Stock {
	roll := func(w, h float64) Stock {
		return Stock{
			Name: fmt.Sprintf("%gx%g", w, h), About: fmt.Sprintf("roll of labels, %g x %g mm", w, h), Width: w, Height: h,
			Across: 1, Down: 1, LabelWidth: w, LabelHeight: h, Pad: 2, Travelers: true,
		}
	}
	endless := roll(62, 0)
	endless.Name, endless.About = "62", "endless roll, 62 mm wide"
	return []Stock{
		roll(100, 50), roll(100, 150), endless,
		{
			Name: "a4-2x4", About: "A4 sheet of 8 labels, 99.1 x 67.7 mm", Width: 210, Height: 297, Across: 2, Down: 4,
			Left: 4.65, Top: 13.1, LabelWidth: 99.1, LabelHeight: 67.7, StepX: 101.6, StepY: 67.7, Pad: 2.5, Travelers: true,
		},
		{
			Name: "a4-3x7", About: "A4 sheet of 21 labels, 63.5 x 38.1 mm", Width: 210, Height: 297, Across: 3, Down: 7,
			Left: 7.2, Top: 15.15, LabelWidth: 63.5, LabelHeight: 38.1, StepX: 66.04, StepY: 38.1, Pad: 1.5,
		},
		{
			Name: "a4-cards", About: "A4 sheet of 10 cards to cut out, 85.6 x 54 mm", Width: 210, Height: 297, Across: 2, Down: 5,
			Left: 16.4, Top: 13.5, LabelWidth: 85.6, LabelHeight: 53.98, StepX: 91.6, StepY: 53.98, Pad: 2.5, Frame: true, Travelers: true,
		},
	}
}

func stockNamed(name string) (Stock, error) {
	for _, s := range Stocks() {
		if s.Name == name {
			return s, nil
		}
	}
	return Stock{}, fmt.Errorf("there is no stock %q: choose from %s", name, namesOf(func(Stock) bool { return true }))
}

func namesOf(wanted func(Stock) bool) string {
	var names []string
	for _, s := range Stocks() {
		if wanted(s) {
			names = append(names, s.Name)
		}
	}
	return strings.Join(names, ", ")
}

// each is the number of labels on a page.
func (s Stock) each() int { return s.Across * s.Down }

// box is where a label of a page lies.
func (s Stock) box(n, dpi int) rect {
	x, y := s.Left+float64(n%s.Across)*s.StepX, s.Top+float64(n/s.Across)*s.StepY
	h := s.LabelHeight
	if s.Endless() {
		h = longestLabel
	}
	return rect{dots(x, dpi), dots(y, dpi), dots(s.LabelWidth, dpi), dots(h, dpi)}
}

// dots are the whole dots in a length in millimetres: a part of a dot cannot be printed.
func dots(mm float64, dpi int) int { return int(math.Floor(mm * float64(dpi) / 25.4)) }

// dotsAbove are the fewest whole dots that are at least so long.
func dotsAbove(mm float64, dpi int) int { return int(math.Ceil(mm*float64(dpi)/25.4 - 1e-9)) }
