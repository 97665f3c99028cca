package registration

import (
	"fmt"
	"math"

	"tandem/scheduler/badfield"
)

// Error is why there is no fit: one bad field, and what would be right.
type Error = badfield.Error

const (
	mostMarks = 1000
	mostUm    = 1e9 // 1 km
	// nearestUm is the least distance of two marks: a mark itself is several millimetres wide.
	nearestUm = 1000
	// flattest is the least ratio of the spread of marks across their main line to the spread along it.
	flattest = 1e-3
)

// check wants at least two marks that are apart and a reading for each; of three and more, one off the line of the others.
func check(nominal, read []Point) error {
	if len(nominal) < 2 || len(nominal) > mostMarks {
		return badfield.New("nominal", "holds %d marks: give 2 to %d", len(nominal), mostMarks)
	}
	if len(read) != len(nominal) {
		return badfield.New("read", "holds %d readings for %d marks: read every mark once, in the order of the marks", len(read), len(nominal))
	}
	if err := checkPoints("nominal", nominal, "give each mark its own place"); err != nil {
		return err
	}
	if err := checkPoints("read", read, "one mark was read twice, so read them again"); err != nil || len(nominal) == 2 {
		return err
	}
	if flat(nominal) {
		return badfield.New("nominal", "has all marks on one line: add a mark beside it, or give two marks only")
	}
	if flat(read) {
		return badfield.New("read", "has all readings on one line, but the marks are not: read them again")
	}
	return nil
}

func checkPoints(list string, points []Point, remedy string) error {
	for i, p := range points {
		for _, c := range []struct {
			name string
			v    float64
		}{{"x", p.X}, {"y", p.Y}} {
			if math.IsNaN(c.v) || math.Abs(c.v) > mostUm {
				return badfield.New(fmt.Sprintf("%s[%d].%s", list, i, c.name), "is %v: give micrometres, at most 1 km", c.v)
			}
		}
	}
	for j, p := range points {
		for i, q := range points[:j] {
			if math.Hypot(p.X-q.X, p.Y-q.Y) < nearestUm {
				return badfield.New(fmt.Sprintf("%s[%d]", list, j), "is within 1 mm of %s[%d]: %s; coordinates are micrometres", list, i, remedy)
			}
		}
	}
	return nil
}
