// Package celltext handles text as it fills the cells of a terminal: it makes foreign strings harmless and fits them
// into columns.
//
// Whatever comes from a ticket, a scan or a driver is foreign. Clean must be the last thing that happens to such a
// string before it is laid out. The package knows nothing of jobs or devices and never writes anywhere.
package celltext

import (
	"fmt"
	"strings"
	"unicode"
	"unicode/utf8"

	"golang.org/x/text/width"
)

// More marks the place where Clip has cut a text short. It takes one cell.
const More = "~"

// Clean returns s as one line that a terminal shows and does not obey. White space of any kind becomes a plain space;
// control characters (C0, DEL, C1), marks that turn the direction of writing, other invisible characters and bytes
// that are not UTF-8 are spelled out, such as \x1b or \u202e. Plain text comes back unchanged.
func Clean(s string) string {
	if clean(s) {
		return s
	}
	var b strings.Builder
	for len(s) > 0 {
		r, size := utf8.DecodeRuneInString(s)
		switch {
		case r == utf8.RuneError && size == 1:
			fmt.Fprintf(&b, `\x%02x`, s[0])
		case unicode.IsSpace(r):
			// U+0085 and its like are spaces to Unicode, but some terminals obey them: a plain space is safe.
			b.WriteByte(' ')
		case shown(r):
			b.WriteRune(r)
		case r < utf8.RuneSelf:
			fmt.Fprintf(&b, `\x%02x`, r)
		case r <= 0xffff:
			fmt.Fprintf(&b, `\u%04x`, r)
		default:
			fmt.Fprintf(&b, `\U%08x`, r)
		}
		s = s[size:]
	}
	return b.String()
}

func clean(s string) bool {
	return utf8.ValidString(s) && !strings.ContainsFunc(s, func(r rune) bool { return r != ' ' && !shown(r) })
}

// shown reports whether r has a picture of its own. Variation selectors count as marks to Unicode, but change how
// many cells the character before them takes, differently on every terminal.
func shown(r rune) bool {
	if unicode.Is(unicode.Variation_Selector, r) {
		return false
	}
	return unicode.IsPrint(r)
}

// Width returns the number of cells that s takes: two for a wide or full-width character of UAX #11, none for a mark
// that combines with the character before it, one for any other.
func Width(s string) int {
	cells := 0
	for _, r := range s {
		cells += runeWidth(r)
	}
	return cells
}

func runeWidth(r rune) int {
	if r < utf8.RuneSelf {
		return 1
	}
	if unicode.In(r, unicode.Mn, unicode.Me) {
		return 0
	}
	switch width.LookupRune(r).Kind() {
	case width.EastAsianWide, width.EastAsianFullwidth:
		return 2
	default:
		return 1
	}
}

// Clip returns s if it fits into the given number of cells, else its beginning with the mark More at the end. The
// result never takes more than that many cells; for none or fewer it is empty.
func Clip(s string, cells int) string {
	if cells <= 0 {
		return ""
	}
	if Width(s) <= cells {
		return s
	}
	used := 0
	for i, r := range s {
		w := runeWidth(r)
		if used+w > cells-1 {
			return s[:i] + More
		}
		used += w
	}
	return s
}

// Pad returns s filled up with spaces on the right to the given number of cells. A longer text comes back unchanged.
func Pad(s string, cells int) string {
	if missing := cells - Width(s); missing > 0 {
		return s + strings.Repeat(" ", missing)
	}
	return s
}
