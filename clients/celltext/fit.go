package celltext

import "unicode/utf8"

// Short returns the beginning of a foreign text, made clean, in at most the given number of cells.
func Short(s string, cells int) string {
	// Cut before it is looked at: a name may be as long as a message, and its marks take no cells.
	if most := 4 * cells; len(s) > most {
		for !utf8.RuneStart(s[most]) && most > 4*cells-utf8.UTFMax {
			most--
		}
		s = s[:most] + More
	}
	return Clip(Clean(s), cells)
}

// Fit returns a foreign text, made clean, or as much of its beginning as there is room for, going by a width of another kind than
// cells: that of a drawn text. No more than so many cells are looked at.
func Fit(s string, cells int, room float64, width func(string) float64) string {
	s = Short(s, cells)
	for s != "" {
		w := width(s)
		if w <= room {
			break
		}
		n := Width(s)
		s = Clip(s, min(n-1, int(float64(n)*room/w)))
	}
	return s
}
