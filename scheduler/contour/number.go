package contour

import (
	"math"
	"strconv"
	"strings"

	"tandem/scheduler/badfield"
)

// numberEnd returns where the number that starts at s[i] ends, and i if there is none. The grammar is the union of
// SVG 1.1 (section 8.3.9, which takes "1.") and CSS: sign, digits with an optional point, optional exponent. There is
// no spelling of infinity.
func numberEnd(s string, i int) int {
	j := i
	if j < len(s) && (s[j] == '+' || s[j] == '-') {
		j++
	}
	whole := digitsEnd(s, j)
	digits := whole - j
	j = whole
	if j < len(s) && s[j] == '.' {
		end := digitsEnd(s, j+1)
		digits += end - j - 1
		j = end
	}
	if digits == 0 {
		return i
	}
	if j < len(s) && (s[j] == 'e' || s[j] == 'E') {
		k := j + 1
		if k < len(s) && (s[k] == '+' || s[k] == '-') {
			k++
		}
		if end := digitsEnd(s, k); end > k { // else it is the e of em
			j = end
		}
	}
	return j
}

func digitsEnd(s string, i int) int {
	for i < len(s) && s[i] >= '0' && s[i] <= '9' {
		i++
	}
	return i
}

func isSpace(c byte) bool { return c == ' ' || c == '\t' || c == '\n' || c == '\r' || c == '\f' }

// bounded reports whether x is a number of a sensible size.
func bounded(x float64) bool { return math.Abs(x) <= maxNumber } // false for NaN

// numbers reads a list of numbers that white space and single commas separate, as SVG writes transforms and points.
type numbers struct {
	s     string
	i     int
	comma bool // a comma stands before i
	dry   bool // check the grammar only
}

func (n *numbers) space() {
	for n.i < len(n.s) && isSpace(n.s[n.i]) {
		n.i++
	}
}

// separator steps over white space with at most one comma.
func (n *numbers) separator() {
	n.space()
	if n.i < len(n.s) && n.s[n.i] == ',' {
		n.i++
		n.comma = true
		n.space()
	}
}

func (n *numbers) done() bool { return n.i >= len(n.s) }

// more reports whether a number seems to start here.
func (n *numbers) more() bool {
	if n.done() {
		return false
	}
	c := n.s[n.i]
	return c >= '0' && c <= '9' || c == '.' || c == '-' || c == '+'
}

// next reads one number and what separates it from the next.
func (n *numbers) next() (float64, *Error) {
	end := numberEnd(n.s, n.i)
	if end == n.i {
		return 0, badfield.New("", "a number is expected at byte %d, not %q", n.i, shorten(n.s[n.i:]))
	}
	text := n.s[n.i:end]
	at := n.i
	n.i, n.comma = end, false
	n.separator()
	if n.dry {
		return 0, nil
	}
	x, err := strconv.ParseFloat(text, 64)
	if err != nil || !bounded(x) {
		return 0, badfield.New("", "%s at byte %d is too large: use numbers up to %g", shorten(text), at, maxNumber)
	}
	return x, nil
}

// flag reads one digit, 0 or 1, that needs nothing to separate it from the next number.
func (n *numbers) flag() (bool, *Error) {
	if n.done() || n.s[n.i] != '0' && n.s[n.i] != '1' {
		return false, badfield.New("", "an arc flag, 0 or 1, is expected at byte %d, not %q", n.i, shorten(n.s[min(n.i, len(n.s)):]))
	}
	set := n.s[n.i] == '1'
	n.i++
	n.comma = false
	n.separator()
	return set, nil
}

// A measure is a length of the file: a value and what it counts.
type measure struct {
	value   float64 // user units or, if percent, hundredths of the viewport
	percent bool
	pixels  bool // the file gave no physical unit
}

// Lengths of CSS, 96 user units to the inch (CSS Values and Units 3, section 5.2).
const (
	unitsPerInch = 96
	mmPerInch    = 25.4
	mmPerUnit    = mmPerInch / unitsPerInch
)

// parseMeasure reads a length such as 12.5mm.
func parseMeasure(field, s string) (measure, error) {
	s = strings.TrimSpace(s)
	end := numberEnd(s, 0)
	if end == 0 {
		return measure{}, badfield.New(field, "%q is no length: write a number with mm, cm, in, pt, pc or px", shorten(s))
	}
	x, err := strconv.ParseFloat(s[:end], 64)
	if err != nil || !bounded(x) {
		return measure{}, badfield.New(field, "%s is too large: use numbers up to %g", shorten(s), maxNumber)
	}
	switch unit := strings.ToLower(s[end:]); unit {
	case "", "px":
		return measure{value: x, pixels: true}, nil
	case "mm":
		return measure{value: x / mmPerUnit}, nil
	case "cm":
		return measure{value: x * 10 / mmPerUnit}, nil
	case "q":
		return measure{value: x / 4 / mmPerUnit}, nil
	case "in":
		return measure{value: x * unitsPerInch}, nil
	case "pt":
		return measure{value: x * unitsPerInch / 72}, nil
	case "pc":
		return measure{value: x * unitsPerInch / 6}, nil
	case "%":
		return measure{value: x, percent: true}, nil
	default:
		return measure{}, badfield.New(field, "the unit %q has no fixed length: use mm, cm, in, pt, pc or px", shorten(unit))
	}
}
